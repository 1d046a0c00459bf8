"""What a chart of checks says to the person who looks at it."""

from typing import Any

import pytest

from feedback.configuration.facts import Machine
from feedback.fitness.chart import chart
from feedback.fitness.charting import CHART_SHOWN, chart_of, chart_words
from feedback.ledger.probes import CheckRow
from tests.configuration.cells import cell
from tests.fitness.test_calibration import RING
from tests.fitness.test_chart import noise

MACHINE: Machine = cell().machines["M1"]


def row(k: int, error_um: float) -> CheckRow:
    """Check number `k`, an hour after the one before."""
    content: dict[str, Any] = {
        "time": f"check {k}",
        "actual": f"{40.0006 + error_um / 1000:.4f}",
        "error": f"{error_um / 1000:.7f}",
    }
    return CheckRow(k, 1, "artefact", "RING1", (k * 3_600_000_000, k), "passed", False, content)


def words(errors_um: list[float], limit_um: float = 3.0) -> str:
    return chart_words(chart(errors_um, 0.03), limit_um, [f"check {k}" for k in range(len(errors_um))])


def test_a_drift_says_how_fast_and_how_long_it_will_take() -> None:
    """The engineer can plan the calibration instead of being stopped by a failing check."""
    drifting = [value + 0.1 * max(0, k - 15) for k, value in enumerate(noise(36, "plan", sd=0.2))]
    said = words(drifting)
    assert said.startswith("drifts by +0.")
    rate, left = float(said.split()[2]), int(said.split("about ")[1].split()[0])
    assert rate == pytest.approx(0.1, abs=0.03)
    assert left == pytest.approx((3.0 - 2.0) / 0.1, abs=6)
    assert said.endswith("calibrate before")


@pytest.mark.parametrize("slope", [0.1, -0.1])
def test_a_drift_that_has_reached_the_limit_says_so(slope: float) -> None:
    """Either way."""
    assert "the limit of 1 um is reached" in words([slope * max(0, k - 12) for k in range(40)], limit_um=1.0)


def test_after_a_check_beyond_the_limit_nobody_is_told_to_wait() -> None:
    """The mean of the newest checks still lies inside; the last one has failed: the limit is reached."""
    drifting = [*(value + 0.1 * max(0, k - 15) for k, value in enumerate(noise(36, "plan", sd=0.2))), 3.1]
    said = words(drifting)
    assert said.startswith("drifts")
    assert "will be reached" not in said
    assert said.endswith("the limit of 3 um is reached; calibrate now")


def test_times_are_said_as_on_the_wall() -> None:
    """No seconds and no offset from UTC in words for people."""
    stepped = [*noise(30, "knock"), *(value + 3 for value in noise(6, "knocked"))]
    said = chart_words(chart(stepped, 0.03), 9.0, ["2025-03-03T14:45:40+00:00"] * len(stepped))
    assert "with the check of 2025-03-03 14:45: look" in said


@pytest.mark.parametrize(
    ("errors_um", "start"),
    [
        ([0.1] * 4, "4 checks so far; 10 make a chart"),
        ([0.1], "1 check so far; 10 make a chart"),
        (noise(40, "calm"), "steady: "),
        ([*noise(30, "knock"), *(value + 3 for value in noise(6, "knocked"))], "stepped by +"),
        ([*noise(30, "chip"), 4.0], "the last check lies +"),
    ],
)
def test_every_kind_of_chart_has_its_words(errors_um: list[float], start: str) -> None:
    """What is seen, and what to do about it."""
    assert words(errors_um).startswith(start)


def test_a_long_chart_shows_its_newest_checks_with_the_limits_of_all() -> None:
    """Ten thousand checks do not fit on a page; the centre still comes from the first ones."""
    errors = [*(value + 0.5 for value in noise(20, "first")), *(value + 0.5 for value in noise(300, "later"))]
    found = chart_of([row(k, error) for k, error in enumerate(errors)], None, RING, MACHINE)
    shown = {key: len(found[key]) for key in ("times", "error_um", "ewma_um", "ewma_lower_um", "ewma_upper_um")}
    assert set(shown.values()) == {CHART_SHOWN}
    assert found["times"][-1] == "check 319"
    assert found["centre_um"] == pytest.approx(sum(errors[:10]) / 10, abs=0.001)
    assert (found["error_limit_um"], found["artefact"]) == (3.0, "RING1")
