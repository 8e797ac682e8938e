"""The nightly look back through the store: start values, forecasts kept and scored, and their use.

Calibration and priors are checked against mathematics in the unit tests; here it is checked that
what is learned is kept, reaches the next forecast, and never grows without bound.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from sqlalchemy import Engine, func, select

from gateway import contract
from gateway.contract import Report
from gateway.facts import Monitor
from ingest import queries
from ingest.__main__ import main
from ingest.domain.foresight import Forecast
from ingest.domain.hindsight import KEEP_DAYS
from ingest.handlers import rebuild
from ingest.learning import Lessons, learn, learn_when_due
from ingest.store import learning
from ingest.store.database import read
from ingest.store.forecast_schema import forecast_said
from ingest.store.times import to_ms
from tests.support.reports import NOW, START, ecu, load, opened, report, store, vehicle

PROGRAMS = queries.load_programs(None)
CAT, EVAP = Monitor.CATALYST, Monitor.EVAPORATIVE_SYSTEM
BOTH = (CAT, EVAP)
FLEET = 32
CLEARED, DAYS = 14, 20
PER_DAY = 3
COUNTERS = {
    "ignition_cycles": 300,
    "catalyst_bank_1_completions": 100, "catalyst_bank_1_conditions": 200,
    "catalyst_bank_2_completions": 0, "catalyst_bank_2_conditions": 0,
}  # fmt: skip


@pytest.fixture
def engine(store_url_of_either: str) -> Iterator[Engine]:
    """Thirty-two vehicles; the first three drove for weeks and were cleared after fourteen days."""
    with opened(store_url_of_either) as engine:
        load(engine, *(vehicle(n, due_date=date(2026, 11, 5)) for n in range(1, FLEET + 1)))
        for number in range(1, FLEET + 1):
            store(engine, *(_life(number) if number <= 3 else [_counting(number, 1)]))
        yield engine


def _counting(number: int, seq: int) -> Report:
    """A reading with counters: 100 of 300 driving cycles, give or take by vehicle."""
    done = {"catalyst_bank_1_completions": 100 + 3 * (number % 7)}
    return report(
        number, seq, ecus={"7E8": msgspec.structs.replace(ecu(), in_use_counters=COUNTERS | done)}
    )


def _life(number: int) -> list[Report]:
    """Three driving cycles a day; codes cleared at the end of a day, and nothing complete since.

    The third is heard of for three days more: not so long that a monitor counts as not setting.
    """
    found, seq = [], 0
    for day in range(CLEARED + 3 if number == 3 else DAYS):
        for cycle in range(PER_DAY):
            seq += 1
            begun = START + timedelta(days=day, hours=8 + 2 * cycle)
            found.append(_driven(number, seq, begun, incomplete=BOTH if day >= CLEARED else ()))
    return found


def _driven(number: int, seq: int, begun: datetime, *, incomplete: tuple[Monitor, ...]) -> Report:
    ended = begun + timedelta(minutes=20)
    drive = contract.DrivingCycle(
        started_at=contract.format_time(begun), ended_at=contract.format_time(ended),
        propulsion_on_s=1200.0, engine_on_s=1200.0, monitors_completed=[],
    )  # fmt: skip
    counters = {} if number == 3 else {"in_use_counters": COUNTERS}
    return report(
        number, seq, reason="key_off", driving_cycle=drive,
        taken_at=contract.format_time(ended), uptime_ms=seq * 3_600_000,
        ecus={"7E8": msgspec.structs.replace(ecu(incomplete=incomplete), **counters)},
        warm_ups_since_clear=seq - CLEARED * PER_DAY if incomplete else 100,
    )  # fmt: skip


def _night(day: int) -> datetime:
    return START + timedelta(days=day, hours=20)


def _forecast(engine: Engine, number: int, as_of: datetime) -> Forecast:
    return queries.forecast(engine, as_of, PROGRAMS)[number - 1].forecast


def _kept(engine: Engine) -> int:
    with read(engine) as connection:
        return int(connection.execute(select(func.count()).select_from(forecast_said)).scalar_one())


def _nights(engine: Engine, first: int, last: int) -> list[Lessons]:
    return [learn(engine, _night(day), PROGRAMS) for day in range(first, last + 1)]


def test_a_fleet_teaches_its_start_values_and_the_next_forecast_rests_on_them(
    engine: Engine,
) -> None:
    before = _forecast(engine, 3, _night(CLEARED + 2))
    assert "assumption, no source" in before.monitors[0].reason
    (lessons,) = _nights(engine, DAYS - 1, DAYS - 1)
    assert (lessons.vehicles, lessons.priors) == (FLEET, 2)  # one of the family, one of all
    with read(engine) as connection:
        learned = learning.learned(connection)
        assert learning.learned_at(connection) == _night(DAYS - 1)
    prior = learned.priors[""][CAT]
    assert prior.mean == pytest.approx(109 / 300, abs=0.01)
    after = _forecast(engine, 3, _night(CLEARED + 2))
    assert f"fitted from {FLEET} vehicles" in after.monitors[0].reason
    assert after.monitors[0].chance is not None


def test_one_forecast_of_a_wait_is_kept_and_scored_when_it_is_over(engine: Engine) -> None:
    lessons = _nights(engine, CLEARED, DAYS - 1)
    assert sum(one.kept for one in lessons) == _kept(engine) == 3  # one each, not one each night
    assert lessons[-1].scored >= 2 * 2  # two monitors and the vehicle, so far cut short
    for number in (1, 2, 3):
        done = _driven(number, len(_life(number)) + 1, _night(DAYS), incomplete=())
        store(engine, done)
    with read(engine) as connection:
        said = learning.all_said(connection, 1)
    assert len(said) == 1
    last = learn(engine, _night(DAYS + 1), PROGRAMS)
    assert last.kept == 0
    assert last.scored == 3 * 3
    assert rebuild(engine, check=True, now=NOW).differences == ()


def test_it_is_learned_once_a_day_and_a_restart_puts_none_off(engine: Engine) -> None:
    first = learn_when_due(engine, _night(CLEARED), PROGRAMS)
    assert first is not None
    assert learn_when_due(engine, _night(CLEARED) + timedelta(hours=3), PROGRAMS) is None
    assert learn_when_due(engine, _night(CLEARED + 1), PROGRAMS) is not None


def test_what_was_said_long_ago_is_forgotten(engine: Engine) -> None:
    _nights(engine, CLEARED, DAYS - 1)
    assert _kept(engine) == 3
    learn(engine, _night(DAYS + KEEP_DAYS + 1), PROGRAMS)
    assert _kept(engine) == 0


def test_a_wait_is_dated_from_the_clear(engine: Engine) -> None:
    _nights(engine, CLEARED, DAYS - 1)
    with read(engine) as connection:
        ((since, at, said),) = learning.all_said(connection, 2)
    found = START + timedelta(days=CLEARED, hours=8, minutes=20)  # the first reading since
    assert since == to_ms(found)
    assert since < at <= to_ms(_night(DAYS - 1))
    assert set(said.waiting) == set(BOTH)
    assert said.rule.allowed == 1


def test_the_commands_tell_it_in_words_and_in_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = f"sqlite:///{tmp_path}/store.sqlite3"
    with opened(url) as engine:
        load(engine, vehicle(3, due_date=date(2026, 11, 5)), vehicle(2))
        store(engine, *_life(3), report(2, 390, ecus={"7E8": ecu(mil=True, confirmed=["P0420"])}))
    asked = ["--database", url, "--as-of", _night(CLEARED + 2).isoformat()]
    assert main(["forecast", *asked, "--json"]) == 0
    two, one = json.loads(capsys.readouterr().out)["items"]
    assert 0.9 < one["chance_of_passing"] <= 1
    assert "2026-10-17" <= one["ready_by"]["chance_50"] <= one["ready_by"]["chance_90"]
    assert one["repair_by"] is None
    assert one["repair_by_reason"] == "No repair is needed."
    assert two["chance_of_passing"] is None
    assert two["ready_by"] is None
    assert two["forecast_reason"].startswith("Not enough data: 0 days of driving on record")
    assert two["repair_by_reason"] == two["forecast_reason"]
    assert main(["record", "U003", *asked]) == 0
    text = capsys.readouterr().out
    assert "Chance of being ready in time" in text
    assert "catalyst: complete by 2026-10-" in text
    assert "start value (hard: assumption, no source)" in text
