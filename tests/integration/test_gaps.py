"""Missing sequence numbers: coming, declared dropped, or lost; and what became of one report.

The contract: at or above `oldest_kept` a missing report is still coming; below it and not declared
it is lost, which is an event of its own and is shown.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from gateway import contract
from ingest import queries
from ingest.__main__ import main
from ingest.arrival import Arrival
from ingest.clock import SystemClock
from ingest.domain.rate_limit import RateLimit
from ingest.handlers import receipts_for, store_batch
from ingest.intake import Intake
from ingest.metrics import Metrics
from ingest.store.database import read
from ingest.store.schema import lost_reports
from ingest.store.tracing import Traced, trace
from tests.support.reports import (
    NOW,
    ecu,
    gateway_name,
    incoming,
    journal_of,
    load,
    opened,
    store,
    vehicle,
    vin,
)
from tests.support.reports import report as make

GATEWAY = gateway_name(1)


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def _keeps(engine: Engine, oldest_kept: int, connection_no: int = 1) -> None:
    message = contract.Presence(
        schema="presence/1", gateway=GATEWAY, state="online", journal=journal_of(1), boot_no=1,
        connection_no=connection_no, oldest_kept=oldest_kept, at=None,
    )  # fmt: skip
    store_batch(engine, [incoming(message)])


def _lost(engine: Engine) -> list[tuple[int, int]]:
    columns = (lost_reports.c.first_seq, lost_reports.c.last_seq)
    with read(engine) as connection:
        rows = connection.execute(select(*columns).order_by(columns[0])).all()
    return [(row.first_seq, row.last_seq) for row in rows]


def _through(engine: Engine) -> int:
    return receipts_for(engine, [GATEWAY], NOW)[0].through


def _traced(engine: Engine, seq: int, gateway: str = GATEWAY) -> list[Traced]:
    with read(engine) as connection:
        return trace(connection, gateway, seq)


def _outcomes(engine: Engine, *seqs: int) -> list[str]:
    return [one.outcome for seq in seqs for one in _traced(engine, seq)]


@pytest.mark.parametrize(
    ("oldest_kept", "lost", "through"),
    [(1, [], 2), (3, [], 2), (4, [(3, 3)], 3), (5, [(3, 4)], 5), (6, [(3, 4)], 5),
     (7, [(3, 4), (6, 6)], 6), (9, [(3, 4), (6, 8)], 8)],
)  # fmt: skip
def test_what_is_missing_below_what_the_gateway_keeps_is_lost_and_what_is_not_is_coming(
    engine: Engine, oldest_kept: int, lost: list[tuple[int, int]], through: int
) -> None:
    store(engine, make(1, 1), make(1, 2), make(1, 5))

    _keeps(engine, oldest_kept)

    assert (_lost(engine), _through(engine)) == (lost, through)
    assert queries.stored_counts(engine)["lost_reports"] == sum(b - a + 1 for a, b in lost)


def test_what_was_declared_dropped_is_not_lost_before_or_after_the_gateway_says_so(
    engine: Engine,
) -> None:
    store(engine, make(1, 1), make(1, 6, dropped=[[2, 3]]))
    _keeps(engine, 6)
    assert _lost(engine) == [(4, 5)]

    store(engine, make(1, 7, dropped=[[4, 5]]))  # the declaration was late
    assert (_lost(engine), _through(engine)) == ([], 7)
    assert _outcomes(engine, 2, 3, 4, 5) == ["declared dropped"] * 4


def test_a_report_taken_for_lost_that_comes_is_stored_and_folded_where_it_belongs(
    engine: Engine,
) -> None:
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    store(engine, make(1, 1), make(1, 5))
    _keeps(engine, 5)
    assert _outcomes(engine, 1, 2, 3, 4, 5) == ["stored", "lost", "lost", "lost", "stored"]

    assert store(engine, make(1, 3, ecus=lit)) == ["stored"]

    assert _lost(engine) == [(2, 2), (4, 4)]
    (one,) = _traced(engine, 3)
    assert (one.outcome, one.folded, one.receipted) == ("stored", True, True)
    assert [(e.kind, e.began) for e in one.events if e.kind == "mil_on"] == [("mil_on", True)]
    assert store(engine, make(1, 3, ecus=lit)) == ["duplicate"]


def test_a_gap_above_all_that_is_here_is_seen_by_what_the_gateway_keeps(engine: Engine) -> None:
    store(engine, make(1, 1))
    assert _outcomes(engine, 2, 9) == ["not heard of", "not heard of"]
    _keeps(engine, 4)
    assert _lost(engine) == [(2, 3)]


def test_what_is_coming_is_said_so(engine: Engine) -> None:
    store(engine, make(1, 1), make(1, 4))
    assert _outcomes(engine, 2, 3, 4) == ["still coming", "still coming", "stored"]
    assert [one.receipted for one in _traced(engine, 4)] == [True]


def test_a_trace_names_vehicle_events_and_alerts(engine: Engine) -> None:
    lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
    store(engine, make(1, 1), make(1, 2, ecus=lit), make(1, 3))

    (began,), (ended,) = _traced(engine, 2), _traced(engine, 3)

    assert (began.unit, began.folded, began.vin_differs) == ("U001", True, None)
    assert began.digest == contract.digest(contract.encode(make(1, 2, ecus=lit)))
    lamp = next(one for one in began.events if one.kind == "mil_on")
    (alert,) = queries.alerts(engine, NOW)
    assert (lamp.began, lamp.alert_id, lamp.alert_state) == (True, alert.id, alert.state)
    assert {(one.kind, one.began) for one in ended.events} >= {("mil_on", False)}


def test_a_trace_tells_a_conflict_a_wrong_vin_and_a_vehicle_not_in_the_list(
    engine: Engine,
) -> None:
    store(engine, make(1, 1), make(1, 1, odometer_km=5.0), make(2, 1, vin=vin(1)), make(9, 1))

    first, second = _traced(engine, 1)
    assert (first.outcome, second.outcome) == ("stored", "set aside")
    assert "key conflict" in second.faults[0]
    assert _traced(engine, 1, gateway_name(2))[0].vin_differs == vin(1)
    (unlisted,) = _traced(engine, 1, gateway_name(9))
    assert (unlisted.outcome, unlisted.unit, unlisted.folded) == ("stored", None, False)


def test_a_trace_finds_what_cannot_be_read_and_what_waits(engine: Engine) -> None:
    topic = contract.topic(GATEWAY, "report")
    store_batch(engine, [Arrival(topic, b'{"seq": 77, "gateway": 5, oops', NOW)] * 2)
    intake = Intake(engine, SystemClock(), Metrics(), limit=RateLimit(burst=1))
    arrivals = [
        Arrival(topic, contract.encode(make(1, seq)), NOW, False) for seq in (70, 71, 7, 777)
    ]
    intake.store(arrivals)

    (bad,) = _traced(engine, 77)
    assert (bad.outcome, bad.times_seen) == ("set aside", 2)
    assert bad.faults
    assert _outcomes(engine, 70, 71, 777) == ["stored", "held back", "held back"]
    assert "held back" in _outcomes(engine, 7)


def test_the_command_prints_every_trace_and_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with opened(f"sqlite:///{tmp_path}/fleet.sqlite3") as engine:
        load(engine, vehicle(1))
        lit = {"7E8": ecu(mil=True, confirmed=["P0420"])}
        store(engine, make(1, 1, ecus=lit), make(1, 1))
    where = ["--data", str(tmp_path)]

    assert main(["trace", GATEWAY, "1", *where]) == 0
    told = capsys.readouterr().out
    assert f"{GATEWAY} 1, journal {journal_of(1)}: stored" in told
    assert "of unit U001, folded" in told
    assert "began event mil_on" in told
    assert "alert 1: unacknowledged" in told
    assert "set aside in the dead letters" in told
    assert "key conflict" in told

    assert main(["trace", GATEWAY, "1", "--json", *where]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["schema"], len(answer["items"])) == ("trace/1", 2)
    assert answer["items"][0]["unit"] == "U001"

    assert main(["trace", GATEWAY, "2", *where]) == 1
    assert "not heard of" in capsys.readouterr().out
