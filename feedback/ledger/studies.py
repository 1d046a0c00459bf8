"""What the store holds for a study of the probe: touches of an artefact, and checks against its certificate."""

import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from feedback.fitness.standing import THE_BEGINNING
from feedback.ledger import probes
from feedback.studying import Again, Checked, Touch

if TYPE_CHECKING:
    from feedback.ledger.sql import Sql


_RECORDS = """
SELECT o.payload, o.at_us, s.path, o.line FROM other_record o LEFT JOIN stream s ON s.id = o.stream
WHERE o.machine = ? AND o.kind = ? ORDER BY o.at_us, o.id"""


def touches(sql: "Sql", machine: str) -> list[Touch]:
    """Every touch of a machine's repeatability studies, in order of time."""
    return [
        Touch(
            said["artefact"],
            said["point"],
            Decimal(said["actual"]),
            at_us,
            f"{path}:{line}",
            _exact(said.get("x")),  # not in what was kept before places were read
            _exact(said.get("y")),
        )
        for said, at_us, path, line in _said(sql, machine, "repeat")
    ]


def checks(sql: "Sql", machine: str) -> list[Checked]:
    """Every check on an artefact since the last good calibration, in order of time.

    Not those that say nothing or were set aside by a person.
    """
    void = _saying_nothing(sql, machine)
    return [
        Checked(
            said["artefact"],
            Decimal(said["actual"]),
            _exact(said.get("x")),  # not in what was kept before places were read
            _exact(said.get("y")),
            _exact(said["temperature_c"]),
            at_us,
            f"{path}:{line}",
        )
        for said, at_us, path, line in _said(sql, machine, "artefact")
        if (at_us, f"{path}:{line}") not in void
    ]


def _saying_nothing(sql: "Sql", machine: str) -> set[tuple[int, str]]:
    """When and where the log tells of checks that must not count against the probe."""
    rows = probes.checks(sql, machine)
    good = [row.place for row in rows if row.what == "calibration" and row.result == "passed"]
    since = max(good, default=THE_BEGINNING)  # what was wrong before it is no error of the probe as it is now
    void = [row for row in rows if row.set_aside or row.result == "void" or row.place < since]
    return {(row.place[0], row.content["source"]) for row in void}


# Doubted readings do not count; part numbers that come again much later belong to other parts.
_AGAIN = """
SELECT m.feature, p.part, p.at_us, m.deviation_um FROM part p JOIN measurement m ON m.part_id = p.id
WHERE p.machine = ? AND p.ended IS NOT NULL AND m.doubts IS NULL
AND p.id > (SELECT coalesce(max(id), 0) - 2000 FROM part) AND p.part IN
(SELECT part FROM part WHERE machine = ? GROUP BY part HAVING count(*) > 1) ORDER BY p.at_us, p.id"""


def probed_again(sql: "Sql", machine: str) -> list[Again]:
    """Believed readings of parts whose number stands in the log more than once, in order of time; newest 2000 parts."""
    return [Again._make(row) for row in sql.rows(_AGAIN, (machine, machine))]


def _said(sql: "Sql", machine: str, kind: str) -> list[tuple[dict[str, Any], int, str, int]]:
    rows = sql.rows(_RECORDS, (machine, kind))
    return [(json.loads(payload), at_us, path, line) for payload, at_us, path, line in rows]


def _exact(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)
