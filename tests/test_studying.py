"""A study of the probe, from the log of the commissioning to its verdicts."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from math import cos, pi, sin
from pathlib import Path
from random import Random
from typing import Any

import pytest

import feedback
from feedback.cell import Cell
from feedback.errors import UsageError
from feedback.studying import Touch, measured_repeatability, newest_repeats
from tests.configuration.cells import CELL, PLAN, cell

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ENGINEER = """
[person.pe]
name = "Process engineer"
may = ["release"]
"""
HOUR_US = 3600 * 1_000_000


def _repeats(sd_um: float, points: int = 2, touches: int = 12, seed: int = 3, digits: int = 4) -> str:
    """Touches of the ring, point by point, in order of time."""
    chance = Random(seed)
    return "".join(
        f"REPEAT RING1 POINT {point} ACTUAL {40.0011 + chance.gauss(0, sd_um / 1000):.{digits}f}"
        f" DATE 20261125 TIME 06{point:02d}{second:02d}\n"
        for point in range(1, points + 1)
        for second in range(touches)
    )


def _checks(count: int = 10, error_um: float = 1.0, warm: bool = False) -> str:
    """Ring checks with a centre that wanders a little; 20 degC, or 24 degC with the ring grown by as much."""
    chance = Random(5)
    size = 40.00062 + error_um / 1000 + (40.00062 * 11.5e-6 * 4 if warm else 0)
    return "".join(
        f"ARTEFACT RING1 ACTUAL {size:.4f} X {chance.uniform(-1, 1) / 1000:.4f} Y {chance.uniform(-2, 2) / 1000:.4f}"
        f" TEMP {24 if warm else 20} DATE 20261125 TIME 07{k:02d}00\n"
        for k in range(count)
    )


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Cell]:
    (tmp_path / "parts").mkdir()
    (tmp_path / "cell.toml").write_text(CELL + ENGINEER, encoding="utf-8")
    (tmp_path / "parts" / "4101.toml").write_text(PLAN, encoding="utf-8")
    with feedback.open_cell(tmp_path) as found:
        yield found


def _study(opened: Cell, text: str) -> dict[str, Any]:
    opened.feed("M1", text, now=NOW)
    (found,) = opened.study("M1")["machines"]
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    return dict(found)


def _feature(found: dict[str, Any], key: str) -> dict[str, Any]:
    return next(entry for entry in found["features"] if entry["feature"] == key)


def test_a_commissioning_study_says_what_the_probe_can_judge(opened: Cell) -> None:
    """Twelve touches at two points, ten checks: repeatability, bias, relocation, budget, verdict, the line to state."""
    found = _study(opened, _repeats(0.6) + _checks())

    (ring,) = found["repeatability"]
    assert ring["sd_um"] == pytest.approx(0.6, rel=0.35)
    assert (ring["degrees"], ring["resolution_um"], ring["alike"]) == (22, pytest.approx(0.1), True)
    assert [point["n"] for point in ring["points"]] == [12, 12]
    assert ring["points"][0]["evidence"][0].endswith(":1")
    (check,) = found["checks"]
    assert check["mean_error_um"] == pytest.approx(1.0, abs=0.05)
    assert "over 10 checks" in found["relocation"][0]["words"]
    bore = _feature(found, "4101/12")
    assert bore["fitness"] in ("usable", "good")
    assert {row["quantity"] for row in bore["budget"]["sources"]} == {
        "repeatability", "calibration", "bias", "temperature", "expansion",
    }  # fmt: skip
    assert bore["measurement_capability"]["standard"] == "ISO 22514-7"
    assert bore["open"] == ["form: no points around a ring were probed"]
    assert found["suggested"]["line"].startswith('repeatability = "0.000')
    assert any("machine's own geometric errors" in words for words in found["cautions"])


def test_touches_kept_before_places_were_read_still_count(opened: Cell, tmp_path: Path) -> None:
    """A history that began with an older release knows no X and Y of a touch, and no study fails over it."""
    opened.feed("M1", _repeats(0.6), now=NOW)
    with closing(sqlite3.connect(tmp_path / "state" / "trueup.sqlite")) as kept, kept:
        kept.execute("UPDATE other_record SET payload = json_remove(payload, '$.x', '$.y') WHERE kind = 'repeat'")
    (found,) = opened.study("M1")["machines"]
    assert [point["n"] for point in found["repeatability"][0]["points"]] == [12, 12]


def test_a_check_set_aside_is_no_bias_of_the_probe(opened: Cell) -> None:
    """A chip on the ring, said so by a person, enters neither the mean error nor the chart; nor does a void check."""
    chip = "ARTEFACT RING1 ACTUAL 40.0400 TEMP 20 DATE 20261125 TIME 080000\n"
    hot = "ARTEFACT RING1 ACTUAL 40.0400 TEMP 68 DATE 20261125 TIME 080500\n"
    before = _study(opened, _repeats(0.6) + _checks())["checks"]
    assert _study(opened, chip + hot)["checks"][0]["n"] == 11
    opened.release_probe("M1", 1, by="pe", why="a chip on the ring", now=NOW)
    assert _study(opened, "\n")["checks"] == before
    (probes,) = opened.probe("M1")["machines"]
    assert len(probes["probes"][0]["charts"][0]["error_um"]) == 10
    assert [check["result"] for check in probes["probes"][0]["checks"][-2:]] == ["failed", "void"]


def test_a_good_calibration_begins_the_checks_anew(opened: Cell) -> None:
    """What the probe was off by before it was calibrated is in no budget of what it reads now."""
    values = "RXP 2.9912 RXM 2.9914 RYP 2.9913 RYM 2.9911 OFFX 0.0021 OFFY -0.0008 LENGTH 147.3312 BALL 6"
    off = _study(opened, _checks(error_um=2.5))["checks"]
    calibrated = f"CALIBRATION PROBE 1 ARTEFACT RING1 {values} DATE 20261125 TIME 075900\n"
    found = _study(opened, calibrated + _checks(error_um=0.4).replace("TIME 07", "TIME 08"))["checks"]

    assert off[0]["mean_error_um"] == pytest.approx(2.5, abs=0.06)
    assert (found[0]["n"], found[0]["mean_error_um"]) == (10, pytest.approx(0.4, abs=0.06))


def test_points_around_the_ring_give_the_2d_error(opened: Cell) -> None:
    """Three lobes of 1 um on 36 points around a ring: 2 um from least to most, and the centre where the ring stands."""
    text = ""
    for k in range(36):
        angle = 2 * pi * k / 36
        radius = 20.0004 + 0.001 * cos(3 * angle)
        x, y = 12.5 + radius * cos(angle), -3 + radius * sin(angle)
        text += f"REPEAT RING1 POINT {k + 2} ACTUAL {2 * radius:.5f} X {x:.5f} Y {y:.5f}\n"

    found = _study(opened, _repeats(0.5, points=1) + text)

    assert found["repeatability"][0]["sd_um"] == pytest.approx(0.5, rel=0.5)
    assert [point["point"] for point in found["repeatability"][0]["points"]] == ["1"]
    assert not any("touch" in words for words in found["open"])
    (ring,) = found["rings"]
    assert (ring["points"], ring["range_um"]) == (36, pytest.approx(2.0, abs=0.02))
    assert (ring["x_mm"], ring["y_mm"], ring["diameter_mm"]) == pytest.approx((12.5, -3.0, 40.0008), abs=5e-6)
    assert ring["angles_deg"][9] == pytest.approx(90, abs=0.01)
    assert ring["words"] == "2D error 2.0 um: range of the distances from the least-squares centre, 36 points"


def test_points_on_one_side_of_the_ring_are_answered_in_words(opened: Cell) -> None:
    """Three points fit any circle, and points on a line none."""
    early, late = "DATE 20261125 TIME 060000", "DATE 20261125 TIME 090000"
    line = "".join(f"REPEAT RING1 POINT {k} ACTUAL 40 X {k}.0 Y {2 * k}.0 {early}\n" for k in range(1, 6))
    three = "".join(f"REPEAT RING1 POINT {k} ACTUAL 40 X {k % 2}.0 Y {k}.0 {late}\n" for k in range(1, 4))

    no_place = "no place was touched again and again: touch one point 10 times (REPEAT lines)"
    rest, words = _study(opened, line)["open"]
    assert words.startswith("artefact RING1, points around it: all points lie on one line")
    assert rest == no_place
    found = _study(opened, three)
    assert found["open"] == [no_place, "artefact RING1: any circle fits three points; touch 36 around it"]
    assert found["repeatability"] == []


def _clamped(parts: int, times: int, hour: int = 8) -> str:
    """Parts of different size, each clamped and probed `times` times, one after another, in 5 minutes each."""
    chance, text = Random(7), ""
    for k in range(parts * times):
        minute = 2 * k
        actual = 25.010 + 0.004 * (k % parts) + chance.gauss(0, 0.0007)
        text += f"PART {k % parts + 1} PLAN 4101 DATE 20261125 TIME {hour + minute // 60:02d}{minute % 60:02d}00\n"
        text += f"FEATURE 12 ACTUAL {actual:.4f}\nEND {k % parts + 1}\n"
    return text


def test_parts_clamped_again_are_a_gauge_study(opened: Cell) -> None:
    """Five parts clamped three times each: both methods, each with its name, its share of the tolerance and its ndc."""
    (bore,) = _study(opened, _clamped(5, 3))["reclamped"]

    assert (bore["feature"], bore["trials"]) == ("4101/12", 3)
    assert [one["method"].split(" (")[0] for one in bore["methods"]] == [
        "average and range", "ANOVA without interaction",
    ]  # fmt: skip
    for one in bore["methods"]:
        assert one["ev_um"] == pytest.approx(0.7, rel=0.45)
        assert one["share_of_tolerance"] == pytest.approx(6 * one["grr_um"] / 21.0)
        assert one["ndc"] > 5


def test_part_numbers_of_another_day_are_other_parts(opened: Cell) -> None:
    """A counter that starts again every morning makes no gauge study."""
    first = _clamped(5, 1, hour=6)
    text = first + first.replace("TIME 06", "TIME 11")

    assert _study(opened, text)["reclamped"] == []


def test_the_suggested_line_is_what_cell_toml_takes(opened: Cell) -> None:
    """Put into the machine's table, the measured noise becomes the trend's prior."""
    line = _study(opened, _repeats(0.6))["suggested"]["line"]

    stated = cell(cell=CELL.replace('tool_radius = "radius"\n', f'tool_radius = "radius"\n{line}\n'))

    assert stated.machines["M1"].repeatability_mm == pytest.approx(Decimal("0.0006"), rel=Decimal("0.4"))


def test_a_warm_ring_is_compared_with_its_size_at_that_temperature(opened: Cell) -> None:
    """At 24 degC a steel ring of 40 mm is 1.8 um bigger than its certificate: that is no error of the probe."""
    (check,) = _study(opened, _checks(warm=True))["checks"]

    assert check["mean_error_um"] == pytest.approx(1.0, abs=0.06)


def test_a_study_without_touches_says_what_to_do(opened: Cell) -> None:
    """An empty log is answered with the study to run, not with numbers."""
    found = _study(opened, "PART 1 PLAN 4101\nFEATURE 12 ACTUAL 25.01\nEND 1\n")

    assert found["open"] == ["no touch of an artefact is in the log: run a repeatability study (REPEAT lines)"]
    assert _feature(found, "4101/12")["verdict"] is None
    assert found["suggested"] is None


def test_too_few_touches_are_named_with_their_point(opened: Cell) -> None:
    """Six touches are no study; the person is told how many more at which point."""
    found = _study(opened, _repeats(0.6, points=1, touches=6))

    assert found["open"][0].startswith("artefact RING1 point 1: found 6 repeats; wanted at least 10")


def test_what_is_stated_against_the_study_is_said(tmp_path: Path) -> None:
    """A cell that claims 0.2 um and repeats to 0.8 um is told so."""
    (tmp_path / "parts").mkdir()
    claimed = CELL.replace('tool_radius = "radius"\n', 'tool_radius = "radius"\nrepeatability = "0.0002 mm"\n')
    (tmp_path / "cell.toml").write_text(claimed, encoding="utf-8")
    (tmp_path / "parts" / "4101.toml").write_text(PLAN, encoding="utf-8")

    with feedback.open_cell(tmp_path) as opened:
        words = _study(opened, _repeats(0.8))["open"]

    assert any(said.startswith("cell.toml states a repeatability of 0.20 um; the study found 0.") for said in words)


def test_an_unknown_machine_is_answered_with_the_known_ones(opened: Cell) -> None:
    """A slip of the pen is no traceback."""
    with pytest.raises(UsageError, match=r"no machine 'M9' in cell\.toml; wanted one of M1"):
        opened.study("M9")


def _touch(actual: str, at_us: int, point: int = 1) -> Touch:
    return Touch("RING1", point, Decimal(actual), at_us, "M1/s1.txt:1")


def test_an_hour_without_a_touch_begins_a_new_study() -> None:
    """Last month's study of another stylus does not count any more."""
    old = [_touch("40.0050", second) for second in range(10)]
    new = [_touch("40.0011", 2 * HOUR_US + second) for second in range(4)]

    (study,) = newest_repeats([*old, *new], cell().machines["M1"]).values()

    assert [touch.actual for touch in study.points["1"]] == [Decimal("40.0011")] * 4
    assert measured_repeatability([*old, *new], cell().machines["M1"]) is None


def test_an_inch_machine_counts_its_own_last_decimal() -> None:
    """0.00001 in printed is a step of 0.254 um."""
    inch = cell(cell=CELL.replace('"mm"\nleast_increment = "0.001 mm"', '"inch"\nleast_increment = "0.0001 in"'))
    touches = [_touch(str(Decimal(text) * Decimal("25.4")), k) for k, text in enumerate(["1.57480", "1.57483"])]

    (study,) = newest_repeats(touches, inch.machines["M1"]).values()

    assert study.step_um == pytest.approx(0.254)
