"""What is folded depends on the set of reports only: any order, any repeats, any batches."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from sqlalchemy import Engine, update

from gateway.contract import Report
from ingest import commands, handlers, queries
from ingest.store.database import write
from ingest.store.rebuilding import snapshot
from ingest.store.schema import current_lamp, episode, vehicle_state
from tests.support.databases import NewUrl
from tests.support.reports import NOW, ecu, history, load, opened, report, store, vehicle

VEHICLES = 3
LENGTH = 60


@pytest.fixture
def reports() -> list[Report]:
    return [one for number in range(1, VEHICLES + 1) for one in history(number, LENGTH)]


def _filled(engine: Engine, reports: Sequence[Report], batch: int) -> None:
    load(engine, *(vehicle(number) for number in range(1, VEHICLES + 1)))
    for start in range(0, len(reports), batch):
        store(engine, *reports[start : start + batch])


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("batch", [1, 7, 200])
def test_shuffled_and_repeated_reports_give_the_same_picture_events_and_lamps(
    new_url: NewUrl, reports: list[Report], seed: int, batch: int
) -> None:
    dice = random.Random(seed)
    copy = reports + dice.sample(reports, 40)
    dice.shuffle(copy)
    with (
        opened(new_url()) as one,
        opened(new_url()) as two,
    ):
        _filled(one, reports, 50)
        _filled(two, copy, batch)

        assert snapshot(one) == snapshot(two)
        for engine in (one, two):
            result = handlers.rebuild(engine, check=True, now=NOW)
            assert result.differences == ()
            assert result.reports == len(reports)


def test_reports_before_the_vehicle_list_give_the_same_as_after(
    new_url: NewUrl, reports: list[Report]
) -> None:
    with opened(new_url()) as one, opened(new_url()) as two:
        _filled(one, reports, 50)
        for start in range(0, len(reports), 50):
            store(two, *reports[start : start + 50])
        _filled(two, [], 1)

        assert snapshot(one) == snapshot(two)


def test_a_refold_keeps_the_id_of_an_event_and_its_alert_and_acknowledgement(
    new_url: NewUrl,
) -> None:
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    with opened(new_url()) as engine:
        load(engine, vehicle(1))
        store(engine, report(1, 1), report(1, 5, ecus=lit))
        before = queries.alerts(engine, NOW)[0]
        commands.acknowledge_alert(
            engine, before.id, actor="tester", now=NOW, request_id="r1",
            expected_version=before.version,
        )  # fmt: skip

        store(engine, report(1, 3, ecus=lit))  # the lamp was on two hours earlier

        after = queries.alerts(engine, NOW)
        assert [(one.id, one.state) for one in after] == [(before.id, "acknowledged")]
        assert (before.since - after[0].since).total_seconds() == 2 * 3600
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def test_an_event_that_late_reports_disprove_is_withdrawn_not_deleted(new_url: NewUrl) -> None:
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    with opened(new_url()) as engine:
        load(engine, vehicle(1))
        store(engine, report(1, 1, ecus=lit), report(1, 9, ecus=lit))
        store(engine, report(1, 4), report(1, 6))

        record = queries.record(engine, 1, NOW, _programs())
        assert record is not None
        lamps = [one for one in record.events if one.kind == "mil_on"]
        assert [one.ended_at is None for one in lamps] == [False, True]
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def _programs() -> queries.Programs:
    from ingest.program_files import load_programs

    return load_programs()


@pytest.mark.parametrize("table", [current_lamp, episode, vehicle_state], ids=lambda t: t.name)
def test_the_check_finds_what_was_tampered_with_and_a_rebuild_mends_it(
    new_url: NewUrl, reports: list[Report], table: object
) -> None:
    changes = {
        "current_lamp": update(current_lamp).values(commanded=True),
        "episode": update(episode).values(started_at=episode.c.started_at + 1),
        "vehicle_state": update(vehicle_state).values(fold_version=0),
    }
    with opened(new_url()) as engine:
        _filled(engine, reports, 50)
        good = snapshot(engine)
        with write(engine) as connection:
            connection.execute(changes[table.name])  # type: ignore[attr-defined]

        assert handlers.rebuild(engine, check=True, now=NOW).differences
        assert handlers.rebuild(engine, check=False, now=NOW).differences
        assert handlers.rebuild(engine, check=True, now=NOW).differences == ()
        assert snapshot(engine) == good
