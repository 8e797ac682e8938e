"""What a person saw of the lamp on a walk-around, against what the ECUs command.

A dark bulb or a wiring fault is found here before the inspector finds it: an inspection looks at
the lamp with the key on and the engine off, and, while it is commanded on, with the engine running
(40 CFR 85.2207(b), A; 85.2222(d)(4), A* for the check).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

COMPARABLE_WITHIN = timedelta(hours=24)
"""How far a look and a reading may lie apart to be set against each other (modelling choice)."""


@dataclass(frozen=True, slots=True)
class ObservedLamp:
    """One walk-around entry. `at` is aware; None means that nobody looked at that moment.

    `lit_at_key_on`: with the key on and the engine off. `lit_while_running`: with the engine
    running, steady or flashing. `connector_works`: the data link connector is there, untampered
    and not loose. `by` is who looked; `id` is None until stored.
    """

    at: datetime
    lit_at_key_on: bool | None
    lit_while_running: bool | None
    by: str
    connector_works: bool | None = None
    id: int | None = field(default=None, compare=False)

    @property
    def empty(self) -> bool:
        """Whether nobody looked at anything."""
        seen = (self.lit_at_key_on, self.lit_while_running, self.connector_works)
        return all(one is None for one in seen)


class LampFinding(StrEnum):
    """What a look says beside the command. An entry may show more than one."""

    AGREES = "agrees"
    DARK_AT_KEY_ON = "dark_at_key_on"
    DARK_WHILE_COMMANDED = "dark_while_commanded"
    LIT_WHILE_RUNNING = "lit_while_running"
    """Seen lit with the engine running, and no later reading says that it went off."""
    LIT_UNCOMMANDED = "lit_uncommanded"
    """Seen lit although no ECU commands it: a wiring fault, or news since the reading."""
    NOT_COMPARABLE = "not_comparable"


def compare(
    observed: ObservedLamp, commanded: bool | None, read_at: datetime | None
) -> tuple[LampFinding, ...]:
    """Set a look against the command read at `read_at` (aware; None: never read).

    The bulb check needs no command. What was seen while running is set against the command only
    where both are within `COMPARABLE_WITHIN` of each other.
    """
    found: list[LampFinding] = []
    if observed.lit_at_key_on is False:
        found.append(LampFinding.DARK_AT_KEY_ON)
    running = observed.lit_while_running
    if running is None:
        return tuple(found)
    far = read_at is None or abs(observed.at - read_at) > COMPARABLE_WITHIN
    gone = far and commanded is False and read_at is not None and read_at > observed.at
    if running and not gone:
        found.append(LampFinding.LIT_WHILE_RUNNING)
    if commanded is None or far:
        found.append(LampFinding.NOT_COMPARABLE)
    elif commanded and not running:
        found.append(LampFinding.DARK_WHILE_COMMANDED)
    elif running and not commanded:
        found.append(LampFinding.LIT_UNCOMMANDED)
    else:
        found.append(LampFinding.AGREES)
    return tuple(found)
