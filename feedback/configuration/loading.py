"""Loads a cell folder: every fault of every file at once, or one checked configuration."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from feedback.configuration.facts import Configuration, LimitTable, Plan
from feedback.configuration.faults import Findings, checked
from feedback.configuration.limit_tables import limit_table
from feedback.configuration.models import CellFile, CellTable
from feedback.configuration.plans import plan_of, registers_of
from feedback.configuration.tables import artefacts_of, machines_of, people_of, surroundings
from feedback.errors import ConfigurationError

CELL: Final = "cell.toml"
LIMITS: Final = "limits.toml"
FOLDERS: Final = ("parts", "layouts", "dialects")  # the plans, and the shop's own layouts and dialects


def load(folder: Path) -> Configuration:
    """The configuration of the cell in `folder`; raises ConfigurationError with the faults of all files."""
    folder = folder.absolute()
    texts: dict[str, str] = {}
    findings = Findings(folder, texts)
    texts.update(_read(folder, findings))
    return _configuration(folder, texts, findings)


def from_texts(folder: Path, texts: Mapping[str, str]) -> Configuration:
    """The same from recorded texts (relative path -> text), without looking at any file."""
    return _configuration(folder, texts, Findings(folder, texts))


def _read(folder: Path, findings: Findings) -> Iterator[tuple[str, str]]:
    """Every configuration file that can be read, by its relative path with forward slashes."""
    found = [folder / CELL, folder / LIMITS]
    for name in FOLDERS:
        found += sorted(path for path in (folder / name).glob("*.toml") if not path.name.startswith("."))
    for path in found:
        name = path.relative_to(folder).as_posix()
        try:
            yield name, path.read_bytes().decode("utf-8-sig")  # some editors begin a file with a byte order mark
        except FileNotFoundError:
            if name == CELL:
                findings.add(name, 1, "", "there is no such file; wanted a cell folder; start one with `trueup new`")
        except UnicodeDecodeError as error:
            line = error.object.count(b"\n", 0, error.start) + 1
            findings.add(name, line, "", f"found byte 0x{error.object[error.start]:02x}; wanted text saved as UTF-8")
        except OSError as error:
            findings.add(name, 1, "", f"cannot be read ({error.strerror}); see to its permissions")


def _configuration(folder: Path, texts: Mapping[str, str], findings: Findings) -> Configuration:
    document = _document(CELL, texts, findings)
    if CELL not in texts and not findings.has_faults_in(CELL):
        findings.add(CELL, 1, "", "is missing; wanted the text that names the cell and its machines")
    machines = _machine_names(document)
    plans = _plans(folder, texts, machines, findings)
    limits = _limits(texts, machines, plans, findings)
    configuration = _cell(folder, texts, document, plans, limits, findings)
    if findings.faults or configuration is None:
        raise ConfigurationError(findings.faults)
    return configuration


def _document(name: str, texts: Mapping[str, str], findings: Findings) -> dict[str, Any] | None:
    return findings.document(name) if name in texts else None


def _machine_names(cell: Mapping[str, Any] | None) -> tuple[str, ...] | None:
    """The machines that cell.toml names, good or not; None when that cannot be told."""
    machines = cell.get("machine") if cell is not None else None
    return tuple(machines) if isinstance(machines, dict) and machines else None


def _plans(
    folder: Path, texts: Mapping[str, str], machines: tuple[str, ...] | None, findings: Findings
) -> dict[str, Plan]:
    """Every plan of which at least the head is good, by the name the logs use."""
    plans: dict[str, Plan] = {}
    files: dict[str, str] = {}
    for name in sorted(name for name in texts if name.startswith("parts/")):
        document = findings.document(name)
        report = findings.at(name)
        plan = None if document is None else plan_of(document, folder / name, machines, report)
        if plan is None:
            continue
        twin = files.setdefault(plan.part.lower(), name)
        if twin != name:
            report(("part",), f"found {plan.part!r}, which {twin} has too; wanted a name of its own for each plan")
        plans.setdefault(plan.part, plan)
    return plans


def _limits(
    texts: Mapping[str, str], machines: tuple[str, ...] | None, plans: Mapping[str, Plan], findings: Findings
) -> LimitTable:
    document = _document(LIMITS, texts, findings) or {}
    moved = None if machines is None else {machine: registers_of(plans.values(), machine) for machine in machines}
    return limit_table(document, moved, findings.at(LIMITS), plans_are_good=not findings.has_faults_in("parts/"))


def _cell(
    folder: Path,
    texts: Mapping[str, str],
    document: dict[str, Any] | None,
    plans: Mapping[str, Plan],
    limits: LimitTable,
    findings: Findings,
) -> Configuration | None:
    if document is None:
        return None
    report = findings.at(CELL)
    file = checked(document, CellFile, (), report) or CellFile(**_tables_in(document))
    head = checked(file.cell, CellTable, ("cell",), report) if isinstance(document.get("cell"), dict) else None
    zone = ZoneInfo("UTC") if head is None else head.time_zone
    configuration = Configuration(
        folder=folder,
        name="" if head is None else head.name,
        time_zone=zone,
        store="sqlite" if head is None else head.store,
        machines=machines_of(file.machine, surroundings(folder, zone, texts), report),
        plans=plans,
        limits=limits,
        artefacts=artefacts_of(file.artefact, file.machine, report),
        people=people_of(file.person, report),
        texts=dict(texts),
    )
    if not file.machine and not findings.has_faults_in(CELL):
        report(("machine",), "found no machine; wanted at least one table such as [machine.M1]")
    return configuration


def _tables_in(document: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The sections that are tables, so that one section at fault does not hide what is wrong in the others."""
    found = {name: document.get(name) for name in ("cell", "machine", "artefact", "person")}
    return {name: table if isinstance(table, dict) else {} for name, table in found.items()}
