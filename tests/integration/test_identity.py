"""Who a message is from: topic, shard, payload, VIN and key against each other, as one table.

The certificate's name is held against the topic by the broker (`%u` in `ingest/deploy/fleet.acl`;
`test_deployment_rules.py` tries that with a real one): what it refuses never reaches ingest, and
ingest cannot see a certificate.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from msgspec import UNSET, UnsetType
from sqlalchemy import Engine, select

from gateway import contract
from ingest import queries
from ingest.arrival import Arrival
from ingest.handlers import store_batch
from ingest.store.database import read
from ingest.store.schema import report
from ingest.store.tracing import trace
from tests.support.reports import NOW, journal_of, load, opened, store, vehicle, vin
from tests.support.reports import report as make
from tests.support.stored_keys import stored_keys

OWN, OTHER, UNLISTED = "gw-0001", "gw-0002", "gw-0009"


@dataclass(frozen=True)
class Case:
    """One message of gateway 1's own making, as it comes; report 1 of it is stored already."""

    topic: str
    shard: str
    payload: str
    vin: str | UnsetType
    key: str


def _expected(case: Case) -> tuple[str, str | None]:
    """What becomes of it and the security event, by the contract, in the order of its checks."""
    if contract.shard(case.shard) != contract.shard(case.topic):
        return "aside", "wrong shard"
    if case.topic != case.payload:
        return "aside", "wrong gateway"
    if case.key == "same key, other body":
        return "aside", "key conflict"
    if case.key == "same key, same body":
        return "duplicate", None
    return ("not in the vehicle list" if case.payload == UNLISTED else "stored"), None


IDS = (OWN, OTHER, UNLISTED)
VINS: tuple[str | UnsetType, ...] = (vin(1), vin(2), UNSET)
KEYS = ("new", "same key, same body", "same key, other body")
CASES = [
    Case(topic, shard, payload, read, key)
    for topic, shard, payload in itertools.product(IDS, IDS, IDS)
    for read in VINS
    for key in KEYS
]


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    with opened(store_url_of_either) as engine:
        load(engine, vehicle(1), vehicle(2))
        yield engine


def test_each_combination_is_stored_set_aside_or_a_security_event_as_the_contract_says(
    engine: Engine,
) -> None:
    """All 243, each with a journal of its own; all are counted, so that none goes astray."""
    expected_events: list[tuple[str, str | None]] = []
    kept = 0
    for number, case in enumerate(CASES, start=100):
        first = make(1, 1, gateway=case.payload, journal=journal_of(number), vin=case.vin)
        store(engine, first)  # on its own topic
        kept += 1
        changes: dict[str, Any] = {}
        if case.key == "same key, other body":
            changes = {"odometer_km": 5.0}
        message = make(
            1, 2 if case.key == "new" else 1, gateway=case.payload,
            journal=journal_of(number), vin=case.vin, **changes,
        )  # fmt: skip
        topic = f"fleet/v1/{contract.shard(case.shard)}/{case.topic}/report"
        status, security = _expected(case)

        (outcome,) = store_batch(engine, [Arrival(topic, contract.encode(message), NOW)])

        assert (outcome.status, outcome.gateway) == (status, case.topic), case
        assert bool(outcome.reasons) == (status == "aside"), case
        kept += status in ("stored", "not in the vehicle list")
        if security is not None:
            expected_events.append((security, case.topic))
    assert len(stored_keys(engine)) == kept
    events = [(one.kind, one.gateway) for one in queries.security_events(engine)]
    assert sorted(events, key=str) == sorted(expected_events, key=str)
    # Payload, topic and reason stay with what was set aside; repeats are counted, not kept again.
    letters = queries.dead_letters(engine)
    assert sum(one.times_seen for one in letters) == len(expected_events)
    assert all(one.reasons and one.body for one in letters)


@pytest.mark.parametrize(
    ("read_vin", "unit", "flagged"),
    [(vin(1), "U001", None), (UNSET, "U001", None), (vin(2), "U001", vin(2)),
     ("1FLEET00000999999", "U001", "1FLEET00000999999")],
    ids=["its own", "not read", "of another vehicle in the list", "of no vehicle in the list"],
)  # fmt: skip
def test_a_vin_that_is_not_the_fittings_is_kept_with_its_vehicle_flagged_and_not_folded(
    engine: Engine, read_vin: str | UnsetType, unit: str, flagged: str | None
) -> None:
    store(engine, make(1, 1, odometer_km=1000.0))
    before = _odometer(engine)
    assert store(engine, make(1, 2, vin=read_vin, odometer_km=2000.0)) == ["stored"]

    with read(engine) as connection:
        (one,) = trace(connection, OWN, 2)
        stored = connection.execute(select(report.c.vehicle_id).where(report.c.seq == 2)).scalar()
    assert (one.unit, one.vin_differs, stored) == (unit, flagged, 1)
    assert (_odometer(engine) == before) == (flagged is not None)
    assert queries.security_events(engine) == ()
    assert queries.dead_letters(engine) == ()


def _odometer(engine: Engine) -> float | None:
    found = queries.record(engine, 1, NOW, queries.load_programs())
    assert found is not None
    assert found.standing.picture is not None
    return found.standing.picture.odometer_km


@pytest.mark.parametrize(
    ("shard", "topic", "payload", "status", "security"),
    [
        (OWN, OWN, OWN, "presence", None),
        (OTHER, OWN, OWN, "aside", "wrong shard"),
        (OWN, OWN, OTHER, "aside", "wrong gateway"),
        (OTHER, OTHER, OWN, "aside", "wrong gateway"),
    ],
)
def test_a_presence_is_held_to_the_same(
    engine: Engine, shard: str, topic: str, payload: str, status: str, security: str | None
) -> None:
    message = contract.Presence(
        schema="presence/1", gateway=payload, state="offline", journal=journal_of(1), boot_no=1,
        connection_no=1, oldest_kept=1, at=None,
    )  # fmt: skip
    where = f"fleet/v1/{contract.shard(shard)}/{topic}/presence"

    (outcome,) = store_batch(engine, [Arrival(where, contract.encode(message), NOW)])

    assert outcome.status == status
    assert [one.kind for one in queries.security_events(engine)] == [security] * bool(security)
    assert len(queries.presences(engine)) == (status == "presence")


def test_the_ids_of_the_table_are_in_different_shards() -> None:
    assert len({contract.shard(one) for one in (OWN, OTHER, UNLISTED)}) == 3
