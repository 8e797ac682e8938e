"""One gateway from ignition on to ignition off: a scripted vehicle, a real outbox.

Answers in bytes after SAE J1979: PID 01 byte A bit 7 is the lamp, the rest counts codes (B);
`43 01 04 20` is one confirmed code, P0420 (B).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import UNSET

from gateway.__main__ import build_parser, main
from tests.support.agent_bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "box")
    yield one
    one.outbox.close()


def test_a_drive_is_read_at_key_on_periodically_and_at_key_off(bench: Bench) -> None:
    bench.drive(30)
    assert bench.reports() == []
    bench.vehicle.on = True
    bench.drive(2000)
    bench.vehicle.on = False
    bench.drive(60)
    reports = bench.reports()
    assert [one.reason for one in reports] == ["key_on", "full", "periodic", "periodic", "key_off"]
    ecu = reports[0].ecus["7E8"]
    assert (ecu.mil, ecu.code_count, ecu.confirmed, ecu.pending) == (False, 0, [], [])
    assert (reports[0].coolant_c, reports[0].vehicle_speed_kmh) == (83, 50)
    cycle = reports[-1].driving_cycle
    assert cycle is not UNSET
    assert cycle.propulsion_on_s == pytest.approx(2000, abs=12)
    assert cycle.engine_on_s == pytest.approx(2000, abs=12)
    # 2000 s at 50 km/h.
    assert cycle.distance_km == pytest.approx(27.8, abs=0.2)
    assert not bench.agent.ignition_on
    assert [one.driving_cycle is UNSET for one in reports] == [True] * 4 + [False]
    assert {one.heard for one in reports[:-1]} == {"answers"}


def test_the_second_drive_knows_how_long_the_vehicle_stood(bench: Bench) -> None:
    for seconds, on in ((60, True), (3600, False), (60, True), (60, False)):
        bench.vehicle.on = on
        bench.drive(seconds)
    cycles = [one.driving_cycle for one in bench.reports() if one.driving_cycle is not UNSET]
    assert cycles[0].soak_s is UNSET
    assert cycles[1].soak_s == pytest.approx(3600, abs=15)


def test_a_lamp_that_comes_on_is_read_within_a_minute(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(100)
    bench.vehicle.light_the_lamp()
    bench.drive(61)
    key_on, _full, change = bench.reports()
    assert (key_on.reason, change.reason) == ("key_on", "change")
    ecu = change.ecus["7E8"]
    assert (ecu.mil, ecu.code_count, ecu.confirmed) == (True, 1, ["P0420"])


def test_a_periodic_reading_with_news_is_a_change_which_is_never_dropped(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(5)
    bench.agent.take_reading("periodic")
    bench.vehicle.light_the_lamp()
    bench.agent.take_reading("periodic")
    assert [one.reason for one in bench.reports()] == ["key_on", "periodic", "change"]


def test_an_ask_is_answered_while_driving_declined_while_parked_void_when_late(
    bench: Bench,
) -> None:
    bench.ask()
    bench.drive(1)
    bench.vehicle.on = True
    bench.drive(20)
    bench.ask("full")
    bench.drive(1)
    bench.ask(life_s=0)
    bench.drive(1)
    parked, key_on, full = bench.reports()
    assert (parked.reason, parked.declined, parked.ask_id) == ("ask", "parked", "a1")
    assert parked.ecus == {}
    assert key_on.reason == "key_on"
    assert (full.reason, full.ask_id) == ("full", "a1")
    assert full.evidence is not UNSET
    assert ("03", "4300") in [(one.request, one.answer) for one in full.evidence]


def test_a_broken_bus_is_survived_and_is_no_key_off(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(20)
    bench.vehicle.broken = True
    bench.drive(120)
    bench.vehicle.broken = False
    bench.drive(20)
    assert bench.agent.ignition_on
    assert [one.reason for one in bench.reports()] == ["key_on", "full"]


def test_an_unset_clock_gives_readings_without_a_time(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "box", known=False)
    bench.vehicle.on = True
    bench.drive(30)
    bench.vehicle.on = False
    bench.drive(30)
    reports = bench.reports()
    assert [(one.taken_at, one.clock) for one in reports] == [(None, "unset")] * 2
    assert reports[1].driving_cycle is UNSET
    bench.outbox.close()


def test_a_parked_vehicle_is_never_asked(bench: Bench) -> None:
    bench.drive(600)
    bench.vehicle.on = True
    bench.drive(60)
    bench.vehicle.on = False
    bench.drive(11)  # until the silence counts as ignition off
    assert not bench.agent.ignition_on
    assert bench.requests(24 * 3600) == []
    bench.ask()
    assert bench.requests(5) == []


def test_the_silence_at_key_off_is_made_sure_of_with_a_handful_of_requests(bench: Bench) -> None:
    bench.vehicle.on = True
    bench.drive(30)
    bench.vehicle.on = False
    assert len(bench.requests(60)) <= 5


def test_a_door_that_wakes_the_bus_is_asked_only_now_and_then(bench: Bench) -> None:
    bench.vehicle.awake = True
    assert len(bench.requests(600)) <= 8
    bench.vehicle.awake = False
    assert bench.requests(600) == []
    bench.vehicle.on = True
    bench.drive(11)
    assert bench.agent.ignition_on


def test_a_start_while_the_bus_is_still_awake_is_noticed(bench: Bench) -> None:
    bench.vehicle.on = bench.vehicle.awake = True
    bench.drive(60)
    bench.vehicle.on = False
    bench.drive(30)
    assert not bench.agent.ignition_on
    bench.vehicle.on = True
    bench.drive(61)
    assert bench.agent.ignition_on


def test_the_command_line_asks_for_a_configuration(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        build_parser().parse_args(["run"])
    assert stopped.value.code == 2
    assert "--config" in capsys.readouterr().err


def test_a_bad_configuration_ends_with_3_and_names_every_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "gateway.toml"
    path.write_text('[gateway]\nid = "GW"\n[broker]\nurl = "x"\n')
    assert main(["run", "--config", str(path)]) == 3
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert all("expected" in line for line in lines)


BAD_STARTS = {
    "a bus that is not there": ("nocan0", "fresh", 4, "can.channel: 'nocan0'"),
    "an outbox that is not one": ("nocan0", "letter", 3, "gateway.outbox"),
}


@pytest.mark.parametrize("channel, box, code, message", BAD_STARTS.values(), ids=BAD_STARTS.keys())
def test_what_is_missing_at_the_start_is_one_clear_message(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    channel: str,
    box: str,
    code: int,
    message: str,
) -> None:
    (tmp_path / "letter").write_text("no outbox " * 1000)
    path = tmp_path / "gateway.toml"
    path.write_text(
        f'[gateway]\nid = "gw-0001"\noutbox = "{tmp_path / box}"\n'
        f'[can]\nchannel = "{channel}"\n[broker]\nurl = "mqtt://127.0.0.1:1"\n'
    )
    assert main(["run", "--config", str(path)]) == code
    lines = capsys.readouterr().err.strip().splitlines()
    assert message in lines[-1]


def test_a_reading_that_fails_at_key_on_is_taken_as_soon_as_the_bus_is_back(bench: Bench) -> None:
    bench.vehicle.on = bench.vehicle.broken = True
    bench.drive(30)
    bench.vehicle.broken = False
    bench.drive(11)
    assert [one.reason for one in bench.reports()] == ["key_on"]
