"""Reports from readings: one moment, split by ECU when it is too large (wire contract)."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest
from msgspec import UNSET

from gateway import contract
from gateway.contract import EcuReading, Evidence, MonitorResult
from gateway.facts import Monitor
from gateway.protocol.session import ReadResult
from gateway.sampling import Extras, Moment, NoReading, Sender, build_reports, news

SENDER = Sender("gw-0001", "6f1c2a7e-58b1-4e0d-9a43-0c6d5e2f7b10", "2026-10-01T06:00:00.000Z", 3)
MOMENT = Moment(datetime(2026, 11, 2, 13, 50, tzinfo=UTC), "synced", 10_000)


def results(count: int) -> list[MonitorResult]:
    return [
        MonitorResult(
            monitor_id=n % 256, test_id=129, scaling_id=10, value=1.25, low=0, high=2, unit="V"
        )
        for n in range(count)
    ]


def test_a_small_reading_is_one_report_without_a_part() -> None:
    reading = ReadResult(
        vin="1TESTVEH0V0000001",
        ecus={"7E8": EcuReading(mil=False, confirmed=[])},
        values={"coolant_c": 83},
    )
    (one,) = build_reports(SENDER, reading, "key_on", MOMENT, 7, [[2, 4]])
    assert (one.seq, one.part, one.dropped) == (7, UNSET, [[2, 4]])
    assert (one.coolant_c, one.vin) == (83, "1TESTVEH0V0000001")
    assert contract.decode_report(contract.encode(one)) == one


def test_an_unset_clock_gives_a_report_without_a_time() -> None:
    (one,) = build_reports(SENDER, NoReading(), "key_off", Moment(None, "unset", 5), 1)
    assert one.taken_at is None
    assert contract.decode_report(contract.encode(one)) == one


def test_a_large_reading_is_split_by_ecu_into_consecutive_seqs() -> None:
    ecus = {f"7E{n:X}": EcuReading(mil=False, test_results=results(150)) for n in range(8, 13)}
    reading = ReadResult(ecus=ecus, values={"coolant_c": 83})
    parts = build_reports(SENDER, reading, "full", MOMENT, 7, [[2, 4]], Extras(ask_id="a1"))
    assert len(parts) > 1
    assert [one.seq for one in parts] == list(range(7, 7 + len(parts)))
    assert [one.part for one in parts] == [[n + 1, len(parts)] for n in range(len(parts))]
    joined = {ecu: answer for one in parts for ecu, answer in one.ecus.items()}
    assert joined == ecus
    assert sum(len(one.ecus) for one in parts) == len(ecus)
    # Vehicle-wide facts are said once, the moment in every part.
    assert [one.coolant_c for one in parts] == [83] + [UNSET] * (len(parts) - 1)
    assert [one.dropped for one in parts] == [[[2, 4]]] + [UNSET] * (len(parts) - 1)
    assert {(one.taken_at, one.uptime_ms, one.ask_id) for one in parts} == {
        (contract.format_time(MOMENT.taken_at), 10_000, "a1")  # type: ignore[arg-type]
    }
    for one in parts:
        body = contract.encode(one)
        assert len(body) <= contract.MAX_BODY
        assert contract.decode_report(body) == one


def test_one_ecu_too_large_is_continued_and_nothing_is_lost() -> None:
    answer = EcuReading(mil=True, confirmed=["P0420"], test_results=results(512))
    evidence = [Evidence(ecu="7E8", request="0600", answer="46" * 3000) for _ in range(20)]
    reading = ReadResult(ecus={"7E8": answer}, evidence=evidence)
    parts = build_reports(SENDER, reading, "full", MOMENT, 1)
    told = [one.ecus["7E8"] for one in parts if "7E8" in one.ecus]
    assert [one.mil for one in told if one.mil is not UNSET] == [True]
    assert told[0].confirmed == ["P0420"]
    lists = [one.test_results for one in told if one.test_results is not UNSET]
    assert [item for one in lists for item in one] == answer.test_results
    kept = [item for one in parts if one.evidence is not UNSET for item in one.evidence]
    assert kept == evidence
    assert all(len(contract.encode(one)) <= contract.MAX_BODY for one in parts)


@pytest.mark.parametrize("spare, parts", [(0, 1), (1, 2)], ids=["at 32 KiB", "one byte above"])
def test_the_split_begins_just_above_the_limit(spare: int, parts: int) -> None:
    def reading(padding: int) -> ReadResult:
        return ReadResult(
            ecus={
                "7E8": EcuReading(in_use_counters={"x" * 15_000: 1}),
                "7E9": EcuReading(in_use_counters={"x" * padding: 1}),
            }
        )

    (bare,) = build_reports(SENDER, reading(0), "key_on", MOMENT, 1)
    padding = contract.MAX_BODY - len(contract.encode(bare)) + spare
    assert len(build_reports(SENDER, reading(padding), "key_on", MOMENT, 1)) == parts


BASE = ReadResult(
    ecus={
        "7E8": EcuReading(
            mil=False, code_count=0, monitors={Monitor.CATALYST: True}, confirmed=[], pending=[]
        )
    },
    values={"warm_ups_since_clear": 12, "coolant_c": 80},
)


def changed(values: dict[str, float | int] | None = None, **fields: Any) -> ReadResult:
    ecu = msgspec.structs.replace(BASE.ecus["7E8"], **fields)
    return ReadResult(ecus={"7E8": ecu}, values=dict(BASE.values) | (values or {}))


NEWS = {
    "the same again": (changed(), False),
    "warmer coolant": (changed({"coolant_c": 90}), False),
    "one more warm-up": (changed({"warm_ups_since_clear": 13}), False),
    "fewer warm-ups: codes were cleared": (changed({"warm_ups_since_clear": 0}), True),
    "lamp on": (changed(mil=True), True),
    "a pending code": (changed(pending=["P0420"]), True),
    "a monitor fell back": (changed(monitors={Monitor.CATALYST: False}), True),
    "a silent list": (changed(pending=UNSET), False),
    "an ECU more": (ReadResult(ecus={**BASE.ecus, "7E9": EcuReading(mil=False)}), True),
    "an ECU silent": (ReadResult(), False),
}


@pytest.mark.parametrize("after, expected", NEWS.values(), ids=NEWS.keys())
def test_news_is_a_lamp_a_code_a_monitor_or_a_clear(after: ReadResult, expected: bool) -> None:
    assert news(BASE, after) is expected
