"""From the bus into the outbox: takes readings of one vehicle and stores them as reports."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from gateway import contract
from gateway.bus_port import Bus, LampNews
from gateway.keeping import Keeper
from gateway.outbox import Outbox, OutboxFull
from gateway.protocol.plausibility import STUCK_READINGS, implausible
from gateway.protocol.session import Depth, ReadResult, read_vehicle
from gateway.sampling import Extras, Moment, NoReading, Reading, Sender, build_reports, news
from gateway.wall_clock import Clock, ClockWatch

FULL_EVERY_S = 86_400.0
"""How often everything is read: freeze frames, test results, in-use counters."""

log = logging.getLogger(__name__)


class Readings:
    """Asks through `bus` and keeps in the outbox what was answered, overheard or declined."""

    def __init__(
        self,
        gateway_id: str,
        bus: Bus,
        outbox: Outbox,
        clock: Clock,
        offset_ms: Callable[[], int | None],
    ) -> None:
        """`offset_ms` is how far our clock is off by the last receipt, None where unknown."""
        self._bus, self._outbox, self._clock = bus, outbox, clock
        self._keeper = Keeper(outbox)
        self._sender = Sender(gateway_id, outbox.journal, outbox.journal_created_at, outbox.boot_no)
        self._offset_ms, self._watch, self._lamps = offset_ms, ClockWatch(), LampNews()
        self._earlier: deque[dict[str, float]] = deque(maxlen=STUCK_READINGS)
        self._soak_s: float | None = None
        self._full_due_s = float("-inf")
        self.last: ReadResult | None = None
        """The last reading that any ECU answered."""

    @property
    def full_due(self) -> bool:
        """Whether it is time to read everything again."""
        return self._clock.seconds() >= self._full_due_s

    def begin_cycle(self, soak_s: float | None) -> None:
        """Readings that follow belong to a new driving cycle after so long a stand."""
        self._earlier.clear()
        self._soak_s = soak_s

    # -- what the vehicle answers -------------------------------------------------------------

    def take(
        self, reason: contract.Reason, ask_id: str | None = None, *, anew: bool = False
    ) -> list[int]:
        """Read the vehicle now and store the reports; return their seqs.

        A periodic or asked reading that shows a lamp, code, monitor or clear anew is reported
        as `change`, which a full outbox never drops.
        """
        moment = self.moment()
        result, fresh = self.read("full" if reason == "full" else "usual", anew=anew)
        if fresh and reason in ("periodic", "ask"):
            reason = "change"
        return self.keep(result, reason, moment, Extras(ask_id=ask_id))

    def read(self, depth: Depth = "usual", *, anew: bool = False) -> tuple[ReadResult, bool]:
        """Return what the vehicle answers, and whether it is news; nothing is stored.

        `anew` asks too what never changes of itself: support, VIN, calibrations.
        """
        full = depth == "full"
        static = None if full or anew else self.last
        result = read_vehicle(self._bus.ask, want_evidence=full, static=static, depth=depth)
        for fault in result.faults:
            log.warning("vehicle: %s", fault)
        fresh = self.last is not None and news(self.last, result)
        if result.ecus:
            self.last = result
        if full:
            self._full_due_s = self._clock.seconds() + FULL_EVERY_S
        return result, fresh

    def keep(
        self, result: ReadResult, reason: contract.Reason, moment: Moment, extras: Extras
    ) -> list[int]:
        """Store what was read at `moment`, with what makes no sense in it."""
        return self._store(result, reason, moment, self._judged(result, extras))

    def _judged(self, result: ReadResult, extras: Extras) -> Extras:
        """Add what makes no sense in a reading, and what speaks on the bus."""
        values: dict[str, float] = {**result.values, **result.live}
        odd = implausible(values, tuple(self._earlier), self._soak_s)
        self._earlier.append(values)
        return replace(extras, heard=self._bus.heard, implausible=odd[:64])

    # -- what is told without asking ----------------------------------------------------------

    def overhear_lamps(self) -> None:
        """Report J1939 lamps that were broadcast and are news; nothing is asked for that."""
        self._lamps.hear(self._bus.take_broadcasts())
        if self._lamps.news():
            self.tell("change", Extras(heard=self._bus.heard))

    def tell(
        self, reason: contract.Reason, extras: Extras, moment: Moment | None = None
    ) -> list[int]:
        """Store a report without ECU data, taken now where no `moment` is given."""
        reading = NoReading(vin=None if self.last is None else self.last.vin)
        return self._store(reading, reason, moment or self.moment(), extras)

    # -- into the outbox ----------------------------------------------------------------------

    def _store(
        self, reading: Reading, reason: contract.Reason, moment: Moment, extras: Extras
    ) -> list[int]:
        lamps = self._lamps.news()
        extras = replace(extras, lamp_broadcasts=lamps)

        def build(seq: int, dropped: list[list[int]]) -> list[contract.Report]:
            return build_reports(self._sender, reading, reason, moment, seq, dropped, extras)

        seqs = self._keeper.keep(build, reason)
        self._lamps.told(lamps)
        return seqs

    def keep_cycle(self, text: str) -> None:
        """Keep a driving cycle under way; a disk that takes nothing costs no more than that."""
        try:
            self._outbox.keep_cycle(text)
        except (OSError, OutboxFull) as error:
            log.warning("the driving cycle is not kept: %s", error)

    def retry(self) -> None:
        """Store what waits for room on the disk; raises `OutboxFull` while there is none."""
        self._keeper.retry()

    def moment(self) -> Moment:
        """Now, with how far the wall clock is to be believed."""
        return self._watch.judge(self._clock.moment(), self._offset_ms())
