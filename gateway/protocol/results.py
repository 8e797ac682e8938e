"""Service 06: on-board monitor test results, and whether each passed.

An answer is 46 and records of nine bytes: monitor id, test id, unit-and-scaling id, then value,
lowest and highest limit, two bytes each (SAE J1979; C).
"""

from __future__ import annotations

from msgspec import UNSET, UnsetType

from gateway.contract import MonitorResult
from gateway.protocol.scalings import SCALINGS, is_signed
from gateway.protocol.tables import FrameError

MONITOR_RESULTS = 0x06
"""Service of the test results (SAE J1979; B)."""
RECORD_BYTES = 9
MAX_RESULTS = 512
"""Most results of one ECU a report holds (gateway.contract)."""


def decode_results(answer: bytes, monitor_id: int) -> list[MonitorResult]:
    """Read the answer to `06 <monitor id>`, or raise `FrameError`.

    A record of another monitor makes the whole answer worthless: it mixes two answers, or is laid
    out in another way.
    """
    body = answer[1:]
    if answer[:1] != b"\x46" or not body or len(body) % RECORD_BYTES:
        raise FrameError(
            f"service 06, monitor {monitor_id:02X}: {len(answer)} bytes, "
            f"expected 46 and records of {RECORD_BYTES}"
        )
    records = [body[place : place + RECORD_BYTES] for place in range(0, len(body), RECORD_BYTES)]
    strangers = {f"{record[0]:02X}" for record in records if record[0] != monitor_id}
    if strangers:
        raise FrameError(f"service 06, monitor {monitor_id:02X}: records of {sorted(strangers)}")
    return [_result(record) for record in records]


def _result(record: bytes) -> MonitorResult:
    monitor_id, test_id, scaling_id = record[:3]
    signed = is_signed(scaling_id)
    value, low, high = (
        int.from_bytes(record[place : place + 2], "big", signed=signed) for place in (3, 5, 7)
    )
    scaling = SCALINGS.get(scaling_id)
    # Judged on the raw numbers: the rule needs the sign and no unit (B; sign from memory).
    passed: bool | UnsetType = low <= value <= high
    if value == low == high == 0:  # has not run since codes were cleared (from memory)
        passed = UNSET
    if scaling is None:
        return MonitorResult(
            monitor_id=monitor_id,
            test_id=test_id,
            scaling_id=scaling_id,
            value=value,
            low=low,
            high=high,
            passed=passed,
        )
    return MonitorResult(
        monitor_id=monitor_id,
        test_id=test_id,
        scaling_id=scaling_id,
        value=scaling.apply(value),
        low=scaling.apply(low),
        high=scaling.apply(high),
        unit=scaling.unit,
        passed=passed,
    )
