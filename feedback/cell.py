"""One machining cell, opened: the Python face of trueup, and what every command calls.

    cell = feedback.open_cell("cells/3")
    answer = cell.process()

`now` may be given everywhere a time matters (tests, streams); otherwise it is the present.
"""

import gc
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, Self

import filelock

from feedback import answers, status
from feedback.configuration.facts import Machine
from feedback.configuration.groups import groups
from feedback.configuration.loading import LIMITS, from_texts, load
from feedback.errors import StoreError, UsageError
from feedback.fitness.examiner import Examiner
from feedback.fitness.survey import fitness_of
from feedback.intake import Intake, NewText
from feedback.ledger import queries, recent, review
from feedback.ledger.store import Store
from feedback.picture import Mark, Panel, plot, svg
from feedback.processing import MachineProcess
from feedback.registers import Register, register
from feedback.snippets.folder import SnippetFolder
from feedback.taking import Taker, known_streams
from feedback.trendview import trend_view

if TYPE_CHECKING:
    import pandas

    from feedback.ledger.sql import Sql

READER_LOCK = "reader.lock"

Progress = Callable[[int, int], None]  # bytes taken, bytes in all


def open_cell(folder: str | Path) -> "Cell":
    """The cell in `folder`.

    ConfigurationError with every fault of its files; StoreError when its store cannot be used.
    """
    return Cell(Path(folder))


class Cell:
    """An open cell folder. Use it in a `with`, or close it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.configuration = load(folder)
        self.store = Store.open(folder, self.configuration.store)
        self._reading: _Reading | None = None

    # -- log text in ---------------------------------------------------------------------------------------------

    def process(self, now: datetime | None = None, progress: Progress | None = None) -> dict[str, Any]:
        """Take all new log text once; the answer document comes out."""
        self.take_new_text(now=now, progress=progress)
        return self.document()

    def take_new_text(
        self,
        *,
        hints: Collection[Path] | None = None,
        now: datetime | None = None,
        progress: Progress | None = None,
    ) -> bool:
        """Take new log text (of the files in `hints` alone, when given); True when there was any."""
        reading = self._start_reading(now)
        return reading.look(hints, now, progress)

    def start_reading(self) -> None:
        """Claim the right to read this cell's logs; StoreError when another trueup has it."""
        self._start_reading(None)

    def feed(self, machine: str, text: str, now: datetime | None = None) -> dict[str, Any]:
        """Take log text that comes without a file; the answer document comes out. The text may end in mid-line."""
        if machine not in self.configuration.machines:
            known = _listed(self.configuration.machines)
            raise UsageError(f"there is no machine {machine!r} in cell.toml; wanted one of {known}")
        self._start_reading(now).feed(machine, text.encode(), now)
        return self.document()

    def refresh(self) -> bool:
        """Read the configuration again when a file of it has changed; True when it has.

        ConfigurationError when the new one is faulty; the present one then stays in force.
        """
        changed = load(self.folder)
        if changed.digest == self.configuration.digest:
            return False
        self.configuration = changed
        if self._reading is not None:
            self._reading.stop()
            self._reading = None
        return True

    def troubles(self) -> list[str]:
        """What keeps log text from being read, in words."""
        return [] if self._reading is None else self._reading.troubles()

    def away(self) -> list[str]:
        """Machines whose log folders could not be read at the last look: what is known of them grows old."""
        return [] if self._reading is None else self._reading.away()

    # -- answers out ---------------------------------------------------------------------------------------------

    def document(self) -> dict[str, Any]:
        """The answer document of design schema trueup/1."""
        with self.store.reading() as sql:
            units = status.units_of(self.configuration)
            answer = status.compose(self.folder, self.configuration.name, units, sql.rows)
        if troubles := self.troubles():
            answer["troubles"] = troubles
        return answer

    def proposal(self, id: str) -> queries.Proposal:
        """One proposal, whatever became of it. UsageError when there is none of that id."""
        with self.store.reading() as sql:
            found = queries.proposal(sql, id)
            if found is None:
                live = ", ".join(other.id for other in queries.proposals(sql)) or "none"
                raise UsageError(f"there is no proposal {id!r}; open or accepted now: {live}")
        return found

    def shown(self, id: str) -> dict[str, Any]:
        """One proposal with every rule's verdict and the limits in force, as the answer document writes it."""
        found = self.proposal(id)
        sealed = (found.id, found.status, found.digest, found.content)
        entry = answers.proposal_entry(*sealed, found.by, found.note, found.doubted)
        path = self.snippet_path(id)
        entry["snippet"] = None if path is None else path.relative_to(self.folder).as_posix()
        with self.store.reading() as sql:
            effect = queries.effect(sql, id)
        return {**entry, "effect": effect, "reasons": found.content["reasons"], "limits": found.content["limits"]}

    def snippet(self, id: str) -> str:
        """The text of a proposal's snippet, made anew from the history. SnippetError when no dialect can say it."""
        text, _ = SnippetFolder(self.configuration).text(self.proposal(id))
        return text

    def snippet_path(self, id: str) -> Path | None:
        """Where a live proposal's snippet lies."""
        path = status.snippet_of(self.folder, self.proposal(id).machine, id)
        return None if path is None else self.folder / path

    def picture(self, id: str) -> str:
        """The trend behind a proposal as an SVG document."""
        found = self.proposal(id)
        page = found.content["page"]
        change = f"{page['now']} to {page['new']} {answers.page_unit(page)}"
        return svg(f"{found.machine} {found.register}: {change} ({found.id})", *self._view(found))

    def plot(self, id: str) -> list[str]:
        """The same in plain characters, a block of lines for each feature."""
        panels, _ = self._view(self.proposal(id))
        return [line for panel in panels for line in (panel.title, *plot(panel), "")]

    def trend(self, machine: str, register_name: str, parts: int) -> tuple[list[Panel], list[Mark]]:
        """The newest `parts` parts of every feature of one register, and the register's changes among them.

        UsageError when no plan looks at the register.
        """
        _, found = self._register(f"{machine} {register_name}")
        with self.store.reading() as sql:
            return trend_view(self.configuration, sql, machine, found, parts=parts)

    def _view(self, found: queries.Proposal) -> tuple[list[Panel], list[Mark]]:
        with self.store.reading() as sql:
            return trend_view(self.configuration, sql, found.machine, register(found.register), found.content)

    def measurements(self, machine: str | None = None) -> "pandas.DataFrame":
        """Every measurement: time (UTC), part, plan, feature, exact actual, deviation in um, doubts, file and line."""
        with self.store.reading() as sql:
            return queries.measurements(sql, machine)

    def history(self, machine: str | None = None) -> "pandas.DataFrame":
        """Every event of the history: number, time (UTC), kind, machine, payload, hash."""
        with self.store.reading() as sql:
            return queries.history(sql, machine)

    def replay(
        self,
        limits: str | Path | None = None,
        since: str | datetime | None = None,
        until: str | datetime | None = None,
        machine: str | None = None,
        *,
        recorded: bool = True,
        workers: int = 1,
    ) -> "pandas.DataFrame":
        """What `limits` (a limits.toml; None: those in force) would have made of the cell's past: one row a register.

        `attrs` hold the corrections and, unless `recorded` is False, the recorded answers that would be others.
        """
        from feedback.replay import frames, replaying
        from feedback.replay.span import span

        found = replaying.replay(
            self,
            limits=None if limits is None else Path(limits),
            span=span(since, until, self.configuration.time_zone),
            machines=None if machine is None else [machine],
            recorded=recorded,
            workers=workers,
        )
        return frames.replay_frame(found)

    def tune(
        self,
        register: str | None = None,
        since: str | datetime | None = None,
        until: str | datetime | None = None,
        machine: str | None = None,
        *,
        goal: Literal["tighter", "fewer"] = "tighter",
        workers: int = 1,
        dask: str | None = None,
    ) -> "pandas.DataFrame":
        """Limits searched on the cell's past: a row for every setting, on the span chosen on and on the later one.

        `attrs["words"]` say what came of it, `attrs["limits"]` is the limits.toml proposed. Nothing is written.
        """
        from feedback.replay import deciding, frames, tuner
        from feedback.replay.span import span

        found = tuner.tune(
            self,
            register=register,
            span=span(since, until, self.configuration.time_zone),
            machines=None if machine is None else [machine],
            goal=goal,
            power=deciding.Power(workers=workers, dask=dask),
        )
        return frames.tune_frame(found, tuner.proposed_limits(self, found))

    # -- people --------------------------------------------------------------------------------------------------

    def accept(
        self, id: str, *, by: str, note: str = "", digest: str | None = None, now: datetime | None = None
    ) -> dict[str, Any]:
        """Person `by` accepts a proposal; nothing reaches a machine by this.

        `digest`: of the proposal the person saw; refused when it is another one.
        """
        with self._answering(id, now) as tx:
            review.accept(tx, self.configuration.people, id, by, note, digest)
        return self.document()

    def reject(
        self, id: str, *, by: str, why: str, digest: str | None = None, now: datetime | None = None
    ) -> dict[str, Any]:
        """Person `by` rejects a proposal and says why."""
        with self._answering(id, now) as tx:
            review.reject(tx, self.configuration.people, id, by, why, digest)
        SnippetFolder(self.configuration).tidy(self.store)
        return self.document()

    def release(self, register: str, *, by: str, why: str, now: datetime | None = None) -> str:
        """Person `by` releases a register ("M1 tool 5 radius"): from its lock, else for one growing correction."""
        machine, found = self._register(register)
        with self.store.writing(now or datetime.now(UTC)) as tx:
            self._check_register(machine, found, queries.holds(tx.sql, machine))
            return review.release(tx, self.configuration.people, machine, str(found), by, why)

    def release_probe(
        self, machine: str, probe: int = 1, *, by: str, why: str, now: datetime | None = None
    ) -> dict[str, Any]:
        """Person `by` answers for what was measured while a probe failed: its readings are believed again.

        What failed until now counts no more; proposals resume with the next part.
        """
        facts = self.machine(machine)
        with self.store.writing(now or datetime.now(UTC)) as tx:
            review.lift_doubts(tx, self.configuration.people, machine, probe, by, why)
            for group in groups(self.configuration, machine):
                tx.forget_snapshot(machine, group.key)  # the trend's memory leaves the readings out that now count
            Examiner(self.configuration, facts, tx.sql).keep_states(tx)
        SnippetFolder(self.configuration).tidy(self.store)
        return self.probe(machine)

    def probe(self, machine: str | None = None) -> dict[str, Any]:
        """Whether each machine's probes are fit to measure: state, checks, chart, calibration, doubts in force."""
        machines = self.configuration.machines if machine is None else {machine: self.machine(machine)}
        with self.store.reading() as sql:
            found = [fitness_of(self.configuration, facts, sql) for facts in machines.values()]
        return {"schema": answers.SCHEMA, "cell": self.configuration.name, "machines": found}

    def capability(self, machine: str | None = None, parts: int | None = None) -> dict[str, Any]:
        """Capability of every feature over the newest parts, on stable stretches only, with confidence intervals."""
        from feedback.capability import PARTS, capability_of

        machines = self.configuration.machines if machine is None else {machine: self.machine(machine)}
        with self.store.reading() as sql:
            found = [capability_of(self.configuration, facts, sql, parts or PARTS) for facts in machines.values()]
        return {"schema": answers.SCHEMA, "cell": self.configuration.name, "machines": found}

    def study(self, machine: str | None = None) -> dict[str, Any]:
        """How well each machine's probe repeats and what it can judge, from the touches and checks in its log."""
        from feedback.ledger import studies
        from feedback.studying import study

        machines = self.configuration.machines if machine is None else {machine: self.machine(machine)}
        with self.store.reading() as sql:
            found = [
                study(
                    self.configuration,
                    facts,
                    studies.touches(sql, name),
                    studies.checks(sql, name),
                    studies.probed_again(sql, name),
                )
                for name, facts in machines.items()
            ]
        return {"schema": answers.SCHEMA, "cell": self.configuration.name, "machines": found}

    def machine(self, name: str) -> Machine:
        """The facts of one machine; UsageError naming those there are."""
        if name not in self.configuration.machines:
            known = _listed(self.configuration.machines)
            raise UsageError(f"there is no machine {name!r} in cell.toml; wanted one of {known}")
        return self.configuration.machines[name]

    def adopt_limits(
        self, text: str, *, by: str, why: str, seen: str | None = None, now: datetime | None = None
    ) -> None:
        """Person `by` puts `text` in place as limits.toml, in force with the next part. ConfigurationError for faults.

        `seen`: digest of the configuration the person saw; refused when it is another one by now.
        """
        known = self.configuration
        changed = from_texts(known.folder, {**known.texts, LIMITS: text})
        if changed.digest == known.digest:
            raise UsageError("these are the limits in force already; nothing was changed")
        if (seen is not None and seen != known.digest) or load(self.folder).digest != known.digest:
            raise UsageError("the configuration has changed since it was shown; nothing was changed; look at it again")
        path = self.folder / LIMITS
        new = path.with_suffix(".toml.new")
        with self.store.writing(now or datetime.now(UTC)) as tx:
            review.adopt_limits(tx, known.people, by, why, before=known.digest, after=changed.digest, text=text)
            new.write_text(text, encoding="utf-8")
            new.replace(path)
        self.refresh()

    @contextmanager
    def _answering(self, id: str, now: datetime | None) -> Iterator[Any]:
        """A transaction in which a proposal that has run out by the clock can no longer be answered."""
        at = now or datetime.now(UTC)
        expires_at = self.proposal(id).content["expires_at"]
        if expires_at is not None and at >= datetime.fromisoformat(expires_at):
            raise UsageError(f"proposal {id}: it expired at {expires_at}; nothing was changed; wait for the next part")
        with self.store.writing(at) as tx:
            yield tx

    def _register(self, name: str) -> tuple[str, Register]:
        machines = self.configuration.machines
        first, _, rest = name.strip().partition(" ")
        machine, register_name = (first, rest) if first in machines else (next(iter(machines)), name)
        if first not in machines and len(machines) > 1:
            raise UsageError(
                f"found {name!r}; wanted the machine first, one of {_listed(machines)}: '{machine} {name}'"
            )
        try:
            return machine, register(register_name)
        except ValueError as fault:
            raise UsageError(str(fault)) from None

    def _check_register(self, machine: str, found: Register, holds: Mapping[str, queries.Hold]) -> None:
        """UsageError for a register that no plan looks at, unless it was locked while one still did."""
        known = {str(register) for group in groups(self.configuration, machine) for register in group.registers}
        if str(found) not in known | holds.keys():
            wanted = ", ".join(sorted(known)) or "none"
            raise UsageError(f"no plan of {machine} looks at {found}; wanted one of: {wanted}; nothing was changed")

    # -- opening and closing -------------------------------------------------------------------------------------

    def _start_reading(self, now: datetime | None) -> "_Reading":
        if self._reading is None:
            self._reading = _Reading(self, now)
        return self._reading

    def close(self) -> None:
        """Let go of the store and of the right to read this cell's logs."""
        if self._reading is not None:
            self._reading.stop()
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _Reading:
    """The one reader of a cell's logs, from the first text taken until the cell is closed."""

    def __init__(self, cell: Cell, now: datetime | None) -> None:
        self._cell = cell
        self._lock = filelock.FileLock(cell.folder / "state" / READER_LOCK)
        try:
            self._lock.acquire(timeout=0)
        except filelock.Timeout:
            raise StoreError(
                f"{self._lock.lock_file}: another trueup reads this cell's logs already (`trueup watch`?); "
                "its answers are shown by `trueup status`"
            ) from None
        try:
            self._begin(cell, now)
        except BaseException:
            self.stop()
            raise

    def _begin(self, cell: Cell, now: datetime | None) -> None:
        configuration = cell.configuration
        self.snippets = SnippetFolder(configuration)
        self._taker = Taker(configuration)
        self._refusals: list[str] = []
        with cell.store.writing(now or datetime.now(UTC)) as tx:
            self._taker.record_configuration(tx)
        with cell.store.reading() as sql:
            folders = {name: machine.logs for name, machine in configuration.machines.items()}
            self._intake = Intake(folders, known_streams(sql))
            self._machines = {name: self._process_of(name, sql) for name in configuration.machines}

    def look(self, hints: Collection[Path] | None, now: datetime | None, progress: Progress | None) -> bool:
        """Take what the log folders have to offer; True when there was any."""
        taken = 0
        for new in self._intake.look(hints):
            self._take(new, now)
            taken += len(new.data)
            if progress is not None:
                progress(taken, self._intake.bytes_ahead + taken)
        if taken:
            self._refusals = self.snippets.tidy(self._cell.store)
        return taken > 0

    def feed(self, machine: str, data: bytes, now: datetime | None) -> None:
        for new in self._intake.feed(machine, data):
            self._take(new, now)
        self._refusals = self.snippets.tidy(self._cell.store)

    def _process_of(self, machine: str, sql: "Sql") -> MachineProcess:
        configuration = self._cell.configuration
        return MachineProcess(configuration, configuration.machines[machine], sql)

    def _take(self, new: NewText, now: datetime | None) -> None:
        with _no_garbage_collection(), self._cell.store.writing(now or datetime.now(UTC)) as tx:
            # A machine's memory runs ahead of a transaction that may still fail. So it is taken out, and put back when
            # everything is kept; else the next text makes it anew from the store.
            process = self._machines.pop(new.machine, None) or self._process_of(new.machine, tx.sql)
            seq = self._taker.take(tx, new)
            process.examine(tx, seq)
            process.take(tx, recent.brought_by(tx.sql, new.machine, seq), at_edge=new.last)
        self._machines[new.machine] = process
        self._intake.taken(new)

    def troubles(self) -> list[str]:
        return [*self._intake.troubles, *self._intake.waiting_words(), *self._refusals]

    def away(self) -> list[str]:
        return sorted(self._intake.away)

    def stop(self) -> None:
        self._lock.release()


@contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """A text makes many small values and hardly a cycle: looking for cycles meanwhile costs a third more (measured)."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


def _listed(names: Mapping[str, object]) -> str:
    return ", ".join(names)
