"""The lamp, stored and permanent codes, and the operation since codes were cleared."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from ingest.domain.miles import KM_PER_MILE
from ingest.domain.observed_lamp import LampFinding, ObservedLamp
from ingest.domain.outcome import LAMP_NAME, Finding, Outcome, Reason, cited_reason, our_reason
from ingest.domain.picture import Picture
from ingest.domain.program_codes import Counter, PermanentCodes
from ingest.domain.programs import Program
from ingest.domain.us_days import us_day

COUNTER_WORDS: Mapping[Counter, str] = MappingProxyType(
    {"warm_ups": "warm-ups", "miles": "miles", "minutes": "minutes"}
)
_SEEN = MappingProxyType(
    {
        LampFinding.DARK_AT_KEY_ON: (
            f"The {LAMP_NAME} was seen dark with the key on and the engine off"
        ),
        LampFinding.DARK_WHILE_COMMANDED: f"The {LAMP_NAME} is commanded on but was seen dark",
        LampFinding.LIT_WHILE_RUNNING: f"The {LAMP_NAME} was seen lit with the engine running",
        LampFinding.LIT_UNCOMMANDED: (
            f"The {LAMP_NAME} was seen lit although no ECU commands it: "
            "look for a wiring fault, or take a fresh reading"
        ),
    }
)


def seen(
    program: Program, observed: ObservedLamp | None, found: tuple[LampFinding, ...]
) -> Iterator[Finding | Reason]:
    """What a person saw: a finding where the program fails it, else a reason."""
    if observed is None:
        return
    when = f"seen {us_day(observed.at.date())} by {observed.by}"
    if observed.connector_works is False:
        yield _connector(program, when)
    for one in found:
        words = _SEEN.get(one)
        if words is None:
            continue
        rule = next((row for row in program.seen_lamp if row.seen == one.value), None)
        if rule is not None:
            reason = cited_reason(f"{words} ({when}).", f"{one.value.replace('_', ' ')}", rule)
            yield Finding(Outcome.WOULD_FAIL, reason)
        elif one is not LampFinding.LIT_WHILE_RUNNING:
            yield our_reason(f"{words} ({when}).", one.value.replace("_", " "))


def _connector(program: Program, when: str) -> Finding:
    """40 CFR 85.2207(a): the connector missing, tampered with or otherwise inoperable (A)."""
    text = f"The data link connector was found missing, tampered with or not working ({when})."
    row = next((one for one in program.check_by_eye if one.look == "connector"), None)
    fact = "connector seen bad"
    return Finding(
        Outcome.WOULD_FAIL, cited_reason(text, fact, row) if row else our_reason(text, fact)
    )


def lamp(program: Program, picture: Picture) -> Finding:
    """The lamp that is commanded on, by the program's wording: alone, or for codes."""
    codes = sorted(picture.codes("confirmed") or ())
    by = ", ".join(sorted(name for name, ecu in picture.ecus.items() if ecu.mil))
    if codes:
        listed = ", ".join(codes)
        text = f"The {LAMP_NAME} is commanded on, for {listed}."
        fact = f"commanded on by {by}; confirmed {listed}"
        return Finding(Outcome.WOULD_FAIL, cited_reason(text, fact, program.lamp))
    fact = f"commanded on by {by}; no confirmed code read"
    if program.lamp.value == "lamp":
        text = f"The {LAMP_NAME} is commanded on; the program asks for no code."
        return Finding(Outcome.WOULD_FAIL, cited_reason(text, fact, program.lamp))
    text = f"The {LAMP_NAME} is commanded on, but no code was read: take a fresh reading."
    return Finding(Outcome.CANNOT_TELL, cited_reason(text, fact, program.lamp), "reading", True)


def stored(program: Program, picture: Picture) -> Finding | Reason | None:
    """Codes while the lamp is off: they do not decide, yet should be seen; or the rule may fail.

    40 CFR 85.2222(d)(2), from memory: with the lamp not commanded a vehicle passes.
    """
    ecus = picture.ecus.values()
    if not any(ecu.confirmed or ecu.pending or ecu.permanent or ecu.code_count for ecu in ecus):
        return None
    kinds = ("confirmed", "pending", "permanent")
    found = {kind: sorted(picture.codes(kind) or ()) for kind in kinds}
    rule = program.stored_codes
    counted = any(ecu.code_count for ecu in ecus)
    if rule.value == "unclear" and (found["confirmed"] or counted):
        listed = ", ".join(found["confirmed"]) or "counted, none listed"
        text = (
            f"Codes are stored with the lamp off ({listed}): the rule lists a reported code as a "
            "failure, so there is a risk."
        )
        return Finding(Outcome.CANNOT_TELL, cited_reason(text, f"confirmed {listed}", rule), "rule")
    listed = "; ".join(f"{kind} {', '.join(codes)}" for kind, codes in found.items() if codes)
    if not listed:
        return None
    text = f"Codes are stored with the lamp off: {listed}. {_lamp_off(bool(found['confirmed']))}"
    return cited_reason(text, listed, rule)


def _lamp_off(confirmed: bool) -> str:
    """13 CCR 1968.2 (d)(2.3): off after three driving cycles in which the monitor passed (B)."""
    if not confirmed:
        return "The lamp comes on if the fault is found again."
    return (
        "The lamp goes out by itself after three driving cycles without the fault while the code "
        "stays stored; it comes on again with the fault."
    )


def since_clear(picture: Picture, distance_doubtful: bool) -> dict[Counter, float | None]:
    """The counters since codes were cleared, in the units of rules; None where not reported."""
    km = None if distance_doubtful else picture.distance_since_clear_km
    return {
        "warm_ups": picture.warm_ups_since_clear,
        "miles": None if km is None else km / KM_PER_MILE,
        "minutes": picture.minutes_since_clear_min,
    }


def permanent(
    program: Program, model_year: int, picture: Picture, since: Mapping[Counter, float | None]
) -> Finding | Reason | None:
    """Permanent codes of the model years for which they count, with their waiver."""
    rule = program.permanent_codes
    if rule is None or model_year < rule.from_model_year:
        return None
    found = picture.codes("permanent")
    if found is not None and not found:
        return None
    waived, shown = _waived(rule, picture, since)
    if found is None:
        if waived:
            return None
        text = "Permanent codes were not answered, and the program counts them."
        reason = cited_reason(text, f"service 0A not answered; {shown}", rule)
        return Finding(Outcome.CANNOT_TELL, reason, "reading")
    listed = ", ".join(sorted(found))
    fact = f"permanent {listed}; {shown}"
    waiver = rule.waiver
    if waived and waiver is not None:
        text = f"Permanent codes {listed} are ignored: {shown}, with the lamp off."
        return cited_reason(text, fact, waiver)
    if waived is None and waiver is not None:
        text = (
            f"Permanent codes {listed} count unless there were {waiver.warm_ups} warm-ups and "
            f"{waiver.miles} miles since codes were cleared: {shown}."
        )
        return Finding(Outcome.CANNOT_TELL, cited_reason(text, fact, waiver), "reading")
    text = f"Permanent codes are stored: {listed} ({shown})."
    return Finding(Outcome.WOULD_FAIL, cited_reason(text, fact, rule))


def _waived(
    rule: PermanentCodes, picture: Picture, since: Mapping[Counter, float | None]
) -> tuple[bool | None, str]:
    """Whether the waiver holds (None: cannot be told), and the counters in words."""
    warm_ups, miles = since["warm_ups"], since["miles"]
    shown = f"{_whole(warm_ups)} warm-ups and {_whole(miles)} miles since codes cleared"
    waiver = rule.waiver
    if waiver is None or picture.mil():
        return False, shown
    enough = (
        None if warm_ups is None else warm_ups >= waiver.warm_ups,
        None if miles is None else miles >= waiver.miles,
    )
    if False in enough:
        return False, shown
    return (None if None in enough else True), shown


def _whole(value: float | None) -> str:
    return "an unknown number of" if value is None else f"{int(value)}"


def operation(
    program: Program, picture: Picture, since: Mapping[Counter, float | None]
) -> Finding | Reason | None:
    """The least operation since codes were cleared; the first counter that is reported decides."""
    rules = program.operation_since_clear
    if not rules:
        return None
    found = picture.codes("permanent")
    for rule in rules:
        value = since[rule.counter]
        if value is None:
            continue
        word = COUNTER_WORDS[rule.counter]
        fact = f"{int(value)} {word} since codes cleared"
        needed = rule.with_permanent_code if found else rule.at_least
        why = " with a permanent code" if found else ""
        if value < needed:
            text = f"{int(value)} {word} since codes were cleared; {needed} are needed{why}."
            return Finding(Outcome.NOT_READY, cited_reason(text, fact, rule))
        if found is None and value < rule.with_permanent_code:
            text = (
                f"{int(value)} {word} since codes were cleared: enough without a permanent code, "
                f"not with one ({rule.with_permanent_code}), and permanent codes were not answered."
            )
            return Finding(Outcome.CANNOT_TELL, cited_reason(text, fact, rule), "reading")
        text = f"{int(value)} {word} since codes were cleared, {needed} are needed{why}."
        return cited_reason(text, fact, rule)
    text = "No counter since codes were cleared is reported, and the program asks for one."
    return Finding(Outcome.CANNOT_TELL, cited_reason(text, "no counter", rules[0]), "reading")
