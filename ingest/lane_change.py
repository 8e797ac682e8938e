"""`python -m ingest lanes N`: another number of lanes, with nothing lost on the way.

The new sessions subscribe before the old ones are emptied, so that every report stands in one of
them or in both; what comes by both is stored once, by its key. Then each old session is taken over
under its own name, emptied by the usual way (commit, then acknowledge), and cleared (clean session,
MQTT 3.1.1, section 3.1.2.4). Cut short, the change is done again: until it is ended no lane starts.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

from ingest.clock import Clock
from ingest.config import BrokerAddress, Site
from ingest.intake import Intake
from ingest.lanes import Lane, all_lanes
from ingest.metrics import Metrics
from ingest.store.database import read, write
from ingest.store.lane_record import begin_change, end_change, lane_record
from ingest.subscriber import BrokerNotThere, Subscriber
from ingest.visit import Visit, enter_session

if TYPE_CHECKING:
    from sqlalchemy import Engine

log = logging.getLogger(__name__)

LISTEN_S = 1.0
"""A running lane that was pushed off is back within its first back-off, 0.2 s."""
ASK_EVERY_S = 0.1
ANSWERS = 3
FEW = 8
"""Fewer than any broker's window of unacknowledged messages (20 in Mosquitto, when not set)."""
DRAIN_LIMIT_S = 3600.0
"""How long one session may take to run dry: a night's backlog at a thousand reports a second."""


class LanesBusy(Exception):
    """A lane is still served, or several lanes have one name; nothing was cleared."""


def change_lanes(
    engine: Engine,
    broker: BrokerAddress,
    site: Site,
    clock: Clock,
    lanes: int,
    *,
    drain_limit_s: float = DRAIN_LIMIT_S,
    tell: Callable[[str], None] = lambda _: None,
) -> int:
    """Make it `lanes` lanes; return how many messages the old sessions still held.

    No lane may run meanwhile. Raises `LanesBusy`, and `BrokerNotThere` where the broker is away.
    """
    with read(engine) as connection:
        record = lane_record(connection)
    before = {record.lanes, record.changing_to or record.lanes} - {lanes}
    old = [lane for number in sorted(before) for lane in all_lanes(number)]
    new = all_lanes(lanes)
    if not old:
        with write(engine) as connection:
            end_change(connection, lanes)
        return 0
    with ExitStack() as stack:
        visits = {lane: _enter(stack, broker, site, lane) for lane in (*old, *new)}
        _listen(visits)
        with write(engine) as connection:
            begin_change(connection, lanes)
        for lane in new:
            visits[lane].subscribe(lane.filters())
            tell(f"lane {lane} is subscribed")
    intake = Intake(engine, clock, Metrics())
    drained = 0
    for lane in old:
        count = _drain(intake, broker, site, clock, lane, drain_limit_s)
        drained += count
        tell(f"lane {lane}: {count} messages stored, empty")
    for lane in old:
        enter_session(broker, site.tls_of(lane), lane.client_name, clean=True).leave()
    with write(engine) as connection:
        end_change(connection, lanes)
    return drained


def _enter(stack: ExitStack, broker: BrokerAddress, site: Site, lane: Lane) -> Visit:
    visit = enter_session(broker, site.tls_of(lane), lane.client_name)
    stack.callback(visit.leave)
    return visit


def _listen(visits: dict[Lane, Visit]) -> None:
    """All sessions held at once: whoever is pushed off shares its name with somebody."""
    end = time.monotonic() + LISTEN_S
    while time.monotonic() < end:
        for visit in visits.values():
            visit.linger(0.01)
    lost = [str(lane) for lane, visit in visits.items() if not visit.connected]
    if lost:
        raise LanesBusy(
            f"the broker gave the session of lane {', '.join(lost)} to somebody else: stop every "
            "`python -m ingest run` first; and where the broker goes by the certificate's name, "
            "each lane needs a certificate of its own (`{lane}` in site.toml, broker_tls)"
        )


class _Drain:
    """Tells when an old session is empty, by the broker's answers.

    A broker that has more than its window holds sends a whole window ahead of its answer. So a few
    messages, three times: what was queued before the new lanes subscribed is stored. Only then are
    the topics left, for a broker need not deliver what is still queued at that (section 3.10.4);
    what it holds back now stands in a new session as well. Then nothing, three times.
    """

    def __init__(
        self, intake: Intake, broker: BrokerAddress, site: Site, clock: Clock, lane: Lane
    ) -> None:
        self.subscriber = Subscriber(
            broker, intake.store, clock.now, tls=site.tls_of(lane), lane=lane,
            on_answer=self._answered, ping_every_s=ASK_EVERY_S,
        )  # fmt: skip
        self.empty = threading.Event()
        self._in_a_row, self._left = 0, False

    def _answered(self, before: int) -> None:
        self._in_a_row = self._in_a_row + 1 if before <= (0 if self._left else FEW) else 0
        if self._in_a_row < ANSWERS:
            return
        if self._left:
            self.empty.set()
        else:
            self.subscriber.leave_topics()
            self._in_a_row, self._left = 0, True


def _drain(
    intake: Intake, broker: BrokerAddress, site: Site, clock: Clock, lane: Lane, limit_s: float
) -> int:
    """Serve an old session until it is empty; return how many messages were stored."""
    drain, stop = _Drain(intake, broker, site, clock, lane), threading.Event()
    subscriber = drain.subscriber
    worker = threading.Thread(target=subscriber.run, args=(stop,), name=f"drain {lane}")
    worker.start()
    end = time.monotonic() + limit_s
    try:
        while not drain.empty.wait(ASK_EVERY_S / 2):
            if subscriber.connections > 1:
                raise LanesBusy(
                    f"the session of lane {lane} was taken away, or the broker or database went: "
                    "see to it that no lane runs, then give the command again; nothing was cleared"
                )
            if not worker.is_alive() or time.monotonic() > end:
                raise BrokerNotThere(f"lane {lane} is not empty after {limit_s:.0f} s")
    finally:
        stop.set()
        worker.join()
    return subscriber.committed


def lanes_in_words(lanes: Sequence[Lane]) -> str:
    """What to start for these lanes."""
    return "\n".join(f"python -m ingest run --lane {lane} --broker ..." for lane in lanes)
