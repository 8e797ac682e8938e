"""Bad input through the whole gateway: from frames on a bus to the report in the outbox.

What cannot be read is named in the log and absent from the report, which means "not answered";
everything else of the reading stands. Layouts are SAE J1979 over ISO 15765-2 (B).
"""

from __future__ import annotations

import logging
import random
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import can
import pytest
from msgspec import UNSET

from gateway import contract
from tests.support.vehicle_bench import SAMPLE, VehicleBench, vehicle_bench

VIN = "1M8GDM9AXKP042788"
FIRST, SECOND, THIRD = (
    "7E8 10 14 49 02 01 31 4D 38",
    "7E8 21 47 44 4D 39 41 58 4B",
    "7E8 22 50 30 34 32 37 38 38",
)
"""The VIN trace: SAE J1979 service 09 over ISO 15765-2, replayed before on a virtual bus."""
FF = "FF FF FF FF FF FF FF"


@pytest.fixture
def bench(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> Iterator[VehicleBench]:
    """A gateway in whose loop nothing may be raised, whatever comes."""
    caplog.set_level(logging.DEBUG, "gateway")
    with vehicle_bench(tmp_path) as one:
        one.awake = True
        yield one
    assert [one.getMessage() for one in caplog.records if one.exc_info] == []
    assert "step failed" not in caplog.text


def vin(report: contract.Report) -> Any:
    return report.vin


def told(name: str) -> Callable[[contract.Report], Any]:
    """What the engine's ECU said of one field."""
    return lambda report: getattr(report.ecus["7E8"], name)


def vehicle(name: str) -> Callable[[contract.Report], Any]:
    return lambda report: getattr(report, name)


# Request, the frames that answer it, where to look in the report, what stands there, the fault
# that is named (None: the answer never came about, which is silence).
Row = tuple[str, Sequence[str], Callable[[contract.Report], Any], Any, str | None]
ROWS: dict[str, Row] = {
    "the VIN trace itself": ("0902", (FIRST, SECOND, THIRD), vin, VIN, None),
    "a VIN of FFs": (
        "0902", ("7E8 10 14 49 02 01 FF FF FF", f"7E8 21 {FF}", f"7E8 22 {FF}"), vin, UNSET, "VIN",
    ),
    "a VIN cut short": (
        "0902", (FIRST.replace("10 14", "10 0D"), SECOND), vin, UNSET, "VIN",
    ),
    "a VIN with a tail": (
        "0902", (FIRST.replace("10 14", "10 16"), SECOND, THIRD, "7E8 23 31 32"), vin, UNSET, "VIN",
    ),
    "a VIN of two items": (
        "0902", (FIRST.replace("02 01", "02 02"), SECOND, THIRD), vin, UNSET, "VIN",
    ),
    "a VIN with a letter it never has": (
        "0902", (FIRST, SECOND, THIRD.replace("38 38", "38 4F")), vin, UNSET, "VIN",
    ),
    "a VIN without its last frame": ("0902", (FIRST, SECOND), vin, UNSET, None),
    "a VIN out of sequence": ("0902", (FIRST, THIRD, SECOND), vin, UNSET, None),
    "a VIN with a frame twice": ("0902", (FIRST, SECOND, SECOND, THIRD), vin, UNSET, None),
    "a VIN of two ECUs in pieces": (
        "0902", (FIRST, SECOND.replace("7E8", "7E9"), THIRD.replace("7E8", "7E9")), vin, UNSET,
        None,
    ),
    "two ECUs' VINs interleaved": (
        "0902",
        (FIRST, FIRST.replace("7E8", "7E9"), SECOND, SECOND.replace("7E8", "7E9"),
         THIRD.replace("7E8", "7E9"), THIRD), vin, VIN, None,
    ),
    "one ECU's VIN broken, another's whole": (
        "0902", (FIRST, THIRD, *(one.replace("7E8", "7E9") for one in (FIRST, SECOND, THIRD))),
        vin, VIN, None,
    ),
    "a VIN refused": ("0902", ("7E8 03 7F 09 12",), vin, UNSET, None),
    "fewer codes than counted": (
        "03", ("7E8 04 43 02 04 20",), told("confirmed"), UNSET, "service 03",
    ),
    "more codes than counted": (
        "03", ("7E8 06 43 01 04 20 01 71",), told("confirmed"), UNSET, "service 03",
    ),
    "half a code": ("03", ("7E8 03 43 01 04",), told("confirmed"), UNSET, "service 03"),
    "255 codes in two bytes": ("07", ("7E8 02 47 FF",), told("pending"), UNSET, "service 07"),
    "no count of codes": ("0A", ("7E8 01 4A",), told("permanent"), UNSET, "service 0A"),
    "the codes of another service": ("03", ("7E8 02 47 00",), told("confirmed"), UNSET, None),
    "readiness of three bytes": (
        "0101", ("7E8 05 41 01 00 07 61",), told("mil"), UNSET, "PID 01",
    ),
    "readiness of five bytes": (
        "0101", ("7E8 07 41 01 80 07 61 00 00",), told("mil"), UNSET, "PID 01",
    ),
    "readiness under another PID": (
        "0101", ("7E8 06 41 02 80 07 61 00",), told("mil"), UNSET, None,
    ),
    "a temperature without a byte": (
        "0105", ("7E8 02 41 05",), vehicle("coolant_c"), UNSET, "PID 05",
    ),
    "a voltage too long": (
        "0142", ("7E8 05 41 42 36 B0 00",), vehicle("module_v"), UNSET, "PID 42",
    ),
    "a first bitmap cut short": (
        "0100", ("7E8 05 41 00 88 18 00",), vehicle("coolant_c"), UNSET, "bitmap",
    ),
    "a bitmap too long": (
        "0900", ("7E8 07 49 00 40 00 00 00 00",), vehicle("coolant_c"), 83, "bitmap",
    ),
    "a bitmap that announces all": ("0140", ("7E8 06 41 40 FF FF FF FF",), vin, VIN, None),
    "a sample cut short": (SAMPLE, ("7E8 03 41 0C 0D",), vin, VIN, None),
    "a sample of unknown values": (SAMPLE, ("7E8 07 41 FF 0C 0D AC 0D 32",), vin, VIN, None),
    "a sample that is empty": (SAMPLE, ("7E8 00",), vin, VIN, None),
}  # fmt: skip


@pytest.mark.parametrize("request_, frames, look, value, fault", ROWS.values(), ids=ROWS.keys())
def test_a_bad_answer_is_absent_from_the_report_and_all_else_stands(
    bench: VehicleBench,
    caplog: pytest.LogCaptureFixture,
    request_: str,
    frames: Sequence[str],
    look: Callable[[contract.Report], Any],
    value: object,
    fault: str | None,
) -> None:
    bench.break_answers({request_: frames})
    bench.pass_time(3)
    (report,) = bench.reports()
    assert (report.reason, report.heard) == ("key_on", "answers")
    assert look(report) == value
    named = [
        one.getMessage() for one in caplog.records
        if one.name == "gateway.readings" and one.levelno == logging.WARNING
    ]  # fmt: skip
    assert [fault is not None and fault in line for line in named] == [True] * (fault is not None)
    stands = {"mil": False, "code_count": 0, "confirmed": [], "pending": [], "permanent": []}
    broken = {"0101": {"mil", "code_count"}, "03": {"confirmed"}, "07": {"pending"},
              "0A": {"permanent"}}.get(request_, set())  # fmt: skip
    for name in stands.keys() - broken:
        assert getattr(report.ecus["7E8"], name) == stands[name]
    assert bench.agent.ignition_on


def check_garbage(bench: VehicleBench, dice: random.Random, looks: int) -> None:
    """Noise on the bus all the while: ids of answers and others, lengths and kinds of all sorts."""
    ids = [*range(0x7E8, 0x7F0), 0x3B0, 0x000, 0x7FF]
    bench.pass_time(3)
    for _ in range(looks):
        for _ in range(dice.randrange(1, 8)):
            kind = dice.choice((b"", b"\x10\xff", b"\x21", b"\x22", b"\x30", b"\x7f", b"\x00"))
            bench.at.listener.send(
                can.Message(
                    arbitration_id=dice.choice(ids),
                    data=(kind + dice.randbytes(8))[: dice.randrange(9)],
                    is_extended_id=dice.random() < 0.1,
                    is_remote_frame=dice.random() < 0.02,
                    is_error_frame=dice.random() < 0.02,
                )
            )
        bench.pass_time(6, 6.0)


def test_garbage_on_the_bus_changes_no_fact(bench: VehicleBench) -> None:
    check_garbage(bench, random.Random(3), 20)
    assert bench.agent.ignition_on
    for report in bench.reports():
        said = report.ecus["7E8"]
        assert (said.mil, said.confirmed, report.vin) == (False, [], VIN)


@pytest.mark.parametrize("years", [10, -10])
def test_a_clock_that_jumps_ten_years_is_flagged_in_every_report_after_it(
    bench: VehicleBench, years: int
) -> None:
    bench.pass_time(5)
    bench.clock.wall = timedelta(days=365.25 * years)
    bench.pass_time(70)
    bench.ask()
    bench.pass_time(2)
    bench.turn_key_off()
    bench.awake = False
    bench.pass_time(24, 6.0)
    reports = bench.reports()
    assert [(one.reason, one.clock) for one in reports] == [
        ("key_on", "synced"), ("full", "held"), ("ask", "held"), ("key_off", "held"),
    ]  # fmt: skip
    ups = [one.uptime_ms for one in reports]
    assert ups == sorted(ups)  # what ran on all the while
    (cycle,) = bench.cycles()
    assert cycle.propulsion_on_s == pytest.approx(77, abs=8)
    assert bench.past(cycle.ended_at) - bench.past(cycle.started_at) == pytest.approx(
        cycle.propulsion_on_s, abs=0.01
    )
