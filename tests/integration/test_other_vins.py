"""A gateway that reads another VIN: an alert, and two histories that are never one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine

from ingest import queries
from ingest.store.sweeping import sweep
from tests.support.reports import NOW, ecu, load, opened, report, store, vehicle, vin

PROGRAMS = queries.load_programs()


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2, gateway=None, fitted_from=None))
        yield engine


def _alerts(engine: Engine) -> list[tuple[str, str, str]]:
    found = queries.alerts(engine, NOW, kind="vin_differs")
    return [(one.unit, one.subject, one.state) for one in found]


def _codes(engine: Engine, number: int) -> list[str]:
    record = queries.record(engine, number, NOW, PROGRAMS)
    assert record is not None
    return [one.subject for one in record.events if one.kind == "code"]


def test_a_gateway_that_moved_raises_an_alert_until_the_list_is_mended(engine: Engine) -> None:
    store(engine, report(1, 1, ecus={"7E8": ecu(confirmed=["P0128"])}))
    moved = report(1, 24 * 30, vin=vin(2), ecus={"7E8": ecu(confirmed=["P0420"])})
    store(engine, moved)
    sweep(engine, NOW)
    assert _alerts(engine) == [("U001", vin(2), "unacknowledged")]
    assert "that of unit U002" in queries.alerts(engine, NOW, kind="vin_differs")[0].text
    assert (_codes(engine, 1), _codes(engine, 2)) == (["P0128:confirmed"], [])

    load(
        engine,
        replace(vehicle(1), gateway=None, fitted_from=None),
        vehicle(2, gateway="gw-0001", fitted_from=date(2026, 10, 15)),
        request_id="mended",
    )
    sweep(engine, NOW + timedelta(minutes=1))
    assert [state for *_, state in _alerts(engine)] == ["returned to normal unacknowledged"]
    assert _codes(engine, 2) == ["P0420:confirmed"]


def test_its_own_vin_raises_nothing(engine: Engine) -> None:
    store(engine, report(1, 1))
    sweep(engine, NOW)
    assert _alerts(engine) == []
