"""The expected result of an inspection under one program, with its reasons.

Order (a modelling choice of this project, consistent with 40 CFR 85.2207 and 85.2222): what
cannot be told, the lamp, the count of monitors not complete, the retest rule, else would pass.
Never worded as an official result: a gateway sees neither the lamp nor the connector.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from gateway.facts import CONTINUOUS, FULL_NAMES, Monitor
from ingest.domain.picture import Picture
from ingest.domain.programs import Cited, Program
from ingest.domain.vehicles import Vehicle

DAY_MS = 86_400_000
LAMP_NAME = "MIL (check engine)"


class Outcome(StrEnum):
    """What an inspection station would be expected to find."""

    WOULD_PASS = "would_pass"  # noqa: S105 - an outcome, no password
    WOULD_FAIL = "would_fail"
    NOT_READY = "not_ready"
    CANNOT_TELL = "cannot_tell"


OUTCOME_TEXT = MappingProxyType({outcome: outcome.value.replace("_", " ") for outcome in Outcome})
"""The words on screen."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: a sentence for the screen, the fact behind it, and the rule with clause and tag."""

    text: str
    fact: str
    rule: str
    clause: str
    tag: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The expected result. `program_word` is the program's own word for it ('' if none).

    `spare` = allowed minus counted monitors not complete, negative when too many; None when
    they could not be counted. `in_scope` is False where the program does not cover the vehicle.
    """

    outcome: Outcome
    program_word: str
    reasons: tuple[Reason, ...]
    check_by_eye: tuple[str, ...]
    incomplete: tuple[Monitor, ...] = ()
    allowed_incomplete: int | None = None
    spare: int | None = None
    in_scope: bool = True


def judge(
    program: Program,
    vehicle: Vehicle,
    picture: Picture | None,
    as_of: datetime,
    stale_after_days: float | None = None,
    failed_codes: Sequence[str] = (),
) -> Verdict:
    """Judge one vehicle at `as_of` (aware).

    `stale_after_days` overrides the program's; `failed_codes` are those of a failed inspection
    for which this one would be the retest.
    """
    eye = tuple(row.value for row in program.check_by_eye)
    days = program.stale_after_days.value if stale_after_days is None else stale_after_days
    allowance = program.allowance(vehicle.model_year)
    outside = _out_of_scope(program, vehicle)
    if outside is not None:
        return Verdict(Outcome.CANNOT_TELL, "", (outside,), eye, in_scope=False)
    unknown = _unheard(program, picture, as_of, days)
    if unknown is not None or picture is None or allowance is None:
        reasons = (unknown,) if unknown is not None else ()
        return Verdict(Outcome.CANNOT_TELL, "", reasons, eye)
    counted = _counted(program, picture)
    spare = allowance.value - len(counted)
    counts = (eye, counted, allowance.value, spare)
    warnings = _warnings(program, picture)
    if picture.mil() and program.lamp_fails.value:
        lamp = _lamp(program, picture)
        if not picture.codes("confirmed"):
            return Verdict(Outcome.CANNOT_TELL, "", (lamp, *warnings), *counts)
        return Verdict(Outcome.WOULD_FAIL, program.fail_word.value, (lamp, *warnings), *counts)
    count = _count_reason(allowance, allowance.value, counted)
    if spare < 0:
        word = program.not_ready_word.value
        return Verdict(Outcome.NOT_READY, word, (count, *warnings), *counts)
    retest = _retest(program, picture, failed_codes)
    if retest is not None:
        word = program.not_ready_word.value
        return Verdict(Outcome.NOT_READY, word, (retest, count, *warnings), *counts)
    off = _reason(f"The {LAMP_NAME} is not commanded on.", "commanded off", program.lamp_fails)
    word = program.pass_word.value
    return Verdict(Outcome.WOULD_PASS, word, (off, count, *warnings), *counts)


def _reason(text: str, fact: str, cited: Cited) -> Reason:
    """A reason from a cited value; a source 'rule: clause' is split at its colon."""
    rule, _, clause = cited.source.partition(":")
    return Reason(text, fact, rule.strip(), clause.strip() or cited.edition, cited.tag)


def _ours(text: str, fact: str) -> Reason:
    return Reason(text, fact, "This project", "modelling choice", "X")


def _out_of_scope(program: Program, vehicle: Vehicle) -> Reason | None:
    first = program.first_model_year
    if vehicle.model_year < first.value:
        text = f"Model year {vehicle.model_year} is before {first.value}, where the program begins."
        return _reason(text, f"model year {vehicle.model_year}", first)
    if program.allowance(vehicle.model_year) is None:
        text = f"The program has no readiness count for model year {vehicle.model_year}."
        return _ours(text, f"model year {vehicle.model_year}")
    limit = program.gvwr_max_lb
    if limit is not None and vehicle.gvwr_lb is not None and vehicle.gvwr_lb > limit.value:
        text = f"{vehicle.gvwr_lb} lb GVWR is above the program's {limit.value} lb."
        return _reason(text, f"GVWR {vehicle.gvwr_lb} lb", limit)
    return None


def _unheard(
    program: Program, picture: Picture | None, as_of: datetime, days: float
) -> Reason | None:
    """Why nothing can be said of the vehicle itself; silence is never 'ready'."""
    if picture is not None and picture.vin_mismatch is not None:
        text = "The gateway reads another vehicle's VIN: check where it is fitted."
        return _ours(text, f"VIN read {picture.vin_mismatch}")
    speaks = None if picture is None else picture.unread()
    if picture is not None and speaks is not None:
        return _ours(f"{speaks[0].upper()}{speaks[1:]}.", f"heard on the bus: {picture.heard}")
    if picture is None or picture.heard_at is None:
        return _ours("Never heard from: no reading of this vehicle yet.", "no reading")
    read_at = picture.readiness_at()
    if read_at is None:
        return _ours("No ECU answered for its monitors and lamp.", "PID 01 not answered")
    age = (as_of.timestamp() * 1000 - read_at) / DAY_MS
    if age > days:
        text = f"The last full reading is {age:.1f} days old, more than {days:g}."
        return _reason(text, f"readiness read {age:.1f} days ago", program.stale_after_days)
    if picture.mil() is None:
        return _ours("No ECU said whether it commands the lamp.", "lamp not answered")
    if any(ecu.before_clear for ecu in picture.ecus.values()):
        text = "Codes were cleared and not every ECU has answered since: take a fresh reading."
        return _ours(text, "an ECU not heard since the last clear")
    if not set(picture.monitors()) - CONTINUOUS:
        text = "The vehicle reports no monitor that the program counts."
        return _ours(text, "no non-continuous monitor supported")
    return None


def _counted(program: Program, picture: Picture) -> tuple[Monitor, ...]:
    if program.count_scope.value == "non_continuous":
        return picture.incomplete()
    merged = picture.monitors()
    return tuple(monitor for monitor in Monitor if merged.get(monitor) is False)


def _lamp(program: Program, picture: Picture) -> Reason:
    codes = sorted(picture.codes("confirmed") or ())
    if codes:
        text = f"The {LAMP_NAME} is commanded on, for {', '.join(codes)}."
        return _reason(text, f"commanded on; confirmed {', '.join(codes)}", program.lamp_fails)
    text = f"The {LAMP_NAME} is commanded on, but no code was read: take a fresh reading."
    return _reason(text, "commanded on; no confirmed code read", program.lamp_fails)


def _count_reason(allowance: Cited, allowed: int, counted: tuple[Monitor, ...]) -> Reason:
    names = ", ".join(FULL_NAMES[monitor] for monitor in counted)
    listed = f" ({names})" if names else ""
    plural = "monitor" if len(counted) == 1 else "monitors"
    text = f"{len(counted)} {plural} not complete{listed}; the program allows {allowed}."
    return _reason(text, f"{len(counted)} not complete, {allowed} allowed", allowance)


def _retest(program: Program, picture: Picture, failed_codes: Sequence[str]) -> Reason | None:
    merged = picture.monitors()
    for rule in program.retest_must_be_complete:
        named = rule.names(failed_codes)
        if named and merged.get(rule.monitor) is False:
            text = (
                f"Retest after {', '.join(named)}: "
                f"the {FULL_NAMES[rule.monitor]} monitor must be complete, and is not."
            )
            return _reason(text, f"{rule.monitor.value} not complete", rule)
    return None


def _warnings(program: Program, picture: Picture) -> tuple[Reason, ...]:
    """What does not decide, yet should be seen: codes with the lamp off (40 CFR 85.2222(d)(2))."""
    if picture.mil():
        return ()
    kinds = ("confirmed", "pending", "permanent")
    found = {kind: sorted(picture.codes(kind) or ()) for kind in kinds}
    listed = "; ".join(f"{kind} {', '.join(codes)}" for kind, codes in found.items() if codes)
    if not listed:
        return ()
    text = f"Codes are stored with the lamp off: {listed}. The lamp may come on."
    return (_reason(text, listed, program.pass_word),)
