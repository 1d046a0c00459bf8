"""Does a change of a register do what was promised? Pure.

From the moment a change is seen, the readings are held against what was expected before it: the trend's belief as it
was then, carried on by the trend's own walks and noise, with the gain of the change as one more unknown. Filtering the
readings since (Kalman 1960) is the weighted least squares estimate of that gain under the trend's full predictive
covariance. Gain 1 is the promise, 0 no effect, -1 the wrong way; 2 and 0.5 are a radius taken for a diameter or back.

What the trend has left out with the last part before the change may be a chip, or something that had moved already and
that the next part shows again. So the readings are held against the belief from before that part: what it began to
show is not put down to the change.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedback.configuration.facts import Group
from feedback.follow import UM_PER_MM, Change, Moment, Progress
from feedback.registers import Register
from feedback.registers import register as register_called
from rules.limits import Limits

if TYPE_CHECKING:
    from feedback.trend.outlooks import Outlooks
    from feedback.trend.shape import States

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Status = Literal["confirmed", "unconfirmed", "wrong-way"]

LEAST_PARTS = 2  # never on one part, whatever `settle` allows
CONTRADICTING_PARTS = 3  # parts before a change is said not to do what was promised
MOST_PARTS = 8  # by then wear has blurred what was expected; what is not clear will not become clear
MOST_ROWS = 40  # parts of the group, where few of them have a reading of the register
UNKNOWN_GAIN_SD = 100.0
NEW_TOOL_SD_UM = 100.0  # of another register's error after its new tool
# An edge does not keep its rate: it loses most while it breaks in, over some ten parts, and again at its end. What is
# expected without looking bends by a tenth of the rate with every part, and while the edge is young, the rate itself is
# known to half: what the edge has lost so far tells little of what it loses now (common practice; ISO 3685).
RATE_BENDS = 0.12
YOUNG_PARTS, YOUNG_RATE = 25, 0.5
SD_95 = 1.960  # two-sided, normal
SD_CONTRADICTING = 3.137  # 99 % for all looks together: 99.83 % for each of the six after parts 3 to 8 (Bonferroni)
CLEAR_SD = 0.4  # of the gain: above it, the change was too small against the scatter to accuse anybody
# What a gain is nearest to, on the scale of ratios.
NEAR_HALF, NEAR_ONE, NEAR_TWO = (0.35, 0.71), (0.71, 1.41), (1.41, 2.83)


@dataclass(frozen=True, slots=True)
class Gain:
    """Share of the promised effect that was seen, with its standard deviation."""

    value: float
    sd: float

    def interval(self, deviations: float = SD_95) -> tuple[float, float]:
        return self.value - deviations * self.sd, self.value + deviations * self.sd

    def may_be(self, value: float, deviations: float = SD_95) -> bool:
        low, high = self.interval(deviations)
        return low <= value <= high

    @property
    def looks_as_promised(self) -> bool:
        """Surely something, and 1 as far as chance and the model's own small faults let it be told."""
        return (self.may_be(1) or self.is_near(NEAR_ONE)) and not self.may_be(0)

    def is_near(self, range_: tuple[float, float]) -> bool:
        return range_[0] < self.value <= range_[1]


@dataclass(frozen=True, slots=True)
class Belief:
    """What the trend knew after one part: K states, and the walks and noise then in force."""

    mean: Array
    cov: Array
    walk_var: Array
    noise_var: Array

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name).tolist() for name in ("mean", "cov", "walk_var", "noise_var")}

    @staticmethod
    def from_json(kept: Mapping[str, Any]) -> "Belief":
        return Belief(**{name: np.array(values, dtype=np.float64) for name, values in kept.items()})


class Row(NamedTuple):
    """One part since the change; JSON-able."""

    readings: list[float | None]  # F, from the centre of the tolerance
    wild: list[bool]  # F, left out by the trend
    jumped: bool  # the trend believes its wild readings from here on: they were the same on a second part
    moved_um: list[float]  # R, known changes of other registers
    fresh: list[bool]  # R, new tools at other registers
    passed: int = 0  # parts cut before it, since the row before, that gave no reading


@dataclass(slots=True, kw_only=True)
class Watch:
    """One change under watch."""

    register: Register
    change_um: float
    new: Decimal
    source: str
    part: str  # the first part that can show the change
    before: Belief  # frozen: what was known when the change was not there yet
    earlier: Sequence[Row] = ()  # parts since that belief that were cut without the change
    rows: list[Row] = field(default_factory=list)

    def to_json(self) -> dict[str, Any]:
        return {
            "register": str(self.register),
            "change_um": self.change_um,
            "new": str(self.new),
            "source": self.source,
            "part": self.part,
            "before": self.before.to_json(),
            "earlier": [list(row) for row in self.earlier],
            "rows": [list(row) for row in self.rows],
        }

    @staticmethod
    def from_json(kept: Mapping[str, Any]) -> "Watch":
        exact = {
            "register": register_called(kept["register"]),
            "new": Decimal(kept["new"]),
            "before": Belief.from_json(kept["before"]),
            "earlier": [Row(*row) for row in kept.get("earlier", ())],
            "rows": [Row(*row) for row in kept["rows"]],
        }
        return Watch(**{**kept, **exact})


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What came of one change. `contradicts`: it did something else than promised, and no chance explains it."""

    register: Register
    new: Decimal
    source: str
    status: Status
    contradicts: bool
    gain: Gain | None
    parts: int
    why: str

    def measured(self) -> dict[str, Any]:
        """The estimate as it is kept in the history."""
        if self.gain is None:
            return {"gain": None, "gain_low": None, "gain_high": None, "parts": self.parts, "source": self.source}
        low, high = self.gain.interval()
        return {
            "gain": round(self.gain.value, 3),
            "gain_low": round(low, 3),
            "gain_high": round(high, 3),
            "parts": self.parts,
            "source": self.source,
        }


@dataclass(frozen=True, slots=True)
class Step:
    """After one part: what was found out with it, and which registers' changes have not shown themselves yet."""

    findings: tuple[Finding, ...] = ()
    unproven: Mapping[str, str] = field(default_factory=dict)  # register -> words


NOTHING = Step()


def measured_gain(states: "States", watch: Watch) -> tuple[Gain, int]:
    """The gain of a watched change over the parts since, and how many of them have a reading of its register.

    Readings left out by the trend count once a second part has shown the same.
    """
    own = states.shape.register_names.index(str(watch.register))
    transition, design, walk_var = _with_gain(states, watch, own)
    mean, cov = np.append(watch.before.mean, 0.0), np.zeros_like(transition)
    cov[:-1, :-1], cov[-1, -1] = watch.before.cov, UNKNOWN_GAIN_SD**2
    without = np.column_stack([states.design, np.zeros(states.features)])
    rows, parts = [*watch.earlier, *watch.rows], 0
    for k, (row, believed) in enumerate(zip(rows, _believed(rows), strict=True)):
        has_change = k >= len(watch.earlier)
        for _ in range(1 + row.passed):
            mean, cov = transition @ mean, transition @ cov @ transition.T + walk_var
        mean[: states.registers] += row.moved_um
        renewed = np.flatnonzero(row.fresh)
        cov[renewed, renewed] += NEW_TOOL_SD_UM**2
        for feature in believed:
            seen = (design if has_change else without)[feature]
            mean, cov = _update(mean, cov, seen, row.readings[feature], watch.before.noise_var[feature])
        parts += has_change and any(states.moves[feature, own] for feature in believed)
    return Gain(float(mean[-1]), float(np.sqrt(max(cov[-1, -1], 0.0)))), parts


def _with_gain(states: "States", watch: Watch, own: int) -> tuple[Array, Array, Array]:
    """Transition, design and walk of the trend's states with the gain as the last."""
    transition = np.eye(states.count + 1)
    transition[:-1, :-1] = states.transition
    design = np.column_stack([states.design, states.sensitivity[:, own] * watch.change_um])
    return transition, design, np.diag(np.append(watch.before.walk_var, 0.0))


def _believed(rows: Sequence[Row]) -> list[list[int]]:
    """Of every row the features whose readings count."""
    found = []
    for at, row in enumerate(rows):
        repeated = any(later.jumped for later in rows[at + 1 :])
        read = [reading is not None and (repeated or not wild) for reading, wild in zip(row[0], row.wild, strict=True)]
        found.append([feature for feature, counts in enumerate(read) if counts])
    return found


def _update(mean: Array, cov: Array, seen: Array, reading: float | None, noise_var: float) -> tuple[Array, Array]:
    assert reading is not None
    shared = cov @ seen
    weight = shared / (seen @ shared + noise_var)
    return mean + weight * (reading - seen @ mean), cov - np.outer(weight, shared)


def status_of(gain: Gain, parts: int, least: int, *, is_last: bool) -> tuple[Status, bool] | None:
    """The verdict and whether it contradicts the promise; None while the next part may still tell."""
    if parts < least and not is_last:
        return None
    if parts >= CONTRADICTING_PARTS and gain.interval(SD_CONTRADICTING)[1] < 0 and gain.sd < CLEAR_SD:
        return "wrong-way", True
    if gain.looks_as_promised and (is_last or not (gain.may_be(0.5) or gain.may_be(2))):
        return "confirmed", False
    is_other = not gain.may_be(1, SD_CONTRADICTING) and not gain.is_near(NEAR_ONE)
    if parts >= CONTRADICTING_PARTS and is_other and gain.sd < CLEAR_SD:
        return "unconfirmed", True
    return ("unconfirmed", False) if is_last else None


class _Known(NamedTuple):
    """What was known after a part: a belief (None before the first part), and parts since that it does not hold."""

    belief: Belief | None
    since: Sequence[Row] = ()


@dataclass(frozen=True, slots=True)
class _Parts:
    """Parts that came together, and the changes that were seen behind the one before them."""

    registers: Sequence[Register]
    centres: Sequence[tuple[str, float]]
    moments: Sequence[Moment]
    outlooks: "Outlooks"
    later: Sequence[Change]

    def changes(self, k: int) -> list[Change]:
        return [*(self.later if k == 0 else ()), *self.moments[k].changes]

    def fresh(self, k: int) -> list[bool]:
        return [self.moments[k].tracks[register].parts_since_new_tool == 1 for register in self.registers]

    def moved_um(self, k: int) -> list[float]:
        """R: what is known to have moved; a change at a new tool is part of setting it up."""
        moved_um = dict.fromkeys(self.registers, 0.0)
        for change in self.changes(k):
            moved_um[change.register] += float(change.new - change.old) * UM_PER_MM
        return [0.0 if new else moved_um[register] for register, new in zip(self.registers, self.fresh(k), strict=True)]

    def row(self, k: int) -> Row:
        moment, deviations = self.moments[k], self.moments[k].seen.deviations
        return Row(
            readings=[deviations[key] - centre_um if key in deviations else None for key, centre_um in self.centres],
            wild=self.outlooks.wild[k].tolist(),
            jumped=bool(self.outlooks.jumped[k].any()),
            moved_um=self.moved_um(k),
            fresh=self.fresh(k),
            passed=moment.passed,
        )

    def known(self, k: int, before: _Known) -> _Known:
        """What was known after part k; `before` after the part before all of these, for which k is -1."""
        if k < 0:
            return before
        belief = before.belief if k == 0 else _belief(self.outlooks, k - 1)
        if belief is not None and self.outlooks.wild[k].any():
            return _Known(belief, [self.row(k)])
        return _Known(_belief(self.outlooks, k))


class Effects:
    """The changes under watch in one group. `snapshot()`, handed to the constructor, carries them over a restart."""

    def __init__(
        self,
        group: Group,
        limits: Sequence[Limits],
        stored_as: str,
        snapshot: Mapping[str, Any] | None = None,
    ) -> None:
        self._registers = group.registers
        self._centres = [(one.key, float(one.lower + one.upper) * UM_PER_MM / 2) for one in group.features]
        self._least = {
            register: max(LEAST_PARTS, one.settle) for register, one in zip(group.registers, limits, strict=True)
        }
        self._stored_as = stored_as
        kept = snapshot or {"watches": [], "before": None, "later": []}
        self._watches = {watch.register: watch for watch in map(Watch.from_json, kept["watches"])}
        belief = None if kept["before"] is None else Belief.from_json(kept["before"])
        self._known = _Known(belief, [Row(*row) for row in kept.get("since", ())])
        self._later = [_change_from_json(change) for change in kept["later"]]
        self.latest: dict[Register, Finding] = {}  # of changes that nothing has taken the place of since
        self.unproven: Mapping[str, str] = {}

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values."""
        return {
            "watches": [watch.to_json() for watch in self._watches.values()],
            "before": None if self._known.belief is None else self._known.belief.to_json(),
            "since": [list(row) for row in self._known.since],
            "later": [_change_to_json(change) for change in self._later],
        }

    def follow(self, progress: Progress) -> Sequence[Step]:
        """One step for every part, or none at all where no change was made and none is under watch."""
        moments, outlooks = progress.moments, progress.outlooks
        steps: list[Step] = []
        if outlooks is not None:
            parts = _Parts(self._registers, self._centres, moments, outlooks, self._later)
            if self._watches or self._later or any(moment.changes for moment in moments):
                steps = [self._step(k, parts) for k in range(len(moments))]
            self._known, self._later = parts.known(len(moments) - 1, self._known), []
        self._later += progress.later_changes
        return steps

    def _step(self, k: int, parts: _Parts) -> Step:
        changed = {change.register: change for change in parts.changes(k)}
        if not changed and not self._watches:
            return NOTHING
        row = parts.row(k)
        findings = self._cut_short(changed, row.fresh)
        self._begin(changed, row.moved_um, parts.moments[k].seen.part, parts.known(k - 1, self._known))
        findings += self._look(row, parts.outlooks.states)
        return Step(tuple(findings), self.unproven)

    def _cut_short(self, changed: Mapping[Register, Change], fresh: Sequence[bool]) -> list[Finding]:
        """End the watches that a new tool or the next change of the same register has overtaken."""
        findings = []
        for register, is_new in zip(self._registers, fresh, strict=True):
            if is_new or register in changed:
                self.latest.pop(register, None)
                watch = self._watches.pop(register, None)
                if watch is not None:
                    event = "a new tool came" if is_new else "the register was changed again"
                    findings.append(_finding(watch, "unconfirmed", f"{event} before the effect could be told"))
        return findings

    def _begin(self, changed: Mapping[Register, Change], moved_um: Sequence[float], part: str, known: _Known) -> None:
        """Watch what has moved from now on; before the first part there is nothing to hold it against."""
        if known.belief is None:
            return
        for register, um in zip(self._registers, moved_um, strict=True):
            if um != 0.0:
                change = changed[register]
                self._watches[register] = Watch(
                    register=register,
                    change_um=um,
                    new=change.new,
                    source=change.source,
                    part=part,
                    before=known.belief,
                    earlier=known.since,
                )

    def _look(self, row: Row, states: "States") -> list[Finding]:
        """Hold the newest part against every change under watch."""
        findings, self.unproven = [], {}
        for at, register in enumerate(self._registers):
            watch = self._watches.get(register)
            if watch is None:
                continue
            others_um = [0.0 if other == at else um for other, um in enumerate(row.moved_um)]
            watch.rows.append(row._replace(moved_um=others_um))
            gain, parts = measured_gain(states, watch)
            is_last = parts >= MOST_PARTS or len(watch.rows) >= MOST_ROWS
            verdict = status_of(gain, parts, self._least[register], is_last=is_last)
            if verdict is not None:
                del self._watches[register]
                status, contradicts = verdict
                why = words(register, gain, parts, verdict, self._stored_as)
                findings.append(_finding(watch, status, why, contradicts=contradicts, gain=gain, parts=parts))
            elif parts < self._least[register] or not gain.looks_as_promised:
                self.unproven = {**self.unproven, str(register): _waiting(watch, gain, parts)}
        self.latest |= {finding.register: finding for finding in findings}
        return findings


def words(register: Register, gain: Gain, parts: int, verdict: tuple[Status, bool], stored_as: str) -> str:
    """What was found, for people; `stored_as` is what the machine is said to store: "radius" or "diameter"."""
    seen = f"{_share(gain)} of the promised effect was seen over {parts} parts"
    status, contradicts = verdict
    if status == "confirmed":
        return f"the readings followed: {seen}"
    if not contradicts:
        return f"too small to tell from the scatter: {seen}"
    if status == "wrong-way":
        return f"the readings moved the wrong way: {seen}; a sign is wrong: check the plan's kind, faces and side"
    if gain.value <= NEAR_HALF[0]:
        return f"the readings did not follow: {seen}; was it entered at the tool that cuts, in the right register?"
    return f"the readings followed by another amount: {seen}; {_mistaken(register, gain, stored_as)}"


def _share(gain: Gain) -> str:
    low, high = gain.interval()
    return f"{gain.value:z.2f} (95 % interval {low:z.2f} to {high:z.2f})"


def _mistaken(register: Register, gain: Gain, stored_as: str) -> str:
    """A radius taken for a diameter halves the effect, a diameter taken for a radius doubles it."""
    if register.axis == "radius":
        if gain.is_near(NEAR_HALF) and stored_as == "radius":
            return "this register seems to store diameters: check tool_radius in cell.toml"
        if gain.is_near(NEAR_TWO) and stored_as == "diameter":
            return "this register seems to store radii: check tool_radius in cell.toml"
    return "check the plan's tool, and unit and tool_radius in cell.toml"


def _waiting(watch: Watch, gain: Gain, parts: int) -> str:
    seen = f", so far {_share(gain)} of the promised effect" if parts >= LEAST_PARTS else ""
    return f"the change to {watch.new} has not shown its effect yet ({parts} parts{seen})"


def _finding(
    watch: Watch, status: Status, why: str, *, contradicts: bool = False, gain: Gain | None = None, parts: int = 0
) -> Finding:
    return Finding(
        register=watch.register,
        new=watch.new,
        source=watch.source,
        status=status,
        contradicts=contradicts,
        gain=gain,
        parts=parts,
        why=why,
    )


def _belief(outlooks: "Outlooks", k: int) -> Belief:
    """What was known after part `k`, ready to be carried on over many parts."""
    mean, cov, walk_var = outlooks.mean[k], outlooks.cov[k].copy(), outlooks.walk_var[k].copy()
    for register, slope in enumerate(outlooks.states.slope):
        if slope is None:
            continue
        if outlooks.parts[k, register] <= YOUNG_PARTS:
            cov[slope, slope] += (YOUNG_RATE * mean[slope]) ** 2
        walk_var[slope] += RATE_BENDS**2 * (mean[slope] ** 2 + cov[slope, slope])
    return Belief(mean, cov, walk_var, outlooks.noise_var[k])


def _change_to_json(change: Change) -> dict[str, Any]:
    return {
        "register": str(change.register),
        "old": str(change.old),
        "new": str(change.new),
        "source": change.source,
        "at_new_tool": change.at_new_tool,
    }


def _change_from_json(kept: Mapping[str, Any]) -> Change:
    exact = {"register": register_called(kept["register"]), "old": Decimal(kept["old"]), "new": Decimal(kept["new"])}
    return Change(**{**kept, **exact})
