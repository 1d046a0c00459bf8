"""The simulated machine itself: its physics against the trade's rules of thumb and against the product's signs."""

from decimal import Decimal
from pathlib import Path

import pytest

from feedback.configuration.loading import load
from tests.stories.parts import COVER_PLATE, HINGE_BRACKET, PUMP_BODY, cell_texts
from tests.stories.shop import Cut, PartPlan, SimulatedMachine

ALL_KINDS = PartPlan(
    part="9000",
    title="One of each kind",
    material="steel",
    cuts=(
        *PUMP_BODY.cuts,
        *(cut for cut in HINGE_BRACKET.cuts if cut.kind in ("web", "depth", "drilled")),
        Cut(id="61", name="slot", kind="pocket", nominal="10", tolerance=("0", "+0.040"), tool=5),
        Cut(
            id="62", name="wall, air on the far side", kind="wall", axis="X", faces="+", nominal="80",
            tolerance=("-0.020", "+0.020"), tool=5,
        ),
        Cut(
            id="63", name="wall, air on the near side", kind="wall", axis="X", faces="-", nominal="-80",
            tolerance=("-0.020", "+0.020"), tool=5,
        ),
    ),
)  # fmt: skip


def place(machine: SimulatedMachine, feature: str) -> float:
    return machine.true_um(next(cut for cut in machine.plan.cuts if cut.id == feature))


@pytest.mark.parametrize(
    ("feature", "change_um"), [("12", -2.0), ("14", 2.0), ("2", 2.0), ("61", -2.0), ("62", 1.0), ("63", -1.0)]
)
def test_worn_radius(feature: str, change_um: float) -> None:
    """A cutter that has lost radius leaves metal on every wall: bores shrink and bosses grow (common practice)."""
    machine = SimulatedMachine("M1", ALL_KINDS, seed="-")
    before = place(machine, feature)
    for tool in machine.tools:
        machine.wear(tool, radius_um=1.0)
    assert place(machine, feature) - before == pytest.approx(change_um)


@pytest.mark.parametrize(("feature", "change_um"), [("21", 1.0), ("3", -1.0)])
def test_worn_length(feature: str, change_um: float) -> None:
    """A cutter that has lost length leaves the floor high and the pocket shallow (common practice)."""
    machine = SimulatedMachine("M1", ALL_KINDS, seed="-")
    before = place(machine, feature)
    for tool in machine.tools:
        machine.wear(tool, length_um=1.0)
    assert place(machine, feature) - before == pytest.approx(change_um)


@pytest.mark.parametrize("plan", [ALL_KINDS, COVER_PLATE], ids=["mm, radius", "inch, diameter"])
def test_signs_agree_with_the_plan(plan: PartPlan, tmp_path: Path) -> None:
    """Entering one step into any register moves every feature as the plan's sensitivity says, and no other feature."""
    is_inch = plan is COVER_PLATE
    machine = SimulatedMachine(
        "M1", plan, seed="-", unit="inch" if is_inch else "mm", tool_radius="diameter" if is_inch else "radius"
    )
    for name, text in cell_texts([machine]).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    features = load(tmp_path).plans[plan.part].features

    for register, held in list(machine.registers.items()):
        before = {cut.id: place(machine, cut.id) for cut in plan.cuts}
        machine.registers[register] = held + Decimal("0.001")
        halved = 2 if is_inch and register.endswith("radius") else 1
        step_um = (25.4 if is_inch else 1.0) / halved
        moved = {id: (place(machine, id) - um) / step_um for id, um in before.items()}
        machine.registers[register] = held

        promised = {
            id: float(next((s for r, s in feature.moves.items() if str(r) == register), 0))
            for id, feature in features.items()
        }
        assert moved == pytest.approx(promised, abs=1e-6), register


def test_entry_waits_for_the_parts_under_way() -> None:
    """With a lag of two, a value keyed in now is first cut, and printed, with the third part."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="-", lag=2)
    machine.enter("tool 5 radius", Decimal("-0.004"))
    texts = [machine.cut() for _ in range(3)]
    assert ["OFFSET TOOL 5 RADIUS -0.004" in text for text in texts] == [False, False, True]


def test_page_refuses_what_it_cannot_hold() -> None:
    """A tool page in steps of 0.001 mm does not take 0.0005 mm."""
    machine = SimulatedMachine("M1", PUMP_BODY, seed="-")
    with pytest.raises(ValueError, match=r"steps of 0\.001"):
        machine.enter("tool 5 radius", Decimal("0.0005"))


def test_same_seed_same_text() -> None:
    """Two machines of the same seed print the same log, and a missed probe does not shift the scatter of the rest."""
    one, other = (SimulatedMachine("M1", PUMP_BODY, seed="same") for _ in range(2))
    other.miss("12")
    assert one.cut().splitlines()[6:] == other.cut().splitlines()[6:]
    assert one.cut() == other.cut()
