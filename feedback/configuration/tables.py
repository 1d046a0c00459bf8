"""Turns the tables of cell.toml into machines, artefacts and people."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from os.path import normpath
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from feedback.configuration.facts import BREAK_LIMIT_MM, Artefact, Machine, Person, ProbeLimits
from feedback.configuration.faults import AnyTable, Report, checked
from feedback.configuration.materials import expansion_of
from feedback.configuration.models import (
    ArtefactTable,
    MachineTable,
    PersonTable,
    ProbeTable,
    Stated,
    folder_name,
    one_word,
)
from feedback.configuration.suggest import did_you_mean, listed
from feedback.units import LengthUnit, from_mm

SHIPPED_LAYOUTS: Final = ("pairs", "columns")
SHIPPED_DIALECTS: Final = ("g10-memory", "rs274", "sheet")
FINEST_DECIMALS: Final = 6  # of an increment in the machine's own unit; no control holds more
COARSEST_MM: Final = Decimal("0.1")  # a whole tenth: anything above is a slip of the unit


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a machine's table is read against."""

    folder: Path
    zone: ZoneInfo
    layouts: frozenset[str]
    dialects: frozenset[str]


def surroundings(folder: Path, zone: ZoneInfo, files: Iterable[str]) -> Surroundings:
    """`files` are the TOML files of the cell by relative path; layouts and dialects are called by their file."""
    paths = [Path(file) for file in files]
    layouts = frozenset(path.stem for path in paths if path.parts[0] == "layouts")
    dialects = frozenset(path.stem for path in paths if path.parts[0] == "dialects")
    return Surroundings(folder, zone, layouts.union(SHIPPED_LAYOUTS), dialects.union(SHIPPED_DIALECTS))


def machines_of(tables: Mapping[str, object], around: Surroundings, report: Report) -> dict[str, Machine]:
    """Every good [machine.*] table as a machine, in the order written."""
    good = _good_tables(tables, "machine", folder_name, MachineTable, report)
    for key, table in good.items():
        _check_words(key, table, around, report)
        _check_increment(table.least_increment, table.unit, ("machine", key, "least_increment"), report)
    machines = {key: _machine(key, table, around, report) for key, table in good.items()}
    _check_folders(machines, around.folder, report)
    return machines


def artefacts_of(tables: Mapping[str, object], machines: Iterable[str], report: Report) -> dict[str, Artefact]:
    """Every good [artefact.*] table, in the order written."""
    good = _good_tables(tables, "artefact", one_word, ArtefactTable, report)
    known = tuple(machines)
    for key, table in good.items():
        for machine in table.machines or ():
            if machine not in known:
                hint = did_you_mean(machine, known)
                report(("artefact", key, "machines"), f"found {machine!r}; wanted one of {listed(known)}{hint}")
    return {key: _artefact(key, table, report) for key, table in good.items()}


def people_of(tables: Mapping[str, object], report: Report) -> dict[str, Person]:
    """Every good [person.*] table, in the order written."""
    good = _good_tables(tables, "person", one_word, PersonTable, report)
    return {key: Person(id=key, name=table.name, may=frozenset(table.may)) for key, table in good.items()}


def expansion(
    material: str | None, cte: Decimal | None, place: tuple[str | int, ...], report: Report
) -> Decimal | None:
    """The coefficient stated, or that of the material named; None when neither is there or they are at fault."""
    if material is not None and cte is not None:
        report((*place, "cte"), "is given together with material; wanted one of the two")
    if cte is not None or material is None:
        return cte
    try:
        return expansion_of(material)
    except ValueError as error:
        report((*place, "material"), str(error))
        return None


def refuse_twins(keys: Iterable[str], place_of: Callable[[str], tuple[str | int, ...]], report: Report) -> None:
    """Logs are read in any case, so names must differ in more than case."""
    seen: dict[str, str] = {}
    for key in keys:
        twin = seen.setdefault(key.lower(), key)
        if twin != key:
            report(place_of(key), f"found {key!r} beside {twin!r}; wanted names that differ in more than capitals")


def _good_tables(
    tables: Mapping[str, object],
    section: str,
    key_check: Callable[[object], str],
    shape: type[AnyTable],
    report: Report,
) -> dict[str, AnyTable]:
    good = {}
    for key, table in tables.items():
        try:
            key_check(key)
        except ValueError as error:
            report((section, key), str(error))
        found = checked(table, shape, (section, key), report)
        if found is not None:
            good[key] = found
    refuse_twins(tables, lambda key: (section, key), report)
    return good


def _check_words(key: str, table: MachineTable, around: Surroundings, report: Report) -> None:
    known = {"layout": around.layouts, "dialect": around.dialects}
    for word, names in known.items():
        found = getattr(table, word)
        if found not in names:
            hint = did_you_mean(found, names)
            wanted = f"wanted one of {listed(sorted(names))}, or a file {word}s/{Path(found).name}.toml"
            report(("machine", key, word), f"found {found!r}; {wanted}{hint}")


def _check_increment(stated: Stated, unit: LengthUnit, place: tuple[str, ...], report: Report) -> None:
    """A register holds a whole number of increments in the machine's own unit, so the increment must be exact there."""
    example = '"0.001 mm"' if unit == "mm" else '"0.0001 in"'
    own = from_mm(stated.value, unit)
    if stated.in_inches != (unit == "inch"):
        report(place, f"is not in the unit of this machine, {unit}; wanted it as the control counts, such as {example}")
    elif own != round(own, FINEST_DECIMALS) or stated.value > COARSEST_MM:
        report(
            place, f"found {own.normalize():f} {unit}; wanted the step of the control's offset page, such as {example}"
        )


def _machine(key: str, table: MachineTable, around: Surroundings, report: Report) -> Machine:
    return Machine(
        name=key,
        logs=tuple(Path(normpath(around.folder / folder)) for folder in table.logs),
        layout=table.layout,
        unit=table.unit,
        least_increment_mm=table.least_increment.value,
        dialect=table.dialect,
        tool_radius=table.tool_radius,
        lag=table.lag,
        time_zone=around.zone,
        repeatability_mm=table.repeatability.value if table.repeatability else None,
        scale_cte_per_k=table.scale_cte,
        temperature=table.temperature,
        probe=_probe_limits(table.probe, ("machine", key, "probe"), report),
        setter_mm=table.setter.value if table.setter else None,
        break_limit_mm=table.break_limit.value if table.break_limit else BREAK_LIMIT_MM,
    )


def _probe_limits(table: object, place: tuple[str, ...], report: Report) -> ProbeLimits:
    """What [machine.*.probe] states over the usual limits; those alone when it is at fault."""
    stated = checked(table, ProbeTable, place, report)
    if stated is None:
        return ProbeLimits()
    lengths = {f"{key}_mm": getattr(stated, key) for key in ("asymmetry", "offset_limit", "change_limit")}
    changes: dict[str, Any] = {key: length.value for key, length in lengths.items() if length is not None}
    if stated.pretravel is not None:
        changes["pretravel_mm"] = tuple(limit.value for limit in stated.pretravel)
    return ProbeLimits(number=stated.number, **changes)


def _check_folders(machines: Mapping[str, Machine], folder: Path, report: Report) -> None:
    """No log may be taken for two machines, and nothing the tool writes may be taken for a log."""
    seen: list[tuple[str, Path]] = []
    for machine in machines.values():
        for logs in machine.logs:
            place = ("machine", machine.name, "logs")
            if folder.is_relative_to(logs):
                report(
                    place, f"found {str(logs)!r}, which holds the cell folder itself; wanted a folder with logs only"
                )
            for other, known in seen:
                if logs.is_relative_to(known) or known.is_relative_to(logs):
                    report(
                        place, f"found {str(logs)!r}, which {other} has too; wanted logs of one machine in one folder"
                    )
            seen.append((machine.name, logs))


def _artefact(key: str, table: ArtefactTable, report: Report) -> Artefact:
    place = ("artefact", key)
    cte = expansion(table.material, table.cte, place, report)
    if table.material is None and table.cte is None:
        report(place, 'has neither material nor cte; wanted material = "steel" or cte = "11.5e-6 /K"')
    due = table.due
    return Artefact(
        name=key,
        kind=table.kind,
        size_mm=table.size.value,
        uncertainty_mm=table.uncertainty.value,
        cte_per_k=cte or Decimal(0),
        error_limit_mm=table.error_limit.value,
        due_s=due.value if due and due.kind == "time" else None,
        due_parts=int(due.value) if due and due.kind == "parts" else None,
        centre_limit_mm=table.centre_limit.value if table.centre_limit else None,
        certificate_until=table.certificate_until,
        machines=table.machines,
    )
