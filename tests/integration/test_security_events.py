"""Operations see what no well-behaved gateway does: in the log, by a command, as a figure."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sqlalchemy import Engine

from gateway import contract
from ingest.__main__ import main
from ingest.arrival import Arrival
from ingest.handlers import store_batch
from ingest.printing_security import ADVICE
from ingest.store.database import read
from ingest.store.figures import figures
from tests.support.reports import NOW, incoming, load, opened, store, vehicle
from tests.support.reports import report as make

OWN, OTHER = contract.topic("gw-0001", "report"), contract.topic("gw-0002", "report")


def _every_kind(engine: Engine) -> None:
    load(engine, vehicle(1), vehicle(2))
    store(engine, make(1, 1))
    conflict = contract.encode(make(1, 1, odometer_km=5.0))
    honest = contract.encode(make(1, 2))
    store_batch(
        engine,
        [
            Arrival(OWN, conflict, NOW),
            Arrival(OTHER, honest, NOW),
            Arrival(OWN.replace("/3e/", "/3f/"), honest, NOW),
        ],
    )


def test_each_kind_is_logged_counted_and_listed_with_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    url = f"sqlite:///{tmp_path}/store"
    with opened(url) as engine:
        _every_kind(engine)
        with read(engine) as connection:
            assert figures(connection)["security_events"] == len(ADVICE)
    for kind in ADVICE:
        assert kind in caplog.text

    assert main(["security-events", "--database", url]) == 0
    text = capsys.readouterr().out
    assert main(["security-events", "--database", url, "--json"]) == 0
    items = json.loads(capsys.readouterr().out)["items"]

    assert {(one["kind"], one["gateway"]) for one in items} == {
        ("key conflict", "gw-0001"), ("wrong gateway", "gw-0002"), ("wrong shard", "gw-0001"),
    }  # fmt: skip
    assert all(text.count(advice) == 1 for advice in ADVICE.values())
    assert all(one["detail"] in text for one in items)


def test_the_same_message_again_is_no_other_event(tmp_path: Path) -> None:
    with opened(f"sqlite:///{tmp_path}/store") as engine:
        for _ in range(3):
            store_batch(engine, [Arrival(OTHER, contract.encode(make(1, 2)), NOW)])
        store_batch(engine, [incoming(make(1, 2))])
        with read(engine) as connection:
            assert figures(connection)["security_events"] == 1


def test_without_any_the_command_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with opened(f"sqlite:///{tmp_path}/fleet.sqlite3"):
        assert main(["security-events", "--data", str(tmp_path)]) == 0
    assert capsys.readouterr().out == "no security events\n"
