"""What a clear was: codes cleared with a tester, power lost, or a controller reprogrammed.

All three set readiness back and leave permanent codes (13 CCR 1968.2 (g)(4.1); from memory; New
York's note says power loss and possibly software update; A). Facts that tell them apart are
modelling choices of this project (X): a gateway is fed from the connector's unswitched battery
pin (SAE J1962; from memory), so one that kept its power rules out a disconnected battery. Where
facts do not decide, every cause left is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from ingest.domain.episodes import Episode
from ingest.domain.repairs import Repair

HOUR_MS = 3_600_000
BEFORE_MS = 12 * HOUR_MS
AFTER_MS = 24 * HOUR_MS
"""A repair recorded so long before or after a clear was seen counts as the same visit (X)."""


class Cause(StrEnum):
    """What set readiness back; the value is the text on screen."""

    TESTER = "codes cleared with a tester"
    POWER = "power lost (battery disconnected or controller supply)"
    REPROGRAMMED = "controller reprogrammed or replaced"


@dataclass(frozen=True, slots=True)
class ClearFinding:
    """One clear explained. `causes` are those the facts leave, the likeliest first.

    `not_before` is the last reading before it, `who` says who was at the vehicle, or nobody.
    """

    at: int
    not_before: int | None
    causes: tuple[Cause, ...]
    reasons: tuple[str, ...]
    evidence: tuple[str, ...]
    who: str
    recorded: bool

    @property
    def words(self) -> str:
        """The cause as one sentence."""
        if len(self.causes) == 1:
            return f"{self.causes[0].value.capitalize()}."
        return f"Could be: {'; or '.join(one.value for one in self.causes)}."


def explain_clear(
    clear: Episode,
    events: Iterable[Episode],
    visits: Sequence[Repair],
    in_use_now: Mapping[str, int] | None = None,
) -> ClearFinding:
    """Explain one clear from the events of its vehicle and its recorded repairs.

    `in_use_now` is the ignition cycle counter of each ECU as last read after the clear.
    """
    details = clear.details
    since = details.get("not_before")
    begin = clear.started_at if since is None else int(since)
    left = list(Cause)
    reasons: list[str] = []
    visit = _visit(begin, clear.started_at, visits)
    software = _software(begin, clear.started_at, events)
    if software:
        left = [Cause.REPROGRAMMED]
        reasons.append(f"The software changed at that time: {'; '.join(software)}.")
    else:
        _rule_out(left, reasons, details, in_use_now or {})
        _prefer(left, reasons, details, visit, _tester(begin, clear.started_at, events))
    return ClearFinding(
        at=clear.started_at,
        not_before=since,
        causes=tuple(left),
        reasons=tuple(reasons),
        evidence=tuple(str(one) for one in details.get("evidence", ())),
        who=_who(visit),
        recorded=visit is not None,
    )


def _rule_out(
    left: list[Cause], reasons: list[str], details: Mapping[str, Any], now: Mapping[str, int]
) -> None:
    if details.get("gateway_kept_power") is True:
        left.remove(Cause.POWER)
        reasons.append("The gateway kept its power, so the battery stayed connected.")
    elif kept := details.get("kept_complete"):
        left.remove(Cause.POWER)
        reasons.append(f"ECU {', '.join(kept)} kept its monitors: not the whole vehicle's power.")
    before = details.get("ignition_cycles_before") or {}
    if any(ecu in now and now[ecu] >= count for ecu, count in before.items()):
        left.remove(Cause.REPROGRAMMED)
        reasons.append("The in-use counters went on: they restart when a controller is replaced.")


def _prefer(
    left: list[Cause],
    reasons: list[str],
    details: Mapping[str, Any],
    visit: Repair | None,
    tester: bool,
) -> None:
    """Put the likeliest first; nothing here rules a cause out."""
    if tester:
        reasons.append("Another tester was on the bus at that time.")
    said = visit is not None and visit.codes_cleared is True
    if said:
        reasons.append("The recorded repair says that codes were cleared.")
    if Cause.POWER not in left or tester or said:
        return
    if details.get("low_voltage_before"):
        reasons.append("Battery voltage was low before.")
    if details.get("gateway_kept_power") is False:
        reasons.append("The gateway lost its power too, or was unplugged for a tester.")
    if details.get("low_voltage_before") or details.get("gateway_kept_power") is False:
        left.remove(Cause.POWER)
        left.insert(0, Cause.POWER)


def _software(begin: int, at: int, events: Iterable[Episode]) -> list[str]:
    """Changes of software seen at the clear or at the first full reading after it."""
    found = []
    for one in events:
        if one.kind != "software_changed" or one.started_at < begin:
            continue
        seen_from = one.details.get("not_before") or begin
        if one.started_at <= at + AFTER_MS or seen_from <= at:
            found += [f"{one.subject} {text}" for text in one.details.get("evidence", ())]
    return found


def _tester(begin: int, at: int, events: Iterable[Episode]) -> bool:
    return any(
        one.kind == "another_tester"
        and one.started_at <= at
        and (one.ended_at is None or one.ended_at >= begin)
        for one in events
    )


def _visit(begin: int, at: int, visits: Sequence[Repair]) -> Repair | None:
    near = [one for one in visits if begin - BEFORE_MS <= one.at <= at + AFTER_MS]
    return min(near, key=lambda one: abs(one.at - at), default=None)


def _who(visit: Repair | None) -> str:
    if visit is None:
        return "No repair is recorded for that time: nobody is known to have worked on the vehicle."
    return f"Recorded repair by {visit.technician}: {visit.done}."
