"""What a gateway cannot see: which of it a fresh walk-around has answered, and what is left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from ingest.domain.observed_lamp import LampFinding, ObservedLamp
from ingest.domain.program_codes import EyeCheck
from ingest.domain.us_days import us_day

HYBRID = (
    "Hybrid: the engine may stand still in the ready state, so look at the lamp again once it runs "
    "(from memory)."
)
_FAR = "looked at, but too far from the last reading to be set against the command: look again"


class Eyes(NamedTuple):
    """What is still to be looked at, and what was, with when and by whom."""

    left: tuple[str, ...]
    answered: tuple[str, ...]


def eyes(
    checks: Sequence[EyeCheck],
    hybrid: bool,
    look: ObservedLamp | None,
    found: Sequence[LampFinding] = (),
    against_command: bool = True,
) -> Eyes:
    """Split a program's checks by a look that is fresh (None: there is none).

    What was seen bad is answered too: it is a reason of the verdict then. Where a program wants
    the lamp set against the command (`against_command`), look and reading must lie close together.
    """
    if look is None:
        every = [row.value for row in checks]
        return Eyes((*every, HYBRID) if hybrid else tuple(every), ())
    left: list[str] = []
    answered: list[str] = []
    for row in checks:
        seen = None if row.look is None else _SEEN[row.look](look)
        if seen is None:
            left.append(row.value)
        elif row.look == "running" and against_command and LampFinding.NOT_COMPARABLE in found:
            left.append(f"{row.value[:-1]} ({_FAR}).")
        else:
            word = "yes" if seen else "no"
            answered.append(f"{_ASKED[row.look or 'key_on']}: {word}. {_by(look)}")
    if hybrid and look.lit_while_running is None:
        left.append(HYBRID)
    return Eyes(tuple(left), tuple(answered))


_SEEN = {
    "key_on": lambda look: look.lit_at_key_on,
    "running": lambda look: look.lit_while_running,
    "connector": lambda look: look.connector_works,
}
_ASKED = {
    "key_on": "Lamp lit with the key on and the engine off",
    "running": "Lamp lit with the engine running",
    "connector": "Data link connector present, untampered and working",
}


def _by(look: ObservedLamp) -> str:
    return f"Seen {us_day(look.at.date())} by {look.by}."
