"""From a batch off the wire to receipts: the one door between a subscriber and the store.

Acknowledgements follow the order of arrival (MQTT 3.1.1, MQTT-4.6.0-2), so a message that is put
off would hold up all behind it. What is above a gateway's allowance is therefore committed as it
came, which is cheap, and acknowledged; it is read, folded and receipted when nothing else is
waiting, and never slower than the allowance. A gateway's own order is kept: while some of its
messages wait, the next ones join the line.
"""

from __future__ import annotations

import re
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

from gateway import contract
from ingest.arrival import Arrival
from ingest.clock import Clock
from ingest.domain.rate_limit import REPORTS_A_SECOND, RateLimit
from ingest.handlers import FoldMemory, Outcome, receipts_for, store_batch
from ingest.lanes import ONE_LANE, Lane
from ingest.metrics import Metrics
from ingest.store.database import is_trouble, read, write
from ingest.store.held_back import Held, hold_back, let_go, oldest_of, waiting_of
from ingest.store.lane_record import refuse_other_lanes
from ingest.store.times import from_ms, to_ms
from ingest.subscriber import Outgoing, StoreTrouble

if TYPE_CHECKING:
    from sqlalchemy import Engine

STORE_WAIT_S = 15.0
"""How long a batch waits for the one before; longer than the database's own wait for a lock."""
STUCK_S = 300.0
"""A batch that takes longer will not come back: many times what the longest refold takes."""
AT_ONCE = 100
"""Waiting messages stored in one go: what a message that comes meanwhile has to wait for."""
NAMED_S = 60.0
"""How long receipts name what was set aside; a gateway sends what is not receipted after that."""
_Result = TypeVar("_Result")
_ANY_SHARD = re.compile(rf"{contract.ROOT}/[0-9a-f]{{2}}/([a-z0-9][a-z0-9-]{{0,31}})/\w+")


def _sender(topic: str) -> str | None:
    """Whose allowance a message counts against, also in a wrong shard; None where no one's is."""
    try:
        return contract.parse_topic(topic).gateway
    except contract.ContractError:
        match = _ANY_SHARD.fullmatch(topic)
        return match[1] if match else None


class Intake:
    """Stores what arrived. Callable from any thread: one batch at a time."""

    def __init__(
        self,
        engine: Engine,
        clock: Clock,
        metrics: Metrics,
        *,
        lane: Lane = ONE_LANE,
        limit: RateLimit | None = None,
        seconds: Callable[[], float] = time.monotonic,
        on_stuck: Callable[[str], None] = lambda _: None,
    ) -> None:
        """`on_stuck` is told of a batch that will not come back: no other one can be stored."""
        self._engine, self._clock, self._metrics = engine, clock, metrics
        self._lane, self._limit, self._seconds = lane, limit or RateLimit(), seconds
        self._on_stuck = on_stuck
        self._storing, self._begun_s = threading.Lock(), 0.0
        self._memory = FoldMemory()
        self._line: dict[str, None] | None = None  # who waits, in order; None: not asked yet
        self._due_s = 0.0
        self._set_aside: dict[str, float] = {}

    def store(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        """Commit a batch; return the receipts to send. Raises `StoreTrouble`."""
        return self._alone(lambda: self._take(batch))

    def catch_up(self) -> Sequence[Outgoing] | None:
        """Store some of what waits, now that there is time; None where nothing waits.

        Returns the receipts to send. Raises `StoreTrouble`.
        """
        if self._line is not None and not self._line:
            return None
        return self._alone(lambda: self._turn(AT_ONCE))

    def confirm_lane(self) -> None:
        """Raise `LanesDiffer` where the lanes were changed meanwhile, `StoreTrouble` as ever."""
        self._alone(lambda: refuse_other_lanes(self._engine, self._lane))

    def _alone(self, work: Callable[[], _Result]) -> _Result:
        # A write that is stuck is never doubled: whoever took over waits for its end.
        if not self._storing.acquire(timeout=STORE_WAIT_S):
            stuck_s = self._seconds() - self._begun_s
            words = f"the batch before has not come back for {stuck_s:.0f} s"
            self._metrics.database_trouble(words)
            if stuck_s > STUCK_S:
                self._on_stuck(words)
            raise StoreTrouble(words)
        self._begun_s = self._seconds()
        try:
            return work()
        except Exception as error:
            if not is_trouble(error):
                raise
            self._metrics.database_trouble(str(error))
            raise StoreTrouble(str(error)) from error
        finally:
            self._storing.release()

    def _take(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        line, now_s = self._known_line(), self._seconds()
        within: list[Arrival] = []
        above: list[Held] = []
        joining: dict[str, None] = {}
        for one in batch:
            name = _sender(one.topic)
            if name is None or (
                name not in line and name not in joining and self._limit.take(name, now_s)
            ):
                within.append(one)
                continue
            joining[name] = None
            shard = int(one.topic.split("/")[2], 16) % contract.SHARDS
            at = to_ms(one.received_at)
            above.append(Held(name, shard, one.topic, one.body, one.retained, at))
        receipts = list(self._commit(within))
        if above:
            with write(self._engine) as connection:
                new = hold_back(connection, above)
            if not line:
                self._due_s = now_s + 1 / REPORTS_A_SECOND
            line.update(joining)
            self._metrics.held_back(new, again=len(above) - new)
        if line and now_s >= self._due_s:  # however much others send
            self._due_s = now_s + 1 / REPORTS_A_SECOND
            receipts += self._turn(min(len(line), AT_ONCE))
        return receipts

    def _known_line(self) -> dict[str, None]:
        if self._line is None:
            with read(self._engine) as connection:
                self._line = dict.fromkeys(sorted(waiting_of(connection, self._lane.has)))
        return self._line

    def _turn(self, count: int) -> Sequence[Outgoing]:
        """Store the oldest messages in line, the same share of each gateway."""
        line = self._known_line()
        if not line:
            return []
        chosen = list(line)[:count]
        share = max(1, count // len(chosen))
        with read(self._engine) as connection:
            held = oldest_of(connection, chosen, share)
        receipts = self._commit(
            [Arrival(one.topic, one.body, from_ms(one.received_at), one.retained) for one in held]
        )
        if held:
            with write(self._engine) as connection:
                let_go(connection, held)
        taken = Counter(one.gateway for one in held)
        for name in chosen:
            del line[name]
            if taken[name] == share:
                line[name] = None
        return receipts

    def _aside(self, outcomes: Sequence[Outcome]) -> set[str]:
        """The gateways of which something was set aside lately; a receipt may have been lost."""
        now_s = self._seconds()
        self._set_aside |= {o.gateway: now_s for o in outcomes if o.gateway and o.status == "aside"}
        for name in [one for one, at in self._set_aside.items() if now_s - at > NAMED_S]:
            del self._set_aside[name]
        return set(self._set_aside)

    def _commit(self, batch: Sequence[Arrival]) -> Sequence[Outgoing]:
        if not batch:
            return []
        begun = time.monotonic()
        outcomes = store_batch(self._engine, batch, self._memory)
        committed, seconds = self._clock.now(), time.monotonic() - begun
        gateways = {o.gateway for o in outcomes if o.gateway and o.status != "presence"}
        receipts = receipts_for(self._engine, gateways, self._clock.now(), self._aside(outcomes))
        statuses, arrived = [o.status for o in outcomes], [one.received_at for one in batch]
        self._metrics.committed(statuses, arrived, committed, seconds, len(receipts))
        return [
            (contract.topic(receipt.gateway, "receipt"), contract.encode(receipt))
            for receipt in receipts
        ]
