"""What a sound configuration can and cannot do, said before the first part is cut."""

import json
import re
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.check import CheckReport, report
from feedback.configuration.facts import Feature
from feedback.configuration.signatures import indistinct, rank, sensitivity_matrix
from feedback.registers import Register, tool_register
from tests.configuration.cells import BORE, CELL, DATUM, HEAD, Bare, cell, feature, texts

ANGLE = feature("32", kind="angle", nominal="0 deg", tolerance=Bare('["-0.05 deg", "0.05 deg"]'), axis="B")
WALL = feature("2", kind="wall", axis="X", faces="+", tool=5, relative_to="31", work="54")
WIDE = Bare('["-0.050 mm", "+0.050 mm"]')


def checked(*features: str, machine: str = "", limits: str = "", **files: str) -> CheckReport:
    text = CELL.replace('tool_radius = "radius"\n', f'tool_radius = "radius"\n{machine}')
    return report(cell(cell=text, plan=HEAD + "".join(features), limits=limits, **files))


def warnings(*features: str, machine: str = "", limits: str = "", **files: str) -> list[str]:
    """What somebody should think about, leaving out the registers that rest on one feature."""
    (only,) = checked(*features, machine=machine, limits=limits, **files).machines
    return [warning for warning in only.warnings if "rests on feature" not in warning]


def test_each_feature_says_which_register_it_asks_for_and_which_way() -> None:
    """An engineer sees at a glance whether a sign is wrong."""
    (machine,) = checked(BORE, DATUM, ANGLE, feature("9", kind="drilled"), feature("7", kind="floor", tool=5)).machines
    assert {f.key: f.tells for f in machine.features} == {
        "4101/12": ("reads 0.01 mm smaller -> lower tool 5 radius by 0.005 mm",),
        "4101/31": ("reads 0.01 mm low -> lower work 54 X by 0.01 mm",),
        "4101/32": ("reads 0.01 deg low -> lower work 54 B by 0.01 deg",),
        "4101/9": (),
        "4101/7": ("reads 0.01 mm low -> raise tool 5 length by 0.01 mm",),
    }


def test_machine_facts_are_sentences_one_can_check_at_the_control() -> None:
    """Radius or diameter, unit and step are shown, because nobody can guess them."""
    (machine,) = checked(BORE, machine='lag = 3\nrepeatability = "0.0008 mm"\n').machines
    assert machine.facts == (
        "logs are read from /cell/logs/M1 as pairs",
        "bare numbers in its logs and registers are mm",
        "its registers count in steps of 0.001 mm",
        "tool radius registers hold the radius",
        "snippets are written as g10-memory",
        "3 parts are usually cut between probing and entry",
        "its clock runs in Europe/Lisbon",
        "the probe repeats with a standard deviation of 0.0008 mm",
        (
            "readings are brought to 20 degC with the TEMP printed beside them and scales that read true at any"
            " temperature; without TEMP they are used as printed"
        ),
        (
            "a calibration is good with 0 mm to 0.03 mm of pre-travel, at most 0.002 mm between + and - of an axis,"
            " 0.02 mm of offset, and 0.003 mm of change since the last one"
        ),
        "its probe is checked on RING1 every 8 h",
        (
            "a tool that has lost more than 0.2 mm on the tool setter is broken; otherwise its readings are not used:"
            " setter, its repeatability, is not stated"
        ),
    )


def test_a_stated_tool_setter_says_which_registers_its_readings_count_for() -> None:
    """Length and radius of the tools that plans look at; what it scatters and what counts as broken, in words."""
    floor = feature("7", kind="floor", tool=8)
    (machine,) = checked(BORE, floor, DATUM, machine='setter = "0.002 mm"\nbreak_limit = "0.5 mm"\n').machines
    assert machine.facts[-1] == (
        "a tool that has lost more than 0.5 mm on the tool setter is broken; it repeats with a standard deviation of"
        " 0.002 mm, and its readings count for tool 5 radius, tool 8 length"
    )


def test_a_break_limit_within_the_setters_scatter_is_warned_of() -> None:
    """A setter that scatters by 10 um cannot tell a tool 50 um short from a good one."""
    facts = 'setter = "0.010 mm"\nbreak_limit = "0.050 mm"\n'
    assert [warning for warning in warnings(BORE, machine=facts) if "break_limit" in warning] == [
        (
            "break_limit is 0.05 mm, less than 6 standard deviations of the tool setter, 0.06 mm: good tools would be"
            " stopped; raise it"
        )
    ]


def test_limits_in_force_are_shown_for_each_register_with_their_units() -> None:
    """What narrower tables changed is seen where it counts."""
    limits = '[default]\nband = "33.3 %"\nsettle = 1\n[kind.rotary]\nexpires = "36 h"\n'
    (machine,) = checked(BORE, ANGLE, limits=limits).machines
    shown = {register.register: register.limits for register in machine.registers}
    assert shown["tool 5 radius"] == {
        "band": "33.3 %",
        "aim": "50 %",
        "step": "0.02 mm",
        "travel": "0.15 mm",
        "settle": "1 part",
        "evidence": "3 parts",
        "confidence": "99 %",
        "implausible": "0.3 mm",
        "expires": "10 parts",
        "check": "advised",
    }
    assert shown["work 54 B"]["step"] == "0.01 deg"
    assert shown["work 54 B"]["expires"] == "36 h"


def test_a_register_that_rests_on_one_feature_is_named() -> None:
    """One burr on that feature would look like wear."""
    (machine,) = checked(BORE, feature("13", kind="boss", tool=5), DATUM).machines
    assert [warning for warning in machine.warnings if "rests on" in warning] == [
        "work 54 X rests on feature 4101/31 alone: whatever is wrong with that feature looks like it"
    ]


CANNOT = "cannot be told apart: no feature moves with one and not with the other"


def test_registers_that_no_feature_separates_are_named_with_the_feature_that_would() -> None:
    """A cutter's wear and a moved fixture look alike on a single wall; a bore or a datum tells them apart."""
    lone_wall = WALL.replace('relative_to = "31"\n', 'machined_in = "55"\n').replace('"54"', '"55"')
    assert warnings(lone_wall) == [
        (
            f"tool 5 radius and work 55 X {CANNOT};"
            " add a bore, boss, pocket or web cut by tool 5 or a datum position along X in work 55"
        )
    ]
    (machine,) = checked(lone_wall).machines
    (group,) = machine.groups
    assert (group.rank, group.registers, group.indistinct) == (
        1,
        ("tool 5 radius", "work 55 X"),
        (("tool 5 radius", "work 55 X"),),
    )
    assert warnings(lone_wall, BORE.replace("H7", "H11")) == []


def test_a_rotary_offset_that_cannot_be_separated_asks_for_a_datum_line() -> None:
    """Two rotary axes on one line cannot be told apart."""
    line = ANGLE.replace('axis = "B"', 'axis = "B"\nmoves = { "work 54 B" = -1, "work 54 C" = -1 }')
    assert warnings(line) == [
        (
            f"work 54 B and work 54 C {CANNOT};"
            " add a datum line read as an angle about B in work 54 or a datum line read as an angle about C in work 54"
        )
    ]


def test_what_one_plan_alone_cannot_separate_is_said_though_another_can() -> None:
    """While only the second part runs, its wall says nothing certain."""
    lone_wall = WALL.replace('relative_to = "31"\n', 'machined_in = "55"\n').replace('"54"', '"55"')
    other = HEAD.replace("4101", "4102") + lone_wall
    assert warnings(BORE.replace("H7", "H11"), DATUM, **{"parts/4102.toml": other}) == [
        (
            f"on plan 4102 alone, tool 5 radius and work 55 X {CANNOT};"
            " add a bore, boss, pocket or web cut by tool 5 or a datum position along X in work 55 to it"
        )
    ]


def test_a_probe_error_that_looks_like_wear_is_said_where_no_ring_is_checked() -> None:
    """When one tool cuts all sizes, a loose stylus and a worn cutter leave the same signature."""
    ringless = re.sub(r"\[artefact.RING1\](\n.+)*", "", CELL)
    sizes = [feature("1", kind="bore", tool=5, tolerance=WIDE), feature("2", kind="boss", tool=5, tolerance=WIDE)]

    def said(*features: str) -> list[str]:
        answer = report(cell(cell=ringless, plan=HEAD + "".join(features), limits=""))
        assert answer.warnings[0].startswith("there is no artefact")
        return [warning for warning in answer.machines[0].warnings if "probe that reads all sizes wrong" in warning]

    assert said(*sizes) == [
        (
            "a probe that reads all sizes wrong looks exactly like tool 5 radius; add a size cut by another tool,"
            " or check a certified ring"
        )
    ]
    assert said(*sizes, feature("3", kind="bore", tool=6, tolerance=WIDE)) == []
    assert said(*sizes, feature("3", kind="drilled", tolerance=WIDE)) == []
    assert [warning for warning in warnings(*sizes) if "probe" in warning] == []


def test_warm_up_that_looks_like_length_wear_is_said() -> None:
    """One tool's floors alone cannot tell a growing spindle from a wearing tool."""
    floor = feature("1", kind="floor", tool=5, tolerance=WIDE)
    assert warnings(floor) == [
        (
            "a machine growing in Z while it warms up looks exactly like tool 5 length; add a floor cut by"
            " another tool, or a datum position along Z"
        )
    ]
    assert warnings(floor, feature("2", kind="floor", tool=6, tolerance=WIDE)) == []
    assert warnings(floor, feature("2", kind="position", axis="Z", role="datum", tolerance=WIDE)) == []


def test_a_least_step_coarser_than_the_band_is_said() -> None:
    """A correction that jumps over the band would be made back and forth for ever."""
    tight = feature("1", kind="bore", tool=5, tolerance=Bare('["0 mm", "+0.006 mm"]'))
    assert warnings(tight) == [
        (
            "feature 4101/1: one step of tool 5 radius moves it by 0.002 mm,"
            " more than its band of 0.0009 mm; widen the band"
        )
    ]
    assert warnings(tight, limits='[default]\nband = "70 %"\n') == []


def test_a_probe_that_scatters_more_than_the_band_or_the_tolerance_allows_is_said() -> None:
    """A probe cannot hold what it cannot see."""
    bore = feature("1", kind="bore", tool=5, tolerance=Bare('["0 mm", "+0.018 mm"]'))
    assert warnings(bore, machine='repeatability = "0.003 mm"\n') == [
        "feature 4101/1: six standard deviations of the probe take 100 % of the tolerance; usual is 30 % at most",
        "feature 4101/1: the probe scatters by 0.003 mm, more than its band of 0.0027 mm; widen the band",
    ]
    assert warnings(bore, machine='repeatability = "0.0009 mm"\n') == []


def test_limits_that_stop_good_parts_or_never_propose_are_said() -> None:
    """Such limits are sound TOML and useless in the shop."""
    rough = feature("1", kind="bore", tool=5, tolerance=Bare('["-0.4 mm", "+0.4 mm"]'))
    assert warnings(rough) == [
        (
            "feature 4101/1: its tolerance reaches past what tool 5 radius calls implausible, 0.3 mm:"
            " good parts would be stopped"
        )
    ]
    wide = feature("1", kind="bore", tool=5, tolerance=WIDE)
    assert warnings(wide, limits='[default]\nstep = "0.0005 mm"\n') == [
        "tool 5 radius may move by 0.0005 mm at most, less than its least step of 0.001 mm: it will never be proposed"
    ]


def test_an_artefact_that_cannot_judge_is_named() -> None:
    """A certificate no better than the limit, or a check that is never due, proves little."""
    coarse = CELL.replace('"0.0008 mm"', '"0.0011 mm"').replace('due = "8 h"', "")
    said = [warning for warning in report(cell(cell=coarse)).machines[0].warnings if warning.startswith("RING1")]
    assert said == [
        (
            "RING1 is certified to 0.0011 mm, more than a third of its error_limit of 0.003 mm:"
            " a good probe may fail on it, or a bad one pass"
        ),
        'RING1 states no due: a check that is forgotten is never missed; state due = "8 h" or in parts',
    ]
    second = CELL[CELL.index("[machine.M1]") : CELL.index("[artefact")].replace("M1", "M2")
    elsewhere = CELL.replace('due = "8 h"', 'machines = ["M2"]') + second
    (first, _) = report(cell(cell=elsewhere)).machines
    assert "its probe is unchecked: cell.toml states no artefact for it" in first.facts
    assert not [warning for warning in first.warnings if warning.startswith("RING1")]


def test_an_empty_cell_says_what_it_lacks() -> None:
    """No plan, no ring, nobody to review: said once, for the whole cell."""
    bare = CELL[: CELL.index("[artefact")]
    everything = texts(cell=bare, limits="")
    del everything["parts/4101.toml"]
    from feedback.configuration.loading import from_texts
    from tests.configuration.cells import FOLDER

    assert [warning.split(":")[0] for warning in report(from_texts(FOLDER, everything)).warnings] == [
        "there is no plan in parts/",
        "there is no artefact",
        "nobody may review",
    ]


def test_inch_machines_are_answered_in_inches() -> None:
    """Nobody at an inch control should have to convert."""
    inch = CELL.replace('unit = "mm"', 'unit = "inch"').replace('"0.001 mm"', '"0.0001 in"')
    bore = feature("12", kind="bore", tool=5, nominal="1 in", tolerance=Bare('["0 in", "+0.0016 in"]'))
    (machine,) = report(cell(cell=inch, plan=HEAD + bore, limits='[default]\nstep = "0.0008 in"\n')).machines
    assert machine.features[0].tells == ("reads 0.0005 in smaller -> lower tool 5 radius by 0.00025 in",)
    assert machine.registers[0].limits["step"] == "0.0008 in"


def test_the_report_is_plain_json_and_plain_lines() -> None:
    """Scripts read the one, people the other."""
    answer = checked(BORE, DATUM)
    document = json.loads(json.dumps(answer.as_json()))
    assert document["schema"] == "trueup/1"
    assert document["machines"][0]["registers"][0]["register"] == "tool 5 radius"
    lines = answer.lines()
    assert lines[0] == "cell Cell 3"
    assert "    reads 0.01 mm smaller -> lower tool 5 radius by 0.005 mm" in lines
    assert all("\n" not in line for line in lines)


REGISTERS = tuple(tool_register(number, "radius") for number in range(1, 5))
RATIOS = st.sampled_from([0, 0, 1, -1, 2, -2, 0.5])
TABLES = st.lists(st.lists(RATIOS, min_size=4, max_size=4), min_size=1, max_size=6)


def features_of(table: list[list[float]]) -> list[Feature]:
    (template,) = cell(plan=HEAD + BORE, limits="").plans["4101"].features.values()

    def moves(row: list[float]) -> dict[Register, Fraction]:
        return {register: Fraction(ratio) for register, ratio in zip(REGISTERS, row, strict=True) if ratio}

    from dataclasses import replace

    return [replace(template, moves=moves(row)) for row in table]


@given(TABLES)
def test_rank_and_what_cannot_be_told_apart_agree_with_linear_algebra(table: list[list[float]]) -> None:
    """Numpy's rank is the judge: every set named is dependent, and leaving one of it out makes the rest independent."""
    features = features_of(table)
    matrix = np.array(sensitivity_matrix(features, REGISTERS), dtype=float)
    assert rank(features, REGISTERS) == np.linalg.matrix_rank(matrix)
    sets = indistinct(features, REGISTERS)
    assert len(sets) == len(REGISTERS) - rank(features, REGISTERS)
    for some in sets:
        columns = matrix[:, [REGISTERS.index(register) for register in some]]
        assert np.linalg.matrix_rank(columns) == len(some) - 1
        for leave_out in range(len(some)):
            assert np.linalg.matrix_rank(np.delete(columns, leave_out, axis=1)) == len(some) - 1


@pytest.mark.parametrize("machine", ["M1", "M9"])
def test_every_machine_of_the_cell_is_reported(machine: str) -> None:
    """A second machine is not forgotten."""
    second = CELL[CELL.index("[machine.M1]") : CELL.index("[artefact")].replace("M1", machine)
    text = CELL if machine == "M1" else CELL + second
    names = [only.machine for only in report(cell(cell=text)).machines]
    assert names == sorted({"M1", machine})


def test_a_known_uncertainty_is_shown_with_its_guard_band() -> None:
    """With a ring and a stated repeatability the shop sees where readings prove nothing, before the first part."""
    (machine,) = checked(BORE, machine='repeatability = "0.0008 mm"\n').machines
    (bore,) = machine.features
    assert bore.judged == (
        "its readings have a standard uncertainty of 0.001 mm: nearer than 0.0016 mm to a limit they prove nothing"
    )


def test_a_tolerance_no_reading_can_prove_is_said_before_the_first_part() -> None:
    """A probe that scatters by 8 um cannot show that a 25 H7 bore is good."""
    words = "its tolerance is 2.6 standard uncertainties wide; below 3.9 no reading can prove a part good"
    assert f"feature 4101/12: {words}" in warnings(BORE, machine='repeatability = "0.008 mm"\n')
