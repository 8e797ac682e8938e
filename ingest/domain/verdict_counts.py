"""Monitors not complete against what a program allows, by number or by name, and on a retest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from gateway.facts import CONTINUOUS, FULL_NAMES, Monitor
from ingest.domain.outcome import Finding, Outcome, Reason, cited_reason, names, plural
from ingest.domain.program_counts import Allowance
from ingest.domain.programs import Program

_EVERY = tuple(Monitor)
_COUNTED = tuple(monitor for monitor in Monitor if monitor not in CONTINUOUS)


class Counted(NamedTuple):
    """The counted monitors not complete, with what may be; None where it is not known."""

    incomplete: tuple[Monitor, ...]
    allowed: int | None
    spare: int | None
    named: tuple[Monitor, ...] = ()


NOTHING = Counted((), None, None)


def count(
    program: Program,
    allowance: Allowance | None,
    monitors: Mapping[Monitor, bool],
    left_out: frozenset[Monitor],
) -> Counted:
    """Count the monitors not complete; `left_out` are those an exception takes out."""
    order = _EVERY if program.count_scope.value == "all" else _COUNTED
    incomplete: tuple[Monitor, ...] = ()
    if False in monitors.values():
        incomplete = tuple(
            [one for one in order if monitors.get(one) is False and one not in left_out]
        )  # a list first: a generator is slower, and this is done for every vehicle
    if allowance is None:
        return Counted(incomplete, None, None)
    if allowance.value is not None:
        return Counted(incomplete, allowance.value, allowance.value - len(incomplete))
    by_name = allowance.monitors or ()
    named = tuple(
        one for one in order if one in by_name and one in monitors and one not in left_out
    )
    over = sum(monitor not in named for monitor in incomplete)
    left = sum(monitor not in incomplete for monitor in named)
    return Counted(incomplete, len(named), -over if over else left, named)


def judged(program: Program, allowance: Allowance | None, counted: Counted) -> Finding | Reason:
    """What the count leads to: a finding when it stands in the way, else a reason."""
    found = len(counted.incomplete)
    listed = f" ({names(counted.incomplete)})" if found else ""
    said = f"{plural(found, 'monitor')} not complete{listed}"
    if allowance is None:
        return _unknown(program, found, said)
    if allowance.monitors is not None:
        only = " and ".join(FULL_NAMES[monitor] for monitor in allowance.monitors)
        text = f"{said}; the program allows only: {only}."
        reason = cited_reason(text, f"{found} not complete, allowed by name: {only}", allowance)
    else:
        text = f"{said}; the program allows {allowance.value}."
        fact = f"{found} not complete, {allowance.value} allowed"
        reason = cited_reason(text, fact, allowance)
    if counted.spare is not None and counted.spare < 0:
        return Finding(Outcome.NOT_READY, reason)
    return reason


def otherwise(program: Program, allowance: Allowance | None, counted: Counted) -> Finding | None:
    """The other reading of the same rule, where it leads elsewhere."""
    if allowance is None or allowance.other_reading is None or allowance.value is None:
        return None
    other, found = allowance.other_reading, len(counted.incomplete)
    if found > allowance.value or found <= other.value:
        return None
    text = (
        f"The rule can be read in two ways: one allows {allowance.value} not complete, the other "
        f"{other.value}, and {plural(found, 'monitor')} would be turned away by it "
        f"({program.not_ready_word.value})."
    )
    fact = f"{found} not complete, {other.value} allowed by the other reading"
    return Finding(Outcome.CANNOT_TELL, cited_reason(text, fact, other), "rule")


def _unknown(program: Program, found: int, said: str) -> Finding | Reason:
    """A program whose limits are not published: only no monitor at all is within every limit."""
    rule = program.allowed_unknown or program.count_scope
    if not found:
        text = "All counted monitors are complete: within any limit."
        return cited_reason(text, "0 not complete, limit not known", rule)
    text = f"{said}; how many the program allows is not published."
    reason = cited_reason(text, f"{found} not complete, limit not known", rule)
    return Finding(Outcome.CANNOT_TELL, reason, "rule")


def retests(
    program: Program, monitors: Mapping[Monitor, bool], failed_codes: Sequence[str]
) -> Iterator[Finding | Reason]:
    """The monitors that must be complete at a retest after a failure for these codes."""
    said: set[Monitor] = set()
    for rule in program.retest_must_be_complete:
        named = rule.names(failed_codes)
        if not named or rule.monitor not in monitors or rule.monitor in said:
            continue
        said.add(rule.monitor)
        name, codes = FULL_NAMES[rule.monitor], ", ".join(named)
        start = f"Retest after {codes}: the {name} monitor must be complete, and "
        if monitors[rule.monitor]:
            yield cited_reason(f"{start}is.", f"{name} complete", rule)
        else:
            reason = cited_reason(f"{start}is not.", f"{name} not complete", rule)
            yield Finding(Outcome.NOT_READY, reason)
