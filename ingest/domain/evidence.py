"""What a vehicle's own past says of a monitor: completions over driving cycles, and the wait.

From the in-use counters where the vehicle gives them (completions over ignition cycles; they
survive a clear: 13 CCR 1968.2 (d)(5), from memory), else from the waits that its gateway saw.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gateway.facts import IN_USE_MONITORS, Monitor
from ingest.domain.completion import Beta
from ingest.domain.episodes import Episode
from ingest.domain.picture import Picture

MOST_CYCLES = 200
"""At most so many of the vehicle's own driving cycles count: habits and parts change (X)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """`done` completions in `cycles` driving cycles before the present wait, and whence."""

    done: float
    cycles: float
    basis: str = "nothing of its own"

    def chance(self, prior: Beta, waited: float, most: float = MOST_CYCLES) -> Beta:
        """The chance per driving cycle after this and `waited` driving cycles without it."""
        weight = min(1.0, most / self.cycles) if self.cycles else 1.0
        return prior.after(self.done * weight, self.cycles * weight).after(0.0, waited)


def counted(monitor: Monitor, picture: Picture, waited: int) -> Evidence | None:
    """What the in-use counters say; None where the vehicle gives none for the monitor.

    Of several ratios (banks, ECUs) the lowest counts, since all have to complete. A pair that
    stands at zero in both is a bank or monitor the ECU does not have (SAE J1979 info type 08: fixed
    places, zero where not supported; from memory).
    """
    seen = []
    for ecu in picture.ecus.values():
        counters = ecu.in_use_counters or {}
        starts = counters.get("ignition_cycles", 0)
        for name, other in IN_USE_MONITORS.items():
            done = counters.get(f"{name}_completions")
            in_use = bool(done) or counters.get(f"{name}_conditions") != 0
            if other is monitor and done is not None and in_use and starts > waited:
                before = starts - waited
                seen.append((min(done, before), before))
    if not seen:
        return None
    done, cycles = min(seen, key=lambda one: one[0] / one[1])
    return Evidence(done, cycles, f"its in-use counters: {done} of {cycles} driving cycles")


def seen_waits(monitor: Monitor, events: Iterable[Episode]) -> Evidence:
    """What the gateway saw: earlier waits that ended, and the driving cycles that each took."""
    took = [
        max(1, int(one.details.get("driving_cycles", 1)))
        for one in events
        if one.kind == "not_complete" and one.subject == monitor.value and one.ended_at is not None
    ]
    if not took:
        return Evidence(0.0, 0.0)
    return Evidence(len(took), sum(took), f"{len(took)} earlier waits, {sum(took)} driving cycles")
