"""A store under everything that may happen to it, beside a model that is a few sets.

The model knows which reports are committed and which alerts were acknowledged; all else is asked
of the store and compared with what it would be if everything were folded afresh.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from sqlalchemy import Engine, event, select

from gateway import contract
from gateway.contract import Report
from gateway.facts import Monitor
from ingest import commands, handlers, queries
from ingest.arrival import Arrival
from ingest.domain.alerts import ACKNOWLEDGE, RECUR, STANDING, AlertState, step
from ingest.handlers import FoldMemory
from ingest.store.database import open_database, read
from ingest.store.schema import alert, alert_event, report
from tests.support.histories import Kept
from tests.support.reports import START, ecu, gateway_name, load, opened, vehicle
from tests.support.reports import report as make
from tests.support.stored_keys import stored_keys

GATEWAYS = (1, 2)
MONITORS = (Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM)
MEANT = ("raised", "shelve")
"""Steps of an alert's life that leave its state as it is."""
Key = tuple[str, str, int]
Dice = st.randoms(use_true_random=False)
Numbers = st.sampled_from(GATEWAYS)


class Crash(BaseException):
    """The process is gone."""


class _Gateway:
    """One gateway and its vehicle as they really are."""

    def __init__(self, number: int) -> None:
        self.number, self.seq = number, 0
        self.lamp, self.pending = False, list[Monitor]()
        self.ahead = timedelta(0)
        self.unset = False
        self.km, self.cleared_km = 5000.0, 100.0

    def clear(self) -> None:
        """Codes erased: the lamp is off, monitors start again, counters too."""
        self.lamp, self.pending, self.cleared_km = False, list(MONITORS), self.km

    def read(self, dropped: bool) -> Report:
        """The next reading; `dropped` declares the sequence number before it as given up."""
        self.seq += 2 if dropped else 1
        self.km += 7
        codes = ["P0420"] if self.lamp else []
        now = START + timedelta(hours=self.seq) + self.ahead
        clock: dict[str, Any] = {"taken_at": contract.format_time(now)}
        if self.unset:
            clock = {"taken_at": None, "clock": "unset"}
        return make(
            self.number,
            self.seq,
            ecus={"7E8": ecu(mil=self.lamp, confirmed=codes, incomplete=tuple(self.pending))},
            odometer_km=self.km,
            distance_since_clear_km=self.km - self.cleared_km,
            **clock,
            **({"dropped": [[self.seq - 1, self.seq - 1]]} if dropped else {}),
        )


class StoreMachine(RuleBasedStateMachine):
    """Reports are written, delivered in any order and again; people and crashes come between."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="fleet-machine-"))
        self.engine = self._open(_template(), "0")
        self.memory = FoldMemory()
        self.crashes = 0
        self.gateways = {number: _Gateway(number) for number in GATEWAYS}
        self.written: list[Report] = []
        self.committed: dict[Key, str] = {}
        self.given_up: set[Key] = set()
        self.acknowledged: dict[int, int] = {}
        self.receipts: list[contract.Receipt] = []
        self.kept = Kept()
        self.now = START + timedelta(days=1)

    def _open(self, source: Path, name: str) -> Engine:
        """Open a copy of a store's files, as they lie on the disk."""
        place = self.folder / name
        shutil.copytree(source, place)
        return open_database(f"sqlite:///{place}/store.sqlite3")

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.engine.dispose()
        shutil.rmtree(self.folder)

    def _moment(self) -> datetime:
        self.now += timedelta(minutes=10)
        return self.now

    # ---------------------------------------------------------------- what vehicles do
    @initialize(dice=Dice)
    def begin(self, dice: random.Random) -> None:
        """Both vehicles have a past."""
        for number in GATEWAYS:
            self.readings(number, 10, dice)

    @rule(number=Numbers, count=st.integers(1, 10), dice=Dice)
    def readings(self, number: int, count: int, dice: random.Random) -> None:
        """A gateway takes readings, which wait to be delivered."""
        one = self.gateways[number]
        for _ in range(count):
            if dice.random() < 0.3:
                one.lamp = not one.lamp
            if dice.random() < 0.2:
                one.pending = one.pending[1:]
            self.written.append(one.read(dropped=dice.random() < 0.1))

    @rule(number=Numbers, hours=st.sampled_from((0, -3, 3, 87_672, -87_672)), unset=st.booleans())
    def clock_jump(self, number: int, hours: int, unset: bool) -> None:
        """A gateway's clock is set wrong, by up to ten years, or is not set at all."""
        self.gateways[number].ahead = timedelta(hours=hours)
        self.gateways[number].unset = unset

    @rule(number=Numbers)
    def clear(self, number: int) -> None:
        """Somebody clears the codes."""
        self.gateways[number].clear()

    # ---------------------------------------------------------------- what the network does
    @rule(count=st.integers(1, 12), dice=Dice, receipt_comes=st.booleans())
    def publish(self, count: int, dice: random.Random, receipt_comes: bool) -> None:
        """Readings arrive: late, early, in any order, some for the second or third time."""
        batch = self._batch(count, dice)
        fresh = self._commit(batch)
        said = self._store([_incoming(one, self._moment()) for one in batch])
        assert [one.status for one in said] == ["stored" if new else "duplicate" for new in fresh]
        if receipt_comes:
            self.receipts = self._receipts()

    def _store(self, items: Sequence[Arrival]) -> list[handlers.Outcome]:
        return handlers.store_batch(self.engine, items, self.memory)

    def _batch(self, count: int, dice: random.Random) -> list[Report]:
        """Mostly what never came yet, and again some that did."""
        new = [one for one in self.written if _key(one) not in self.committed]
        batch = dice.sample(new, min(count, len(new))) + dice.choices(
            self.written, k=count // 4 + 1
        )
        dice.shuffle(batch)
        return batch

    def _commit(self, batch: Sequence[Report]) -> list[bool]:
        """Enter a batch into the model; which of it is new."""
        fresh = []
        for one in batch:
            key = (one.gateway, one.journal, one.seq)
            fresh.append(key not in self.committed)
            self.committed[key] = contract.digest(contract.encode(one))
            for first, last in one.dropped or ():
                self.given_up |= {(one.gateway, one.journal, seq) for seq in range(first, last + 1)}
        return fresh

    @precondition(lambda self: self.committed)
    @rule(count=st.integers(1, 3), dice=Dice)
    def another_body(self, count: int, dice: random.Random) -> None:
        """A key that is committed comes with other bytes: the first stays."""
        known = [one for one in self.written if _key(one) in self.committed]
        stored = dice.choices(known, k=count)
        items = [_incoming(_altered(one), self._moment()) for one in stored]
        said = self._store(items)
        assert all(one.status == "aside" for one in said)

    # ---------------------------------------------------------------- what machines do
    @rule(count=st.integers(1, 12), dice=Dice, after_commit=st.booleans())
    def crash(self, count: int, dice: random.Random, after_commit: bool) -> None:
        """The process dies just before or after it commits a batch; another opens the files."""
        batch = self._batch(count, dice)
        items = [_incoming(one, self._moment()) for one in batch]
        self.crashes += 1
        image = self.folder / f"image-{self.crashes}"
        if after_commit:
            self._store(items)
            self._commit(batch)
            self._take_image(image)
        else:
            with self._image_before_commit(image):
                self._store(items)
        self.engine.dispose()
        self.engine, self.memory = self._open(image, f"after-{self.crashes}"), FoldMemory()

    def _take_image(self, image: Path) -> None:
        shutil.copytree(Path(str(self.engine.url.database)).parent, image)

    @contextmanager
    def _image_before_commit(self, image: Path) -> Iterator[None]:
        def die(_connection: object) -> None:
            self._take_image(image)
            raise Crash

        event.listen(self.engine, "commit", die)
        try:
            yield
        except Crash:
            return
        finally:
            event.remove(self.engine, "commit", die)
        raise AssertionError("nothing was committed")

    @rule()
    def refold(self) -> None:
        """Everything is folded again from the stored reports: nothing was different."""
        assert handlers.rebuild(self.engine, check=False, now=self.now).differences == ()

    @rule(days=st.integers(0, 40))
    def look_over_the_fleet(self, days: int) -> None:
        """Time passes, and what comes with it is looked for."""
        self.now += timedelta(days=days)
        handlers.sweep(self.engine, self.now)

    # ---------------------------------------------------------------- what people do
    @rule(choice=st.integers(0, 20))
    def acknowledge(self, choice: int) -> None:
        """A person acknowledges an alert that waits for it."""
        waiting = [
            one
            for one in queries.alerts(self.engine, self.now)
            if one.state in (AlertState.UNACKNOWLEDGED, AlertState.RETURNED)
        ]
        if not waiting:
            return
        one = sorted(waiting, key=lambda one: one.id)[choice % len(waiting)]
        commands.acknowledge_alert(
            self.engine, one.id, actor="a person", now=self._moment(),
            request_id=f"ack {self.now.isoformat()}", expected_version=one.version,
        )  # fmt: skip
        self.acknowledged[one.id] = self.acknowledged.get(one.id, 0) + 1

    # ---------------------------------------------------------------- what must hold
    @invariant()
    def what_is_stored_is_what_was_committed(self) -> None:
        """Every committed report with its own bytes, each once, and no other."""
        with read(self.engine) as connection:
            held = connection.execute(select(report.c.id, report.c.body))
            digests = {row_id: contract.digest(body) for row_id, body in held}
        rows = stored_keys(self.engine)
        assert {tuple(row)[:3]: digests[row.report_id] for row in rows} == self.committed
        assert len(rows) == len(digests) == len(self.committed)

    @invariant()
    def receipts_cover_only_what_is_committed(self) -> None:
        """Receipts of now say exactly what is committed; older ones never said more."""
        known = self.committed.keys() | self.given_up
        assert {key for one in self._receipts() for key in _covered(one)} == known
        assert {key for one in self.receipts for key in _covered(one)} <= known

    @invariant()
    def projections_are_what_a_whole_fold_gives(self) -> None:
        """States, current tables, events, driving cycles, lamp alerts."""
        assert handlers.rebuild(self.engine, check=True, now=self.now).differences == ()

    @invariant()
    def identities_are_kept(self) -> None:
        """No event is deleted, turned into another, or replaced while one overlaps it."""
        self.kept.look(self.engine)
        assert self.kept.broken == []

    @invariant()
    def acknowledgements_are_kept(self) -> None:
        """An alert's state is what its events lead to, and no acknowledgement is forgotten."""
        with read(self.engine) as connection:
            states = {row.id: AlertState(row.state) for row in connection.execute(select(alert))}
            steps = connection.execute(select(alert_event).order_by(alert_event.c.id)).all()
        for one, state in states.items():
            mine = [row.event for row in steps if row.alert_id == one]
            assert mine.count(ACKNOWLEDGE) == self.acknowledged.get(one, 0)
            assert mine[0] == "raised"
            assert state is _led_to(steps, one)
            last = max((n for n, name in enumerate(mine) if name == ACKNOWLEDGE), default=None)
            if last is not None and RECUR not in mine[last:]:
                assert state in (AlertState.ACKNOWLEDGED, AlertState.CLOSED)
        assert self.acknowledged.keys() <= states.keys()

    def _receipts(self) -> list[contract.Receipt]:
        names = [gateway_name(number) for number in GATEWAYS]
        return handlers.receipts_for(self.engine, names, self.now)


def _led_to(steps: Sequence[Any], one: int) -> AlertState:
    mine = [row for row in steps if row.alert_id == one]
    state = AlertState(mine[0].to_state)
    assert state in (STANDING, AlertState.RETURNED)
    for row in mine:
        if row.event not in MEANT:
            state = step(state, row.event)
    return state


def _incoming(one: Report, at: datetime) -> Arrival:
    return Arrival(contract.topic(one.gateway, "report"), contract.encode(one), at)


def _key(one: Report) -> Key:
    return (one.gateway, one.journal, one.seq)


def _altered(one: Report) -> Report:
    body = contract.encode(one).replace(b'"uptime_ms":', b'"uptime_ms":9')
    return contract.decode_report(body)


def _covered(one: contract.Receipt) -> Iterator[Key]:
    for first, last in ([1, one.through], *one.also):
        for seq in range(first, last + 1):
            yield (one.gateway, one.journal, seq)


_made: list[Path] = []


def _template() -> Path:
    """A store with the vehicle list and no report, made once a run."""
    if not _made or not _made[0].exists():
        folder = Path(tempfile.mkdtemp(prefix="fleet-machine-template-"))
        with opened(f"sqlite:///{folder}/store.sqlite3") as engine:
            load(engine, *(vehicle(number) for number in GATEWAYS))
        _made[:] = [folder]
    return _made[0]
