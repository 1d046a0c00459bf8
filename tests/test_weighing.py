"""What moved a machine's readings, weighed over all its groups: the arithmetic, and what is named."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from feedback.common import Verdict
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import Follower, Happening, PartSeen, RegisterSeen, ToolSeen
from feedback.hypotheses import SHAPES, STEPS, Hypothesis, Readings, families, scores
from feedback.registers import register
from feedback.simulate.faults import FAULT_AT, single_fault
from feedback.simulate.happenings import NewEdge
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.writer import cell_texts
from feedback.stretch import BINS, IN_BIN, Residues, carried
from feedback.weighing import Weighing

Array = NDArray[np.float64]


def log_density(y: Array, cov: Array) -> float:
    """Of a normal distribution about 0."""
    _, log_det = np.linalg.slogdet(2 * np.pi * cov)
    return float(-0.5 * (log_det + y @ np.linalg.solve(cov, y)))


def residues(rng: np.random.Generator, features: int, parts: int = 1) -> Residues:
    root = rng.normal(size=(parts, features * BINS, features * BINS))
    cov = (root @ root.transpose(0, 2, 1) + np.eye(features * BINS)).reshape(parts, features, BINS, features, BINS)
    ages = np.repeat((IN_BIN / IN_BIN.sum(axis=1, keepdims=True))[None], parts, axis=0)
    return Residues(rng.normal(size=(parts, features, BINS)), cov, ages, ((),) * parts)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_hypothesis_gains_what_its_density_says(count: int) -> None:
    """The gain is the log-density of the readings with the amplitude's prior in their covariance, less that without."""
    rng = np.random.default_rng(count)
    one, other = residues(rng, 2), residues(rng, 3)
    columns, usual_um = rng.normal(size=(5, count)), (3.0, 0.5, 2.0)[:count]
    hypothesis = Hypothesis("probe", "machine", columns, usual_um, STEPS, -1.5)

    found = scores(Readings([one, other], [slice(0, 2), slice(2, 5)], 5), families([hypothesis]), 0)

    for shape in (0, 4, 19):
        by_bin = one.ages[0] @ SHAPES[shape]
        y = np.concatenate([part.off.ravel() for part in (one, other)])
        nothing = np.zeros((y.size, y.size))
        at = 0
        for part in (one, other):
            size = part.off.size
            nothing[at : at + size, at : at + size] = part.cov.reshape(size, size)
            at += size
        spread = np.vstack([np.kron(columns[f], by_bin[:, None]) for f in range(5)])
        prior = np.diag(np.square(usual_um))
        gained = log_density(y, nothing + spread @ prior @ spread.T) - log_density(y, nothing)
        assert found.alone.odds[0, shape] == pytest.approx(gained - 1.5)
        sizes_um = np.linalg.solve(
            np.linalg.inv(prior) + spread.T @ np.linalg.solve(nothing, spread), spread.T @ np.linalg.solve(nothing, y)
        )
        assert found.sizes_um(0, hypothesis, shape, None)[1] == pytest.approx(sizes_um.tolist())


@pytest.mark.parametrize("count", [1, 2])
def test_a_pair_gains_what_both_explain_together(count: int) -> None:
    """Two hypotheses tried together gain as one with the columns of both, each under its own shape."""
    rng = np.random.default_rng(3)
    one = residues(rng, 3)
    one = one._replace(off=one.off + 40.0 * np.outer([1.0, 0.5, 0.0], one.ages[0] @ SHAPES[2]))
    turned = np.array([[1.0, 0.0], [0.5, 0.3], [0.0, 1.0]])[:, :count]
    first = Hypothesis("new-edge", "tool 5", turned, (10.0, 7.0)[:count], STEPS, 0.0)
    second = Hypothesis("conflict", "tool 6", np.array([[0.0], [0.0], [1.0]]), (4.0,), STEPS, 0.0)

    found = scores(Readings([one], [slice(0, 3)], 3), families([first, second]), 1)

    (known,) = found.known
    assert known.hypothesis is first
    (member,) = [place for place in found.places if found.hypothesis(0, place) is second]
    y, cov = one.off.ravel(), one.cov.reshape(3 * BINS, 3 * BINS)
    own = np.kron(turned, (one.ages[0] @ SHAPES[known.shape])[:, None])
    beside = np.kron(second.columns, (one.ages[0] @ SHAPES[7])[:, None])
    spread, prior = np.hstack([own, beside]), np.diag([*[100.0, 49.0][:count], 16.0])
    joint = cov + spread @ prior @ spread.T
    gained = log_density(y, joint) - log_density(y, cov)
    assert found.beside.odds[0, member.span][7] == pytest.approx(gained)
    sizes_um = prior @ spread.T @ np.linalg.solve(joint, y)
    of_known, of_second = found.sizes_um(0, second, 7, known)
    assert [*of_known, *of_second] == pytest.approx(sizes_um.tolist())


def test_parts_weighed_together_are_weighed_as_alone() -> None:
    """How many parts are asked about at once changes no score by a single bit."""
    rng = np.random.default_rng(5)
    together = residues(rng, 4, parts=7)
    together = together._replace(off=together.off + 30.0 * rng.normal(size=(7, 4, 1)))
    columns = [rng.normal(size=(4, 1 + k % 3)) for k in range(9)]
    asked = families(
        Hypothesis("conflict", f"feature {k}", own, (5.0, 2.0, 9.0)[: own.shape[1]], STEPS, 0.0)
        for k, own in enumerate(columns)
    )
    found = scores(Readings([together], [slice(0, 4)], 4), asked, 2)
    assert len(found.known) == 14
    for part in range(7):
        only = slice(part, part + 1)
        single = Residues(together.off[only].copy(), together.cov[only].copy(), together.ages[only].copy(), ((),))
        alone = scores(Readings([single], [slice(0, 4)], 4), asked, 2)
        assert np.array_equal(alone.alone.odds[0], found.alone.odds[part])
        rows = [row for row, one in enumerate(found.known) if one.part == part]
        assert np.array_equal(alone.beside.odds, found.beside.odds[rows])


def test_a_frozen_belief_is_carried_part_by_part() -> None:
    """The covariance of two later parts is what taking every part in turn gives."""
    rng = np.random.default_rng(4)
    step = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    root, design = rng.normal(size=(3, 3)), rng.normal(size=(2, 3))
    walk = np.array([0.3, 0.02, 0.0])
    covs = [root @ root.T]
    for _ in range(9):
        covs.append((np.eye(3) + step) @ covs[-1] @ (np.eye(3) + step).T + np.diag(walk))
    found = carried(covs[0][None], walk[None], step, design, np.array([[1.0, 4.0, 9.0]]))[0]
    for at, j in enumerate((1, 4, 9)):
        np.testing.assert_allclose(found[:, at, :, at], design @ covs[j] @ design.T)
    np.testing.assert_allclose(found[:, 1, :, 2], design @ covs[4] @ (np.eye(3) + 5 * step).T @ design.T)
    np.testing.assert_allclose(found[:, 2, :, 1], found[:, 1, :, 2].T)


CONFIGURATION = from_texts(Path("cell"), cell_texts(single_fault("none")))


def verdicts(
    fault: str, size: float, parts: int, seed: int = 1, pieces: int = 1, *, is_expected: bool = False
) -> list[Verdict]:
    """What is told after each part from the fault on, the parts taken in so many pieces and maybe announced."""
    machine, told = SimulatedMachine(single_fault(fault, size).setup(), seed), CONFIGURATION.machines["M1"]
    held = machine.registers
    truths = machine.cut_parts(FAULT_AT + parts)
    found = groups(CONFIGURATION, "M1")
    followers = {group.key: Follower(group, told) for group in found}
    weighing = Weighing(found, 20.0)
    said = []
    ends = np.linspace(0, len(truths), pieces + 1).astype(int)
    for first, end in pairwise(ends.tolist()):
        taken = []
        for group in found:
            happenings: list[Happening] = []
            if first == 0:
                happenings += [
                    RegisterSeen(register=one, value=held[str(one)], at_us=0, source="") for one in group.registers
                ]
            for part in truths[first:end]:
                happenings += [
                    ToolSeen(tool=one.tool, at_us=part.index, source="")
                    for one in part.happened
                    if isinstance(one, NewEdge) and one.is_recorded
                ]
                by_key = dict(zip(machine.setup.keys, part.read_um.tolist(), strict=True))
                deviations = {f.key: by_key[f.key] for f in group.features}
                happenings.append(
                    PartSeen(part_id=part.index, part=str(part.index), at_us=part.index, deviations=deviations)
                )
            taken.append((group, followers[group.key].advance(happenings)))
        weighing.take(taken)
        if is_expected:
            weighing.expect(taken[0][1].moments)
        said += [weighing.told(moment) or {} for moment in taken[0][1].moments]
    return said[FAULT_AT:]


def causes(verdict: Verdict) -> dict[str, str]:
    return {str(one): told.cause for one, told in verdict.items()}


@pytest.mark.parametrize(
    ("fault", "size", "registers", "cause"),
    [
        ("new-edge-unrecorded", 5.0, {"tool 5 radius"}, "new-edge"),
        ("part-moved-two-axes", 5.0, {"work 54 X", "work 54 Y"}, "part-moved"),
        ("part-moved-rotation", 5.0, {"work 54 X", "work 54 Y"}, "part-moved"),
        ("probe-step", 5.0, {"tool 5 radius", "tool 6 radius", "work 54 X", "work 54 Y"}, "probe"),
        ("conflict", 5.0, {"tool 5 radius"}, "conflict"),
        ("tool-broken", 100.0, {"tool 5 radius"}, "tool-broken"),
        ("outlier", 8.0, {"tool 5 radius"}, "outlier"),
    ],
)
def test_a_sudden_change_is_named_within_three_parts(fault: str, size: float, registers: set[str], cause: str) -> None:
    """Five times the scatter of one reading is enough, and what is not sure on the first part is called unknown."""
    said = [causes(verdict) for verdict in verdicts(fault, size, 3)]
    assert dict.fromkeys(registers, cause) in said
    assert {found for verdict in said for found in verdict.values()} <= {cause, "unknown"}


def test_warmth_moves_the_zero_and_no_tool() -> None:
    """A drift along Z and less along Y that all tools share is the machine's, from the parts on at which it shows."""
    said = [causes(verdict) for verdict in verdicts("warm-up", 8.0, 20)]
    named = [verdict for verdict in said if verdict and set(verdict.values()) == {"warm-up"}]
    assert len(named) > 8
    assert all("work 54 Z" in verdict for verdict in named)
    assert not any(name.endswith("radius") for verdict in named for name in verdict)


def test_a_probe_that_drifts_is_told_from_wear() -> None:
    """All sizes alike, bores one way and bosses the other, and every datum face by half of it: that is the probe."""
    last = verdicts("probe-drift", 6.0, 23)[-1]
    assert causes(last)["tool 5 radius"] == "probe"
    assert last[register("tool 5 radius")].needs_a_person
    assert "check it on a certified artefact" in last[register("tool 5 radius")].words


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_good_parts_and_steady_wear_name_no_event(seed: int) -> None:
    """Nothing but scatter names nothing, and nothing but wear names wear at most."""
    assert not any(verdicts("none", 0.0, 20, seed))
    assert {cause for said in verdicts("wear", 4.0, 20, seed) for cause in causes(said).values()} <= {"wear", "outlier"}


def test_a_new_tool_on_record_explains_its_own_sizes() -> None:
    """What a recorded edge differs by is no news to the weighing, from its first part on."""
    assert not any(verdicts("new-edge-recorded", 8.0, 10))


def test_what_is_told_does_not_depend_on_how_parts_arrive() -> None:
    """A backlog taken at once tells the same of every part as the same parts one by one."""
    at_once = verdicts("probe-step", 5.0, 8)
    assert any(at_once)
    assert verdicts("probe-step", 5.0, 8, pieces=FAULT_AT + 8) == at_once


@pytest.mark.parametrize("pieces", [1, 5])
def test_what_is_told_does_not_depend_on_what_is_weighed_with_it(pieces: int) -> None:
    """Parts of a backlog that are weighed together tell what each of them tells when it is asked for alone."""
    alone = verdicts("part-moved-two-axes", 6.0, 14, seed=2)
    assert any(alone)
    assert verdicts("part-moved-two-axes", 6.0, 14, seed=2, pieces=pieces, is_expected=True) == alone
