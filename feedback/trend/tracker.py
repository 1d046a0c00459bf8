"""Follows one coupling group through its parts: what is known after each, using nothing that came later.

The same rows give the same outlooks however they are handed over: all at once, one by one, or across a restart. So
everything that changes an estimate (a fit, a part taken carefully, going back) depends on the group's own rows alone.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from itertools import chain
from typing import Any, Final

import numpy as np

from feedback.errors import StoreError
from feedback.trend.change import Change, explained
from feedback.trend.fit import fitted
from feedback.trend.follow import Piece, Position, Sheet, entered, follow, model_of, set_up
from feedback.trend.joint import Looks, looks_at, no_looks, signatures_of, signs, told
from feedback.trend.memory import (
    Memory,
    new_memory,
    position_from_json,
    position_to_json,
    sheet_of,
    with_gaps,
)
from feedback.trend.outlooks import Outlooks, Prediction
from feedback.trend.pages import Page
from feedback.trend.priors import Parameters, Priors, prior_parameters, priors_for
from feedback.trend.shape import GroupShape, Row, States, shape_of
from feedback.trend.statespace import Array, Flags
from feedback.trend.suspicion import WILD_SD, Judgement, Suspect, judged, lasting

__all__ = [
    "GroupShape",
    "Outlooks",
    "Parameters",
    "Prediction",
    "Priors",
    "Row",
    "Tracker",
    "fit_is_due",
    "priors_for",
    "shape_of",
]

WINDOW: Final = 150  # parts a fit looks back on: two or three tool lives; older wear tells nothing about today's
FIRST_FITS: Final = frozenset({3, 4, 5, 6, 8, 10, 13, 17, 22, 30, 40, 60, 90, 130, 200})
LATER_FITS: Final = 1000  # parts between fits once they have settled: noise and walks are the process's, not the tool's
FORGETTING: Final = 250  # parts after which those that no fit looks back on are forgotten; LATER_FITS is a multiple
YOUNG: Final = 2  # parts after which a register's level is known well enough to call a reading wild by itself
FORGOTTEN_AFTER: Final = 50  # parts after which a suspect reading nobody repeated is history
KNOWN: Final = 3  # parts before readings together are held against what is expected
RESTLESS_PARTS: Final = 6  # a second sudden change so soon: what it leaves behind is believed by later parts only
RESTLESS: Final = 0.25  # share of readings wild at first sight above which it is scatter, not chips
RESTLESS_LEAST: Final = 3  # such readings before that is said
LONGEST_RUN: Final = 1024
MOST_PASSED: Final = 100  # parts without a reading that are counted between two with one: beyond, all is vague anyway


def fit_is_due(parts: int) -> bool:
    """A fit follows the group's part number `parts` (from 1): often at first, then at a steady pace."""
    return parts in FIRST_FITS or (parts > max(FIRST_FITS) and (parts - max(FIRST_FITS)) % LATER_FITS == 0)


def _parts_to_next_housekeeping(parts: int) -> int:
    """A fit, or forgetting the oldest parts: neither may fall into the middle of a run."""
    if parts < max(FIRST_FITS):
        return min(due for due in FIRST_FITS if due > parts) - parts
    return FORGETTING - (parts - max(FIRST_FITS)) % FORGETTING


class Tracker:
    """The memory of one coupling group.

    `snapshot` is what `snapshot()` gave earlier; going on from it equals never having stopped. With `fixed` parameters
    nothing is fitted. Raises StoreError for a snapshot of a group of another shape.
    """

    def __init__(
        self,
        shape: GroupShape,
        priors: Priors,
        snapshot: Mapping[str, Any] | None = None,
        fixed: Parameters | None = None,
    ) -> None:
        self.shape = shape
        self._states = States(shape)
        self._priors = priors
        self._fixed = fixed
        self._parameters = fixed or prior_parameters(priors, shape.register_kinds, self._states.features, shape.setters)
        self._complaint: str | None = None
        self._position = set_up(self._states, priors)
        self._memory = new_memory(self._states, self._position)
        self._parts = np.zeros(self._states.registers, dtype=np.int64)
        self._jump_age = np.full(self._states.registers, -1, dtype=np.int64)
        self._jump_um = np.full(self._states.registers, np.nan)
        self._apart_age = np.full(self._states.registers, -1, dtype=np.int64)
        self._suspects: dict[int, Suspect] = {}
        self._signatures = signatures_of(self._states)
        self._looks = no_looks(self._states)  # at the newest parts, had every reading of theirs been believed
        self._believing: Position | None = None  # where the group would then stand; None: where it does
        self._stride = 16  # how far to run before looking for wild readings; changes speed only
        if snapshot is not None:
            self._restore(snapshot)
        self._model = model_of(self._states, self._parameters)

    @property
    def parameters(self) -> Parameters:
        """The parameters in force for the next part."""
        return self._parameters

    def take(self, rows: Sequence[Row]) -> Outlooks:
        """Count `rows` in and say what is known after each of them."""
        if any(row.passed for row in rows):
            full = list(chain.from_iterable(self._with_passed(row) for row in rows))
            ends = np.cumsum([1 + min(row.passed, MOST_PASSED) for row in rows]) - 1
            return self._take(full).at(ends)
        return self._take(rows)

    def _with_passed(self, row: Row) -> Iterator[Row]:
        """The parts that passed unread, and the row itself."""
        registers, unread = self._states.registers, (float("nan"),) * self._states.features
        for _ in range(min(row.passed, MOST_PASSED)):
            yield Row(row.part, unread, (0.0,) * registers, (False,) * registers)
        yield row

    def _take(self, rows: Sequence[Row]) -> Outlooks:
        sheet = sheet_of(self._states, tuple(rows))
        page = Page(self._states, len(sheet))
        at = 0
        while at < len(sheet):
            at = self._advance(sheet, page, at)
        return page.outlooks()

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on later, as JSON-able values with exact floats."""
        return {
            "registers": self._states.registers,
            "features": self._states.features,
            "states": self._states.count,
            "parameters": asdict(self._parameters),
            "complaint": self._complaint,
            "position": position_to_json(self._position),
            "memory": self._memory.to_json(),
            "parts": self._parts.tolist(),
            "jump_age": self._jump_age.tolist(),
            "jump_um": [None if np.isnan(size) else size for size in self._jump_um.tolist()],
            "apart_age": self._apart_age.tolist(),
            "looks": self._looks.to_json(),
            "believing": None if self._believing is None else position_to_json(self._believing),
            "suspects": [[feature, asdict(suspect)] for feature, suspect in self._suspects.items()],
        }

    def _restore(self, kept: Mapping[str, Any]) -> None:
        states = self._states
        found = (kept["registers"], kept["features"], kept["states"])
        wanted = (states.registers, states.features, states.count)
        if found != wanted:
            raise StoreError(
                f"kept state of a trend: found {found[0]} registers, {found[1]} features, {found[2]} states; wanted "
                f"{wanted[0]}, {wanted[1]}, {wanted[2]}; the plans have changed: take the group's parts anew"
            )
        parameters = kept["parameters"]
        self._parameters = Parameters(
            noise_um=tuple(parameters["noise_um"]),
            walk_um=tuple(parameters["walk_um"]),
            slope_walk_um=parameters["slope_walk_um"],
        )
        self._complaint = kept["complaint"]
        self._position = position_from_json(kept["position"])
        self._memory = Memory.from_json(states, kept["memory"])
        self._parts = np.array(kept["parts"], dtype=np.int64)
        self._jump_age = np.array(kept["jump_age"], dtype=np.int64)
        self._jump_um = np.array([np.nan if size is None else size for size in kept["jump_um"]])
        self._apart_age = np.array(kept["apart_age"], dtype=np.int64)
        self._looks = Looks.from_json(states, kept["looks"])
        self._believing = None if kept["believing"] is None else position_from_json(kept["believing"])
        self._suspects = {feature: Suspect(**suspect) for feature, suspect in kept["suspects"]}

    # One stretch of rows at a time: quietly as far as nothing happens, carefully where something does.

    def _advance(self, sheet: Sheet, page: Page, at: int) -> int:
        self._meet_new_tools(sheet.fresh[at])
        end = self._quiet_until(sheet, at)
        taken = self._take_quietly(sheet[at:end], page, at) if end > at else 0
        if not taken:
            self._take_carefully(sheet[at : at + 1], page, at)
            taken = 1
        if fit_is_due(self._memory.end) or _parts_to_next_housekeeping(self._memory.end) == FORGETTING:
            self._keep_house(page, at + taken - 1)
        return at + taken

    def _meet_new_tools(self, fresh: Flags) -> None:
        if not fresh.any():
            return
        self._parts[fresh], self._jump_age[fresh], self._jump_um[fresh], self._apart_age[fresh] = 0, -1, np.nan, -1
        self._looks = no_looks(self._states)
        for feature in list(self._suspects):
            if self._states.moves[feature, fresh].any():
                del self._suspects[feature]
        self._believing = None

    def _quiet_until(self, sheet: Sheet, at: int) -> int:
        """End of the rows from `at` on with no new tool but at the first, no fit but at the last, no careful part."""
        end = min(len(sheet), at + self._stride, at + _parts_to_next_housekeeping(self._memory.end))
        touched = self._touched(sheet.readings[at:end])
        careful: Flags = np.any(touched[:, self._parts < YOUNG], axis=1)
        if self._suspects:
            careful[:] = True
        stops = careful | np.concatenate([[False], sheet.fresh[at + 1 : end].any(axis=1)])
        return at + (int(np.argmax(stops)) if stops.any() else end - at)

    def _touched(self, readings: Array) -> Flags:
        """n x R: the part has a reading of the register."""
        touched: Flags = (~np.isnan(readings)).astype(np.int64) @ self._states.told.astype(np.int64) > 0
        return touched

    def _take_quietly(self, sheet: Sheet, page: Page, at: int) -> int:
        """Take rows up to the first that tells of something; how many were taken."""
        (piece,) = follow(self._states, self._priors, self._model, self._position, sheet)
        with np.errstate(invalid="ignore"):
            wild = np.abs(piece.run.innovation) > WILD_SD * np.sqrt(piece.run.innovation_var)
        looks = self._looks.then(looks_at(self._model, piece.run))
        stops = wild.any(axis=1) | told(self._model, self._signatures, looks)[len(self._looks) :]
        taken = int(np.argmax(stops)) if stops.any() else len(sheet)
        self._stride = min(2 * self._stride, LONGEST_RUN) if taken == len(sheet) else 16
        if taken:
            self._looks = looks[: len(self._looks) + taken].newest
            nothing = np.zeros((taken, self._states.features), dtype=np.bool_)
            self._accept(sheet[:taken], piece, nothing, page, at)
        return taken

    def _take_carefully(self, sheet: Sheet, page: Page, at: int) -> None:
        """Take one row, reading by reading."""
        self._forget_old_suspects()
        judgement = self._judge(sheet)
        was_clear = not self._suspects
        believing, looks = self._believe(sheet)
        confirmed = self._confirmed(judgement, looks)
        left_out = judgement.wild.copy()
        left_out[list(confirmed)] = False
        self._renew_suspects(judgement, left_out, sheet.parts[0])
        if confirmed:
            self._go_back(sheet, judgement, left_out, confirmed, page, at)
            return
        (piece,) = follow(self._states, self._priors, self._model, self._position, with_gaps(sheet, left_out[None]))
        self._accept(sheet, piece, left_out[None], page, at)
        if was_clear or self._suspects:
            self._believing, self._looks = believing if self._suspects else None, looks.newest
        else:
            self._believing, self._looks = None, looks_at(self._model, piece.run)

    def _forget_old_suspects(self) -> None:
        now = self._memory.end
        young = {f: s for f, s in self._suspects.items() if now - s.row < FORGOTTEN_AFTER}
        if self._suspects and not young:
            self._believing, self._looks = None, no_looks(self._states)
        self._suspects = young

    def _believe(self, sheet: Sheet) -> tuple[Position, Looks]:
        """Where the group would stand after this row, and what the newest rows show, were every reading believed."""
        start = self._believing or self._position
        (piece,) = follow(self._states, self._priors, self._model, start, sheet)
        return piece.position(1), self._looks.then(looks_at(self._model, piece.run))

    def _confirmed(self, judgement: Judgement, looks: Looks) -> dict[int, Suspect]:
        """What this part shows again, feature by feature or in all readings together."""
        known = bool((self._parts[self._states.moving(~np.isnan(judgement.off))] >= KNOWN).all())
        together = lasting(self._signatures, signs(self._model, self._signatures, looks), looks) if known else None
        again = {} if together is None else together.suspects(self._memory)
        return again | {
            feature: suspect
            for feature, suspect in self._suspects.items()
            if judgement.wild[feature] and judgement.confirms(feature, suspect)
        }

    def _judge(self, sheet: Sheet) -> Judgement:
        before = entered(self._states, self._priors, self._position, sheet.moved[0], sheet.fresh[0], sheet.shock[0])
        expected = self._model.design @ before.belief.mean + self._states.sensitivity @ before.known
        cov = self._model.design @ before.belief.cov @ self._model.design.T + np.diag(self._model.noise_var)
        touched = self._touched(sheet.readings)[0]
        young = bool((touched & (self._parts < YOUNG)).any())
        return judged(sheet.readings[0] - expected, cov, self._suspects, None if young else self._signatures)

    def _renew_suspects(self, judgement: Judgement, left_out: Flags, part: str) -> None:
        """Readings that came as expected clear their suspects; those left out are the new ones."""
        read = ~np.isnan(judgement.off)
        self._suspects = {f: s for f, s in self._suspects.items() if not read[f]}
        for feature in np.flatnonzero(left_out):
            off, sd = float(judgement.off[feature]), float(judgement.sd[feature])
            self._suspects[int(feature)] = Suspect(self._memory.end, part, off, sd)

    def _accept(self, sheet: Sheet, piece: Piece, left_out: Flags, page: Page, at: int) -> None:
        """Rows of `piece` become known; it may run further than they do."""
        taken = len(sheet)
        self._memory.append(sheet, left_out, left_out)
        self._position = piece.position(taken)
        touched = self._touched(np.where(left_out, np.nan, sheet.readings))
        counted = np.cumsum(touched, axis=0)
        page.parts[at : at + taken] = self._parts + counted
        page.jump_age[at : at + taken] = np.where(self._jump_age < 0, -1, self._jump_age + counted)
        page.apart_age[at : at + taken] = np.where(self._apart_age < 0, -1, self._apart_age + counted)
        self._parts, self._jump_age = page.parts[at + taken - 1].copy(), page.jump_age[at + taken - 1].copy()
        self._apart_age = page.apart_age[at + taken - 1].copy()
        page.jump_um[at : at + taken] = self._jump_um
        page.wild[at : at + taken] = left_out
        self._write(page, at, taken, piece)

    def _write(self, page: Page, at: int, taken: int, piece: Piece) -> None:
        rows = slice(at, at + taken)
        page.mean[rows] = piece.levels_restored()[:taken]
        page.cov[rows] = piece.run.cov[:taken]
        page.walk_var[rows], page.noise_var[rows] = self._model.walk_var, self._model.noise_var
        moving = self._words_of_suspects()
        page.moving[rows] = [moving] * taken
        page.fit_failed[rows] = [self._complaint] * taken
        if self._suspects:
            page.unsettled[rows] = self._states.moving(list(self._suspects))

    def _words_of_suspects(self) -> str | None:
        if not self._suspects:
            return None
        shape = self.shape
        readings = " and ".join(
            f"{shape.feature_name(feature)} read {shape.size(feature, abs(suspect.off))}"
            for feature, suspect in sorted(self._suspects.items())
        )
        return f"{readings} away from what was expected; one such part is not believed yet"

    # Going back to where a sudden change began.

    def _go_back(
        self,
        sheet: Sheet,
        judgement: Judgement,
        left_out: Flags,
        confirmed: Mapping[int, Suspect],
        page: Page,
        at: int,
    ) -> None:
        """The same readings are far off on a second part: believe both, and let what moved them have moved."""
        expected = self._expected_levels(sheet)
        self._memory.append(sheet, left_out[None], judgement.wild[None])
        for feature, suspect in confirmed.items():
            self._memory.left_out[suspect.row - self._memory.first, feature] = False
        change = explained(self._states, self._priors, self._model, self._memory, judgement, confirmed)
        change.enter(self._memory)
        piece = self._refilter()
        self._believing, self._looks = None, no_looks(self._states)
        self._count_parts_again(change, confirmed)
        levels = piece.levels_restored()[-1, : self._states.registers]
        self._jump_um[change.registers] = (levels - expected)[change.registers]
        self._write_last(page, at, piece)
        page.wild[at] = left_out
        page.parts[at], page.jump_age[at], page.jump_um[at] = self._parts, self._jump_age, self._jump_um
        page.apart_age[at] = self._apart_age
        page.jumped[at] = change.registers
        page.unsettled[at] = change.registers | self._states.moving(list(confirmed))
        page.moving[at] = change.words(self.shape, confirmed, self._jump_um, self._memory.end - 1)

    def _write_last(self, page: Page, at: int, piece: Piece) -> None:
        """The outlook of the newest part, after all remembered parts were taken again."""
        page.mean[at], page.cov[at] = piece.levels_restored()[-1], piece.run.cov[-1]
        page.walk_var[at], page.noise_var[at] = self._model.walk_var, self._model.noise_var
        page.fit_failed[at] = self._complaint

    def _expected_levels(self, sheet: Sheet) -> Array:
        before = entered(self._states, self._priors, self._position, sheet.moved[0], sheet.fresh[0], sheet.shock[0])
        return before.belief.mean[: self._states.registers] + before.known

    def _refilter(self) -> Piece:
        """Take all remembered parts again; the last piece."""
        sheet = self._memory.believed()
        piece = None
        for piece in follow(self._states, self._priors, self._model, self._memory.start, sheet):
            self._position = piece.position(len(piece.known))
        assert piece is not None  # nothing is filtered again before a part was taken
        return piece

    def _count_parts_again(self, change: Change, confirmed: Mapping[int, Suspect]) -> None:
        since = self._touched(self._memory.believed().readings)[change.row - self._memory.first :]
        counted = since.sum(axis=0)
        again = change.registers & (self._jump_age >= 0) & (self._jump_age < RESTLESS_PARTS)
        self._parts = np.where(change.restarts, np.where(again, 0, counted), self._parts + since[-1])
        self._jump_age = np.where(self._jump_age < 0, -1, self._jump_age + since[-1])
        self._jump_age = np.where(change.registers, counted - 1, self._jump_age)
        apart = self._states.told[list(confirmed)].any(axis=0) & change.is_apart
        self._apart_age = np.where(self._apart_age < 0, -1, self._apart_age + since[-1])
        self._apart_age = np.where(apart, counted - 1, self._apart_age)

    # Fits.

    def _keep_house(self, page: Page, at: int) -> None:
        """Fit anew where parameters are free, take the remembered parts with them, forget the oldest parts."""
        if self._fixed is None and fit_is_due(self._memory.end):
            self._fit()
            piece = self._refilter()
            self._write_last(page, at, piece)
            self._look_again(piece)
        surplus = len(self._memory) - WINDOW
        if surplus > 0:
            self._memory.forget_before(surplus, self._position_before(surplus))

    def _look_again(self, piece: Piece) -> None:
        """The newest looks under new parameters, suspects believed."""
        self._believing = None
        if self._suspects:
            piece = self._follow_with_suspects()
            self._believing = piece.position(len(piece.known))
        self._looks = looks_at(self._model, piece.run).newest

    def _follow_with_suspects(self) -> Piece:
        """Take all remembered parts again, suspects believed; the last piece."""
        left_out = self._memory.left_out.copy()
        for feature, suspect in self._suspects.items():
            if suspect.row >= self._memory.first:
                left_out[suspect.row - self._memory.first, feature] = False
        sheet = with_gaps(self._memory.sheet, left_out)
        *_, piece = follow(self._states, self._priors, self._model, self._memory.start, sheet)
        return piece

    def _fit(self) -> None:
        memory = self._memory
        at_set_up = memory.first == 0 and len(memory) <= WINDOW
        fit = fitted(self._states, self._priors, self._sheet_to_fit(), self._parameters, at_set_up=at_set_up)
        self._complaint = fit.complaint
        if fit.parameters is not None:
            self._parameters = fit.parameters
            self._model = model_of(self._states, self._parameters)

    def _sheet_to_fit(self) -> Sheet:
        """The newest remembered parts; of a feature that scatters more than believed, all readings count."""
        memory = self._memory
        window = slice(max(0, len(memory) - WINDOW), len(memory))
        strange, sheet = memory.strange[window], memory.sheet[window]
        read = (~np.isnan(sheet.readings)).sum(axis=0)
        restless = (strange.sum(axis=0) >= RESTLESS_LEAST) & (strange.sum(axis=0) > RESTLESS * read)
        shaken = self._states.moving(restless)
        shock = np.where(self._states.belonging_to(shaken)[None], 0.0, sheet.shock)
        calm = with_gaps(sheet, memory.left_out[window] & ~restless[None])
        return Sheet(calm.parts, calm.readings, calm.moved, calm.fresh, shock)

    def _position_before(self, row: int) -> Position:
        position = self._memory.start
        for piece in follow(self._states, self._priors, self._model, position, self._memory.believed()[:row]):
            position = piece.position(len(piece.known))
        return position
