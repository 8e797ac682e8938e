"""A parked vehicle is never kept awake: when the gateway may send again after key-off (pure).

On a bus that sleeps nothing is ever sent. Somebody at the key wakes it, and only that is a reason
to ask once whether the ECUs answer. A door or an alarm wakes it too: then one more request now
and then, further and further apart, until it sleeps again. Limits: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

TRIES_S = (0.0, 10.0, 30.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3840.0)
"""When to ask on a bus that is awake, counted from its waking; then every `LATER_S`. Requests this
far apart keep no bus awake that would go to sleep within minutes of the last one."""
LATER_S = 3600.0
MOST_IN_VAIN = 4
"""Requests to a bus on which something else is spoken, each time it wakes (engineering choice). Not
for ever, since a gateway may have heard the body's J1939 alone before the engine's ECU was there;
not again and again, since it will hardly ever answer."""
_AFTER_KEY_OFF = 3
"""Asks are this far down the list on a bus that stays awake of itself after key-off."""
LOW_VOLTAGE_S = 30.0
"""How long the voltage must be low: cranking pulls it down for some seconds (common practice)."""


@dataclass(slots=True)
class Parking:
    """What is known of a parked vehicle: since when its bus is awake, how often we asked, its soak.

    A bus that somebody woke is asked at once. One that stays awake of itself after key-off is
    left alone for a minute, then asked once in a while: the next start may come before it sleeps.
    """

    _woke_s: float | None = None
    _off_since_s: float | None = None
    tries: int = 0
    start_seen: bool = True
    """False where the ignition may have come on while nothing might be asked."""

    def key_off(self, now_s: float, off_since_s: float) -> None:
        """The ignition went off at `off_since_s`; the bus may stay awake for a while of itself."""
        self._woke_s, self._off_since_s, self.tries = now_s, off_since_s, _AFTER_KEY_OFF

    def soak_s(self, now_s: float) -> float | None:
        """How long the vehicle has stood with its ignition off, None where that is not known."""
        return None if self._off_since_s is None else now_s - self._off_since_s

    def overhear(self, traffic: bool, now_s: float) -> None:
        """Take what was heard while nothing might be asked.

        A bus that is awake then may have been woken by the key: from there on nobody knows how
        long the vehicle stood, nor, until an ECU was asked in vain, whether the ignition is on.
        """
        self._hear(traffic, now_s)
        if traffic:
            self._off_since_s, self.start_seen = None, False

    def unanswered(self) -> None:
        """The request went unanswered: the ignition is off."""
        self.start_seen = True

    def may_ask(self, traffic: bool, now_s: float, *, in_vain: bool = False) -> bool:
        """Whether one request may be sent now; call it on every look.

        `traffic` is whether frames of others were heard within the last seconds: on a bus that
        sleeps nothing is ever sent. `in_vain` says that something else than SAE J1979 is spoken
        there: after `MOST_IN_VAIN` requests nothing more is asked until the bus has slept.
        """
        self._hear(traffic, now_s)
        if self._woke_s is None or (in_vain and self.tries >= MOST_IN_VAIN):
            return False
        beyond = self.tries - len(TRIES_S) + 1
        due = TRIES_S[self.tries] if beyond <= 0 else TRIES_S[-1] + beyond * LATER_S
        if now_s - self._woke_s < due:
            return False
        self.tries += 1
        return True

    def _hear(self, traffic: bool, now_s: float) -> None:
        if not traffic:
            self._woke_s, self.tries, self.start_seen = None, 0, True
        elif self._woke_s is None:
            self._woke_s = now_s


@dataclass(slots=True)
class LowVoltage:
    """Whether the battery must be spared: below `stop_below_v` for `LOW_VOLTAGE_S`."""

    stop_below_v: float
    _since_s: float | None = None

    def note(self, module_v: float | None, now_s: float) -> bool:
        """Take one measurement, None when there was none; True when the gateway must stop."""
        if module_v is None:
            return False
        if module_v >= self.stop_below_v:
            self._since_s = None
            return False
        if self._since_s is None:
            self._since_s = now_s
        return now_s - self._since_s >= LOW_VOLTAGE_S
