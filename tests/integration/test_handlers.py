"""What becomes of every message: stored, repeated, refused, or kept back when the database is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from msgspec import UNSET
from sqlalchemy import Engine, func, select

from gateway import contract
from gateway.contract import Presence, Receipt
from ingest import handlers, queries
from ingest.arrival import Arrival
from ingest.handlers import NO_JOURNAL, receipts_for, replay_dead_letters, store_batch
from ingest.store.database import DatabaseTrouble, read
from ingest.store.schema import lost_reports, report
from tests.support.reports import (
    NOW,
    ecu,
    gateway_name,
    history,
    incoming,
    journal_of,
    load,
    opened,
    store,
    vehicle,
)
from tests.support.reports import report as make
from tests.support.stored_keys import stored_keys

GOLDEN = Path(__file__).parents[1] / "golden" / "contract" / "v1"


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        yield engine


def _rows(engine: Engine, table: object = report) -> int:
    with read(engine) as connection:
        return int(connection.execute(select(func.count()).select_from(table)).scalar_one())  # type: ignore[arg-type]


def _receipt(engine: Engine, number: int = 1) -> Receipt:
    return receipts_for(engine, [gateway_name(number)], NOW)[0]


def test_a_report_is_stored_folded_and_receipted(engine: Engine) -> None:
    load(engine, vehicle(1))

    assert store(engine, make(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])})) == ["stored"]

    (standing,) = queries.alerts(engine, NOW)
    assert (standing.kind, standing.unit, standing.state) == ("mil_on", "U001", "unacknowledged")
    assert (_receipt(engine).through, _receipt(engine).also) == (1, [])


def test_a_duplicate_is_only_receipted_again(engine: Engine) -> None:
    load(engine, vehicle(1))

    assert store(engine, make(1, 1), make(1, 1)) == ["stored", "duplicate"]
    assert store(engine, make(1, 1)) == ["duplicate"]
    assert (_rows(engine), _receipt(engine).through) == (1, 1)


def test_the_same_key_with_another_body_goes_aside_and_the_first_stays(engine: Engine) -> None:
    load(engine, vehicle(1))
    other = make(1, 1, odometer_km=5.0)

    assert store(engine, make(1, 1), other) == ["stored", "aside"]
    assert store(engine, other) == ["aside"]

    (letter,) = queries.dead_letters(engine)
    assert (letter.times_seen, letter.body) == (2, contract.encode(other))
    assert "key conflict" in letter.reasons[0]
    replay_dead_letters(engine, NOW)
    assert [one.kind for one in queries.security_events(engine)] == ["key conflict"]
    assert [one.digest for one in _receipt(engine).aside] == [letter.digest]


@pytest.mark.parametrize(
    ("topic", "kind", "gateway"),
    [
        pytest.param(contract.topic("gw-0002", "report"), "wrong gateway", "gw-0002", id="gateway"),
        pytest.param("fleet/v1/00/gw-0001/report", "wrong shard", "gw-0001", id="shard"),
    ],
)
def test_a_wrong_identity_goes_aside_and_raises_a_security_event(
    engine: Engine, topic: str, kind: str, gateway: str
) -> None:
    outcome = store_batch(engine, [Arrival(topic, contract.encode(make(1, 1)), NOW)])[0]

    assert (outcome.status, outcome.gateway) == ("aside", gateway)
    assert [(one.kind, one.gateway) for one in queries.security_events(engine)] == [(kind, gateway)]
    assert _rows(engine) == 0


@pytest.mark.parametrize(
    "path", sorted(GOLDEN.glob("bad-report.*.json")), ids=lambda path: path.name
)
def test_a_bad_report_goes_aside_with_every_fault_and_does_not_block_the_next(
    engine: Engine, path: Path
) -> None:
    load(engine, vehicle(1))
    bad = Arrival(contract.topic("gw-0001", "report"), path.read_bytes(), NOW)

    statuses = [one.status for one in store_batch(engine, [bad, incoming(make(1, 1))])]

    assert statuses == ["aside", "stored"]
    (letter,) = queries.dead_letters(engine)
    assert (letter.body, letter.topic) == (path.read_bytes(), bad.topic)
    assert letter.reasons
    assert _receipt(engine).aside[0].digest == contract.digest(path.read_bytes())


def test_a_report_of_40_kib_does_not_block_the_small_one_behind_it(engine: Engine) -> None:
    load(engine, vehicle(1))
    big = Arrival(contract.topic("gw-0001", "report"), b"x" * 40 * 1024, NOW)

    statuses = [one.status for one in store_batch(engine, [big, incoming(make(1, 2))])]

    assert statuses == ["aside", "stored"]
    assert queries.dead_letters(engine)[0].reasons == (
        f"body: 40960 bytes, expected at most {contract.MAX_BODY}",
    )


@pytest.mark.parametrize(
    "topic", ["", "nonsense", "fleet/v1/3e/GW/report", "fleet/v1/\0/a/b", "(not UTF-8)"]
)
def test_a_topic_that_cannot_be_read_is_kept_too(engine: Engine, topic: str) -> None:
    assert store_batch(engine, [Arrival(topic, b"\0\xff", NOW)])[0].status == "aside"
    assert queries.dead_letters(engine)[0].body == b"\0\xff"


def test_a_gateway_with_nothing_but_dead_letters_still_gets_a_receipt(engine: Engine) -> None:
    store_batch(engine, [Arrival(contract.topic("gw-0001", "report"), b"{", NOW)])

    receipt = _receipt(engine)
    assert (receipt.journal, receipt.through, len(receipt.aside)) == (NO_JOURNAL, 0, 1)
    assert contract.decode_receipt(contract.encode(receipt)) == receipt


def test_an_unknown_gateway_is_stored_and_folded_once_the_list_names_it(engine: Engine) -> None:
    lit = make(1, 1, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])})

    assert store(engine, lit) == ["not in the vehicle list"]
    assert [one.gateway for one in queries.unlisted_gateways(engine)] == ["gw-0001"]
    assert _receipt(engine).through == 1

    load(engine, vehicle(1))

    assert queries.unlisted_gateways(engine) == ()
    assert [one.unit for one in queries.alerts(engine, NOW)] == ["U001"]


def test_reports_belong_to_the_vehicle_the_gateway_was_fitted_to_at_the_time(
    engine: Engine,
) -> None:
    load(engine, vehicle(1, gateway="gw-0001", fitted_from=date(2026, 9, 1)))
    messages = [make(1, seq, vin=UNSET) for seq in (10, 20, 30, 40)]
    store(engine, *messages[:2])
    moved = vehicle(2, gateway="gw-0001", fitted_from=date(2026, 10, 2))
    load(engine, vehicle(1, gateway=None, fitted_from=date(2026, 10, 2)), moved, request_id="2")
    store(engine, *messages[2:])

    # 2026-10-02 00:00 in Chicago is 05:00 UTC: seq 22 is the last report before it, 23 is at it.
    store(engine, *(make(1, seq, vin=UNSET) for seq in (22, 23, 24)))
    with read(engine) as connection:
        rows = connection.execute(select(report.c.seq, report.c.vehicle_id)).all()
    assert sorted((row.seq, row.vehicle_id) for row in rows) == [
        (10, 1), (20, 1), (22, 1), (23, 2), (24, 2), (30, 2), (40, 2),
    ]  # fmt: skip
    assert handlers.rebuild(engine, check=True, now=NOW).differences == ()


def test_a_gap_is_told_as_ranges_and_closed_by_dropped(engine: Engine) -> None:
    load(engine, vehicle(1))
    store(engine, make(1, 1), make(1, 2), make(1, 5), make(1, 8))
    assert (_receipt(engine).through, _receipt(engine).also) == (2, [[5, 5], [8, 8]])

    store(engine, make(1, 9, dropped=[[3, 4], [6, 7]]))

    assert (_receipt(engine).through, _receipt(engine).also) == (9, [])


def _presence(**changes: object) -> Presence:
    values: dict[str, object] = {
        "schema": "presence/1",
        "gateway": gateway_name(1),
        "state": "online",
        "journal": journal_of(1),
        "boot_no": 2,
        "connection_no": 5,
        "oldest_kept": 1,
        "at": None,
    }
    return Presence(**(values | changes))  # type: ignore[arg-type]


def _tell(engine: Engine, **changes: object) -> str:
    return store_batch(engine, [incoming(_presence(**changes))])[0].status


def test_what_the_gateway_no_longer_keeps_is_lost_and_counted_until_it_comes(
    engine: Engine,
) -> None:
    load(engine, vehicle(1))
    store(engine, make(1, 1), make(1, 6))

    assert _tell(engine, oldest_kept=5) == "presence"
    assert (_rows(engine, lost_reports), _receipt(engine).through) == (1, 4)

    store(engine, make(1, 3))
    with read(engine) as connection:
        rows = connection.execute(select(lost_reports).order_by(lost_reports.c.first_seq)).all()
    assert [(row.first_seq, row.last_seq) for row in rows] == [(2, 2), (4, 4)]


@pytest.mark.parametrize(
    ("boot_no", "connection_no", "status"),
    [(2, 5, "presence"), (2, 6, "presence"), (3, 1, "presence"), (2, 4, "ignored"),
     (1, 9, "ignored")],
    ids=["the latest", "next connection", "next boot", "connection before", "boot before"],
)  # fmt: skip
def test_an_offline_of_an_older_connection_is_ignored(
    engine: Engine, boot_no: int, connection_no: int, status: str
) -> None:
    _tell(engine)

    told = _tell(engine, state="offline", boot_no=boot_no, connection_no=connection_no)

    assert told == status
    expected = "offline" if status == "presence" else "online"
    assert [one.state for one in queries.presences(engine)] == [expected]


def test_a_full_disk_raises_and_stores_nothing_until_there_is_room(tmp_path: Path) -> None:
    with opened(f"sqlite:///{tmp_path}/store") as engine:
        load(engine, vehicle(1))
        items = [*(incoming(make(1, seq)) for seq in range(1, 200)), Arrival("nonsense", b"", NOW)]

        _limit_pages(engine, 1)  # SQLite takes the present size as the least
        with pytest.raises(DatabaseTrouble, match="full"):
            store_batch(engine, items)
        assert (_rows(engine), len(stored_keys(engine)), queries.dead_letters(engine)) == (
            0, 0, (),
        )  # fmt: skip

        _limit_pages(engine, 1_000_000)
        assert {one.status for one in store_batch(engine, items)} == {"stored", "aside"}


def _limit_pages(engine: Engine, pages: int) -> None:
    with read(engine) as connection:
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")


def test_a_message_that_breaks_the_fold_goes_aside_alone(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest.domain import episodes

    real = episodes.fold

    def fold(state: object, message: contract.Report, vin: str) -> object:
        if message.seq == 2:
            raise ZeroDivisionError("a fault of ours")
        return real(state, message, vin)  # type: ignore[arg-type]

    monkeypatch.setattr(episodes, "fold", fold)
    load(engine, vehicle(1), vehicle(2))

    statuses = store(engine, make(1, 1), make(1, 2), make(2, 1), make(1, 3))

    assert statuses == ["stored", "aside", "stored", "stored"]
    assert "ZeroDivisionError" in queries.dead_letters(engine)[0].reasons[0]


def test_a_replay_reads_what_can_be_read_now_and_leaves_the_rest(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest.domain import episodes

    load(engine, vehicle(1))
    with monkeypatch.context() as broken:
        broken.setattr(episodes, "fold", lambda *_: 1 / 0)
        store(engine, make(1, 1))
    store_batch(engine, [Arrival("nonsense", b"", NOW)])

    result = replay_dead_letters(engine, NOW)

    assert (result.tried, result.read_now) == (2, 1)
    assert [one.topic for one in queries.dead_letters(engine)] == ["nonsense"]
    assert _rows(engine) == 1


def test_the_lamp_going_off_returns_the_alert_to_normal_once(engine: Engine) -> None:
    load(engine, vehicle(1))
    lit = {"7E8": ecu(mil=True, confirmed=["P0301"])}
    store(engine, make(1, 1, ecus=lit))
    store(engine, make(1, 2, ecus=lit))
    store(engine, make(1, 3))

    (one,) = queries.alerts(engine, NOW)
    assert one.state == "returned to normal unacknowledged"
    assert queries.pending_notices(engine, "log", NOW) == ()


def test_a_monitor_that_does_not_set_is_raised_by_the_sweep_once_and_ends(engine: Engine) -> None:
    from gateway.facts import Monitor

    load(engine, vehicle(1))
    open_monitor = {"7E8": ecu(incomplete=(Monitor.CATALYST,))}
    reports = [
        make(1, seq, ecus=open_monitor, driving_cycle=_cycle(seq), reason="key_off")
        for seq in range(1, 46)
    ]
    store(engine, *reports)
    soon, late = NOW - timedelta(days=54), NOW

    assert handlers.sweep(engine, soon).raised == 0
    assert handlers.sweep(engine, late).raised == 1
    assert handlers.sweep(engine, late).raised == 0
    (one,) = queries.alerts(engine, NOW)
    assert (one.kind, one.subject, one.priority) == ("monitor_stuck", "catalyst", "low")
    assert "Cause: conditions are met and the monitor does not finish" in one.text

    store(engine, make(1, 46))
    assert queries.alerts(engine, NOW)[0].state == "returned to normal unacknowledged"
    assert handlers.sweep(engine, late).raised == 0


def _cycle(seq: int) -> contract.DrivingCycle:
    from tests.support.reports import START

    begin = START + timedelta(hours=seq)
    return contract.DrivingCycle(
        started_at=contract.format_time(begin),
        ended_at=contract.format_time(begin + timedelta(minutes=30)),
        propulsion_on_s=1800.0,
        engine_on_s=1800.0,
    )


@pytest.mark.parametrize(
    ("changes", "minutes", "silent"),
    [
        ({"state": "offline"}, 59, False),
        ({"state": "offline"}, 60, False),
        ({"state": "offline"}, 61, True),
        ({"state": "asleep", "wake_by": contract.format_time(NOW)}, 0, False),
        ({"state": "asleep", "wake_by": contract.format_time(NOW)}, 1, True),
        ({"state": "online"}, 10_000, False),
    ],
    ids=["offline 59", "offline 60", "offline 61", "asleep at", "asleep past", "online"],
)
def test_a_gateway_is_silent_past_its_wake_by_or_an_hour_offline(
    engine: Engine, changes: dict[str, str], minutes: int, silent: bool
) -> None:
    load(engine, vehicle(1))
    _tell(engine, **changes)

    handlers.sweep(engine, NOW + timedelta(minutes=minutes))

    assert [one.kind for one in queries.alerts(engine, NOW)] == ["gateway_silent"] * silent


def test_a_lively_history_folds_the_same_on_both_databases(engine: Engine) -> None:
    load(engine, vehicle(1))
    reports = history(1, 80)
    for start in range(0, 80, 16):
        store(engine, *reversed(reports[start : start + 16]))
    store(engine, *reports[3:9])

    result = handlers.rebuild(engine, check=True, now=NOW)
    assert (result.reports, result.differences) == (80, ())


def test_the_bytes_of_a_report_are_kept_as_received(engine: Engine) -> None:
    load(engine, vehicle(1))
    body = json.dumps(json.loads(contract.encode(make(1, 1))) | {"later": 1}, indent=1).encode()

    store_batch(engine, [Arrival(contract.topic("gw-0001", "report"), body, NOW)])

    with read(engine) as connection:
        assert bytes(connection.execute(select(report.c.body)).scalar_one()) == body
