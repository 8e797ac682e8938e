"""What does not fit a vehicle's own past: found where it is so, and nowhere else."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from ingest.domain.clear_causes import AFTER_MS, BEFORE_MS
from ingest.domain.details import take_vehicle_details
from ingest.domain.episodes import Episode
from ingest.domain.integrity import doubts
from ingest.domain.picture import Picture
from ingest.domain.repairs import Repair
from tests.support.reports import report, vehicle

AT = int(datetime(2026, 11, 20, 12, tzinfo=UTC).timestamp() * 1000)


def _event(kind: Any, **details: Any) -> Episode:
    return Episode(
        kind=kind, subject="7E8", started_at=AT, start_key=("j", 1), ended_at=AT,
        end_key=("j", 1), details=details,
    )  # fmt: skip


def _kinds(*events: Episode, repairs: tuple[Repair, ...] = (), **picture: Any) -> list[str]:
    known = Picture(**picture)
    return [one.kind for one in doubts(vehicle(1), known, events, repairs)]


def test_nothing_is_said_of_a_vehicle_that_fits():
    assert doubts(vehicle(1), None, []) == ()
    assert _kinds(_event("mil_on"), vin_read="1FLEET00000000001", odometer_km=5.0) == []


def test_other_software_is_told_with_what_shows_it():
    found = doubts(vehicle(1), Picture(), [_event("software_changed", evidence=["cvn A -> B"])])
    assert [one.kind for one in found] == ["software"]
    assert "7E8" in found[0].text
    assert "cvn A -> B" in found[0].text


@pytest.mark.parametrize(
    ("told_ms", "words"),
    [
        pytest.param((60_000,), None, id="at the bound"),
        pytest.param((-60_000,), None, id="at the bound, ahead"),
        pytest.param((300_000,), "5 min behind the clock here", id="behind"),
        pytest.param((-7_200_000,), "120 min ahead of the clock here", id="ahead"),
        pytest.param(
            (300_000, None), "5 min behind", id="a report that does not say it changes none"
        ),
        pytest.param((300_000, 40), None, id="set right"),
    ],
)
def test_a_gateway_whose_clock_is_wrong_is_told(told_ms: tuple[int | None, ...], words: str | None):
    picture = Picture()
    for seq, one in enumerate(told_ms, 1):
        said = {} if one is None else {"clock_offset_ms": one}
        take_vehicle_details(picture, report(1, seq, **said), AT)
    found = [one.text for one in doubts(vehicle(1), picture, []) if one.kind == "clock"]
    assert len(found) == (words is not None)
    assert words is None or words in found[0]


def test_another_vin_stands_first():
    assert _kinds(_event("clear"), vin_mismatch="OTHER") == ["vin", "unrecorded_clear"]


@pytest.mark.parametrize(
    ("at", "recorded"),
    [
        (AT - BEFORE_MS - 1, False),
        (AT - BEFORE_MS, True),
        (AT + AFTER_MS, True),
        (AT + AFTER_MS + 1, False),
    ],
)
def test_a_clear_needs_a_repair_recorded_for_that_time(at: int, recorded: bool):
    repair = Repair(at, "Pat", "catalyst replaced", ("P0420",))
    assert _kinds(_event("clear"), repairs=(repair,)) == ([] if recorded else ["unrecorded_clear"])


@pytest.mark.parametrize(
    ("read_km", "day", "told"),
    [
        (160.9344, date(2026, 11, 19), False),  # 100 mi exactly (NIST SP 811)
        (155.9, date(2026, 11, 19), True),  # more than 5 km less
        (156.0, date(2026, 11, 19), False),
        (100.0, date(2026, 11, 20), False),  # read on the day itself: which came first is not known
    ],
)
def test_an_odometer_never_runs_back(read_km: float, day: date, told: bool):
    one = vehicle(1, odometer_mi=100, odometer_date=day)
    found = doubts(one, Picture(odometer_km=read_km, heard_at=AT), [])
    assert [one.kind for one in found] == (["odometer"] if told else [])
