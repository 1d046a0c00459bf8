"""The answer document (schema trueup/1) and the words a person reads. Pure, and light enough for `trueup status`."""

import math
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from feedback.locks import cause_told, tells_of_break

if TYPE_CHECKING:
    from rules.evidence import Cause, Evidence
    from rules.verdicts import Decision

SCHEMA = "trueup/1"
MOST_PRESSING_FIRST = ("stop", "correct", "hold", "wait", "leave")
NEEDS_A_LOOK = frozenset({"stop", "correct", "hold"})
LIVE = frozenset({"open", "accepted"})
UNFIT = frozenset({"failed", "due"})  # states of a probe in which nothing may be proposed
UNCHECKED: Mapping[str, Any] = MappingProxyType({"state": "unchecked", "words": "the probe has not been checked"})


def length(um: float, digits: int = 4) -> float | None:
    """Micrometres (millidegrees) as millimetres (degrees), without a negative zero; None where there is no estimate."""
    return round(um / 1000, digits) + 0.0 if math.isfinite(um) else None


def decision_entry(evidence: "Evidence", decision: "Decision", cause: "Cause") -> dict[str, Any]:
    """One register's decision as it is kept and shown."""
    unit = "deg" if evidence.kind == "rotary" else "mm"
    return {
        "register": decision.register,
        "answer": decision.answer,
        "cause": cause,
        "told": evidence.told,
        "part": decision.part,
        "parts": evidence.parts,
        f"now_{unit}": None if evidence.now is None else float(evidence.now),
        f"error_{unit}": length(decision.error_um),
        f"sd_{unit}": length(decision.sd_um),
        f"slope_{unit}_per_part": length(evidence.slope_um, 6),
        "parts_left": decision.parts_left,
        "parts_left_low": decision.parts_left_low,
        "parts_left_high": decision.parts_left_high,
        "reasons": [{"rule": r.rule, "verdict": r.verdict, "words": r.words} for r in decision.reasons],
    }


def feature_entries(decision: "Decision", unit: str) -> list[dict[str, Any]]:
    """What the step would do to each feature: predicted deviations from nominal of the next part it can reach."""
    assert decision.step is not None
    return [
        {
            "id": forecast.id,
            f"before_{unit}": length(forecast.before_um),
            f"after_{unit}": length(forecast.after_um),
            f"lower_{unit}": length(forecast.lower_um),
            f"upper_{unit}": length(forecast.upper_um),
        }
        for forecast in decision.step.forecasts
    ]


def cell_document(
    cell: str,
    machines: Iterable[str],
    decisions: Mapping[str, Sequence[Mapping[str, Any]]],
    unreadable: Mapping[str, Mapping[str, Any]],
    probes: Mapping[str, Mapping[str, Any]] = MappingProxyType({}),
) -> dict[str, Any]:
    """The whole answer: one entry a machine, the most pressing answer of its registers first.

    `probes` is the state of each machine's probe; a machine without one has not been checked.
    """
    return {
        "schema": SCHEMA,
        "cell": cell,
        "machines": [
            _machine(name, decisions.get(name, ()), unreadable.get(name), probes.get(name, UNCHECKED))
            for name in machines
        ],
    }


def _machine(
    name: str,
    decisions: Sequence[Mapping[str, Any]],
    unreadable: Mapping[str, Any] | None,
    probe: Mapping[str, Any],
) -> dict[str, Any]:
    ordered = sorted(decisions, key=lambda entry: (MOST_PRESSING_FIRST.index(entry["answer"]), str(entry["register"])))
    answer = ordered[0]["answer"] if ordered else "wait"
    return {
        "machine": name,
        "answer": "hold" if probe["state"] in UNFIT and answer in ("leave", "wait") else answer,
        "probe": dict(probe),
        "unreadable": dict(unreadable) if unreadable else {"lines": 0, "newest": None},
        "decisions": list(ordered),
    }


def proposal_entry(
    id: str,
    status: str,
    digest: str,
    content: Mapping[str, Any],
    by: str | None = None,
    note: str | None = None,
    doubted: str | None = None,
) -> dict[str, Any]:
    """A proposal as it is shown; `content` is what its digest seals, `doubted` why its readings are not believed."""
    unit = content["unit"]
    return {
        "id": id,
        "status": status,
        "machine": content["machine"],
        "register": content["register"],
        "part": content["part"],
        f"now_{unit}": float(content["now"]),
        f"change_{unit}": float(content["change"]),
        f"new_{unit}": float(content["new"]),
        "page": content["page"],
        "was_cut": content["was_cut"],
        "cause": content["cause"],
        "features": content["features"],
        "evidence": content["evidence"],
        "digest": digest,
        "snippet": None,
        "expires": content["expires_at"] or content["expires"],
        "by": by,
        "note": note,
        "cautions": content.get("cautions", []),
        "doubted": doubted,
    }


def with_proposal(entry: Mapping[str, Any], proposal: Mapping[str, Any] | None) -> dict[str, Any]:
    """A decision with the proposal that stands for it; a correction that nobody is asked to make is shown as held."""
    shown = dict(entry)
    if proposal is not None:
        shown["proposal"] = dict(proposal)
        if proposal["status"] not in LIVE and shown["answer"] == "correct":
            shown["answer"] = "hold"
            words = f"proposal {proposal['id']} was {proposal['status']}; the next part is awaited"
            shown["reasons"] = [*shown["reasons"], {"rule": "review", "verdict": "hold", "words": words}]
        if proposal["doubted"] is not None and proposal["status"] in LIVE:
            shown["answer"] = "stop" if shown["answer"] == "stop" else "hold"
            words = f"do not enter proposal {proposal['id']}: the readings it rests on are in doubt"
            shown["reasons"] = [{"rule": "doubt", "verdict": "hold", "words": words}, *shown["reasons"]]
    return shown


def with_lock(entry: Mapping[str, Any], machine: str, why: str | None) -> dict[str, Any]:
    """A decision about a register that is locked: whatever else is said about it, a person has to look."""
    if tells_of_break(why):
        return _with_break(entry, machine, str(why))
    shown = _without_break(entry)
    if why is not None:
        shown["locked"] = why
        # for any other lock, what the trend takes for a cause is the change that went wrong
        shown["cause"] = cause_told(why) or "unknown"
        if shown["answer"] != "stop":
            shown["answer"] = "hold"
        release = f'trueup release "{machine} {entry["register"]}" --by ... --why ...'
        words = f"locked until a person releases it ({release}): {why}"
        said = ("lock",) if cause_told(why) is None else ("lock", "cause")  # the lock's words are the cause's
        others = [reason for reason in shown["reasons"] if reason["rule"] not in said]
        shown["reasons"] = [{"rule": "lock", "verdict": "hold", "words": words}, *others]
    return shown


def _with_break(entry: Mapping[str, Any], machine: str, why: str) -> dict[str, Any]:
    """A decision about a register of a tool that was found broken."""
    release = f'trueup release "{machine} {entry["register"]}" --by ... --why ...'
    others = [reason for reason in entry["reasons"] if reason["rule"] != "broken"]
    reason = {"rule": "broken", "verdict": "stop", "words": f"{why} ({release})"}
    return {**entry, "answer": "stop", "cause": "tool-broken", "locked": why, "reasons": [reason, *others]}


def _without_break(entry: Mapping[str, Any]) -> dict[str, Any]:
    """A decision made while the tool counted as broken, shown after that has been lifted."""
    stops = [reason["rule"] for reason in entry["reasons"] if reason["verdict"] == "stop"]
    if "broken" not in stops:
        return dict(entry)
    words = "the tool no longer counts as broken; the next part is awaited"
    others = [reason for reason in entry["reasons"] if reason["rule"] != "broken"]
    shown = {**entry, "reasons": [{"rule": "broken", "verdict": "wait", "words": words}, *others]}
    return shown if stops != ["broken"] else {**shown, "answer": "wait", "cause": "none"}


def needs_a_look(document: Mapping[str, Any]) -> bool:
    """True when a person should look: a proposal, a hold or a stop."""
    return any(machine["answer"] in NEEDS_A_LOOK for machine in document["machines"])


WORDS = {
    "leave": "leave it alone",
    "wait": "wait: something is moving and the evidence is short",
    "correct": "correct",
    "hold": "hold: a correction would be due but must not be made yet",
    "stop": "STOP and inspect before the next part",
}


def main_reasons(entry: Mapping[str, Any]) -> list[str]:
    """The words that carried the answer: the verdicts of its own kind, else what the band rule saw."""
    kinds = {"leave": ("leave",), "wait": ("wait",), "correct": ("wish", "cut"), "hold": ("hold",), "stop": ("stop",)}
    wanted = kinds[entry["answer"]]
    carried = [reason["words"] for reason in entry["reasons"] if reason["verdict"] in wanted]
    return carried or [reason["words"] for reason in entry["reasons"] if reason["rule"] == "band"]


def page_words(page: Mapping[str, str]) -> str:
    """What the person at the control sees and keys in: "0.000 -> -0.004 mm (-0.004 mm)"."""
    change = page["change"] if page["change"].startswith("-") else f"+{page['change']}"
    return f"{page['now']} -> {page['new']} {page_unit(page)} ({change} {page['unit']})"


def page_unit(page: Mapping[str, str]) -> str:
    """The unit of a control's page, which may hold diameters: "inch diameter"."""
    return f"{page['unit']} diameter" if page["stored_as"] == "diameter" else page["unit"]
