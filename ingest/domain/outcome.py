"""The words of a verdict: what is expected, and the reasons that lead there.

Never worded as an official result: a gateway sees neither the lamp nor the connector. The classes
are msgspec's: frozen dataclasses made a verdict a fifth slower (tests/bench/bench_verdicts.py).
"""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import Literal

import msgspec

from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.citation import Cited
from ingest.domain.observed_lamp import LampFinding

LAMP_NAME = "MIL (check engine)"
Missing = Literal["", "reading", "rule", "list"]
"""What would have to be known to tell: a fresh reading, the rule itself, or the vehicle list."""


class Outcome(StrEnum):
    """What an inspection station would be expected to find."""

    WOULD_PASS = "would_pass"  # noqa: S105 - an outcome, no password
    WOULD_FAIL = "would_fail"
    NOT_READY = "not_ready"
    CANNOT_TELL = "cannot_tell"


OUTCOME_TEXT = MappingProxyType({outcome: outcome.value.replace("_", " ") for outcome in Outcome})
"""The words on screen."""


class Reason(msgspec.Struct, frozen=True):
    """Why: a sentence for the screen, the fact behind it, and the rule with clause and tag.

    `edition` is that of the rule as read; `note` what of it is less sure, or disputed.
    """

    text: str
    fact: str
    rule: str
    clause: str
    tag: str
    edition: str = ""
    note: str = ""


class Finding(msgspec.Struct, frozen=True):
    """One rule applied: what it alone would lead to. `missing` only for CANNOT_TELL.

    `first`: what it leaves open outranks the count of monitors.
    """

    outcome: Outcome
    reason: Reason
    missing: Missing = ""
    first: bool = False


class Verdict(msgspec.Struct, frozen=True):
    """The expected result. `program_word` is the program's own word for it ('' if none).

    Reasons stand in order: those that decide first. `incomplete` are the counted monitors not
    complete. `spare` = how many more may be not complete, negative when too many; None when that
    cannot be counted; where a program names the monitors (`allowed_monitors`), only those count
    as spare. `in_scope` is False where the program does not cover the vehicle, or exempts it
    altogether; `exempt` is True where no periodic test is asked of it. `retest` says that it was
    judged as the test after a failure. `observed` is what a look at the lamp showed;
    `check_by_eye` is still to be looked at, `seen_by_eye` was.
    """

    outcome: Outcome
    program_word: str
    reasons: tuple[Reason, ...]
    check_by_eye: tuple[str, ...]
    incomplete: tuple[Monitor, ...] = ()
    allowed_incomplete: int | None = None
    spare: int | None = None
    in_scope: bool = True
    exempt: bool = False
    retest: bool = False
    missing: Missing = ""
    allowed_monitors: tuple[Monitor, ...] = ()
    observed: tuple[LampFinding, ...] = ()
    seen_by_eye: tuple[str, ...] = ()


def cited_reason(text: str, fact: str, cited: Cited) -> Reason:
    """A reason from a cited value; a source 'rule: clause' is split at its first colon and space.

    'N.J.A.C. 7:27B-5.6' has a colon of its own, without a space.
    """
    rule, _, clause = cited.source.partition(": ")
    return Reason(
        text, fact, rule, clause or cited.edition, cited.tag, cited.edition, cited.note or ""
    )


def our_reason(text: str, fact: str) -> Reason:
    """A reason that rests on no rule but on a choice of this project."""
    return Reason(text, fact, "This project", "modelling choice", "X", "version 1")


def names(monitors: tuple[Monitor, ...]) -> str:
    """The full names of monitors, in their order."""
    return ", ".join(FULL_NAMES[monitor] for monitor in monitors)


def plural(count: int, one: str) -> str:
    """'1 monitor', '2 monitors'."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"


def margin_words(verdict: Verdict) -> str | None:
    """How many monitors there are to spare; None where nothing could be counted."""
    if verdict.spare is None or verdict.allowed_incomplete is None:
        return None
    found = plural(len(verdict.incomplete), "monitor")
    if verdict.allowed_monitors:
        may = f"only {names(verdict.allowed_monitors)} may be"
    elif verdict.allowed_incomplete:
        may = f"{verdict.allowed_incomplete} may be"
    else:
        may = "none may be"
    if verdict.spare < 0:
        left = f"{-verdict.spare} too many"
    else:
        left = f"{verdict.spare or 'none'} to spare"
    return f"{found} not complete, {may}: {left}."
