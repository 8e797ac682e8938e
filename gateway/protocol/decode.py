"""From the bytes of one answer to facts: pure, and `FrameError` is the only way to fail.

An answer is the payload after transport: service + 0x40, then what the service lays down. The
caller has removed padding by the transport's length, so a length that does not fit is a fault.
"""

from __future__ import annotations

from functools import lru_cache
from types import MappingProxyType

from gateway.contract import Calibration
from gateway.facts import CycleStatus, Ignition, Monitor, Readiness
from gateway.protocol import tables
from gateway.protocol.tables import PIDS, FrameError, Pid

__all__ = [
    "PIDS",
    "FrameError",
    "decode_bitmap",
    "decode_calibrations",
    "decode_codes",
    "decode_pid",
    "decode_readiness",
    "decode_this_cycle",
    "decode_value",
    "decode_vin",
]

_SYSTEMS = "PCBU"
"""Bits 15-14 of a code: 00 P, 01 C, 10 B, 11 U (SAE J1979, J2012; B)."""
_VIN_BYTES = 17
_VIN_LETTERS = frozenset("ABCDEFGHJKLMNPRSTUVWXYZ0123456789")
"""I, O and Q never stand in a VIN (49 CFR 565; A)."""


def decode_pid(answer: bytes, pid: int, width: int) -> bytes:
    """Return the data bytes of a service 01 answer to one PID (`41 <pid> <data>`)."""
    if len(answer) != 2 + width or answer[0] != 0x41 or answer[1] != pid:
        raise FrameError(
            f"service 01, PID {pid:02X}: {_show(answer)}, expected 41 {pid:02X} and {width} bytes"
        )
    return answer[2:]


def decode_value(pid: Pid, data: bytes) -> float | int:
    """Scale the data bytes of a PID into its unit."""
    if len(data) != pid.width:
        raise FrameError(f"{pid.name}: {len(data)} bytes, expected {pid.width}")
    return pid.scale.apply(int.from_bytes(data, "big"))


@lru_cache(maxsize=256)
def decode_bitmap(base: int, data4: bytes) -> frozenset[int]:
    """The ids supported among base+1 ... base+32: highest bit of byte A first (J1979; B)."""
    word = _word(data4, f"support bitmap {base:02X}")
    return frozenset(base + place for place in range(1, 33) if word >> (32 - place) & 1)


@lru_cache(maxsize=4096)
def decode_readiness(data4: bytes) -> Readiness:
    """Read the four data bytes of PID 01 (SAE J1979; B).

    A completeness bit of 0 means complete, and is looked at only where support is set.
    """
    _word(data4, "PID 01")
    lamp, common, supported, waiting = data4
    compression = bool(common & tables.COMPRESSION_BIT)
    ignition = Ignition.COMPRESSION if compression else Ignition.SPARK
    complete = {
        monitor: not common & not_complete
        for monitor, support, not_complete in tables.CONTINUOUS_BITS
        if common & support
    }
    for monitor, bit in tables.MONITOR_BITS[ignition]:
        if supported & bit:
            complete[monitor] = not waiting & bit
    return Readiness(
        mil_commanded=bool(lamp & tables.MIL_BIT),
        code_count=lamp & ~tables.MIL_BIT,
        ignition=ignition,
        complete=MappingProxyType(complete),
    )


def decode_this_cycle(data4: bytes, since_clear: Readiness) -> dict[Monitor, CycleStatus]:
    """Read the four data bytes of PID 41 for the monitors PID 01 of the same ECU supports.

    Its support bits mean "enabled for the rest of this driving cycle" (J1979; C, detail M). The
    ignition is that of PID 01, so that a PID 41 sent without bit 3 is not read as a spark one.
    """
    _word(data4, "PID 41")
    _, common, enabled, waiting = data4
    status = {
        monitor: _cycle(common & enable, common & not_complete)
        for monitor, enable, not_complete in tables.CONTINUOUS_BITS
        if monitor in since_clear.complete
    }
    for monitor, bit in tables.MONITOR_BITS[since_clear.ignition]:
        if monitor in since_clear.complete:
            status[monitor] = _cycle(enabled & bit, waiting & bit)
    return status


def decode_codes(answer: bytes, service: int) -> list[str]:
    """Read the answer to service 03, 07 or 0A on CAN: `<service+40> <count> <code>*` (B).

    `00 00` is padding and no code (B), inside the count and after it.
    """
    positive = service + tables.POSITIVE
    if service not in tables.CODE_SERVICES or len(answer) < 2 or answer[0] != positive:
        raise FrameError(f"service {service:02X}: {_show(answer)}, expected {positive:02X} <count>")
    end = 2 + 2 * answer[1]
    if len(answer) < end or len(answer) % 2 or any(answer[end:]):
        raise FrameError(
            f"service {service:02X}: {len(answer)} bytes, expected {end} for {answer[1]} codes"
        )
    pairs = (answer[place : place + 2] for place in range(2, end, 2))
    return [_code(pair) for pair in pairs if any(pair)]


def decode_vin(answer: bytes) -> str:
    """Read `49 02 01` and 17 characters, which zeros may precede (SAE J1979; B)."""
    if answer[:3] != b"\x49\x02\x01":
        raise FrameError(f"VIN: {_show(answer)}, expected 49 02 01 and 17 characters")
    text = answer[3:].lstrip(b"\0").decode("latin-1")
    if len(text) != _VIN_BYTES or not _VIN_LETTERS.issuperset(text):
        raise FrameError(f"VIN: {text!r}, expected 17 capital letters and digits without I, O, Q")
    return text


def decode_calibrations(names: bytes, numbers: bytes | None = None) -> list[Calibration]:
    """Pair calibration ids (`49 04 n`, n*16) with their numbers (`49 06 n`, n*4) (J1979; B).

    Numbers are paired only when there are as many as ids; blank ids are left out.
    """
    ids = _items(names, tables.CALIBRATION_IDS, tables.CALIBRATION_ID_BYTES)
    sums = [] if numbers is None else _items(
        numbers, tables.CALIBRATION_NUMBERS, tables.CALIBRATION_NUMBER_BYTES
    )  # fmt: skip
    texts = [_text(item) for item in ids]
    if len(sums) != len(texts):
        return [Calibration(id=text) for text in texts if text]
    pairs = zip(texts, sums, strict=True)
    return [Calibration(id=text, cvn=number.hex().upper()) for text, number in pairs if text]


def _word(data4: bytes, what: str) -> int:
    if len(data4) != 4:
        raise FrameError(f"{what}: {len(data4)} data bytes, expected 4")
    return int.from_bytes(data4, "big")


def _cycle(enabled: int, not_complete: int) -> CycleStatus:
    if not enabled:
        return CycleStatus.DISABLED
    return CycleStatus.NOT_COMPLETE if not_complete else CycleStatus.COMPLETE


def _code(pair: bytes) -> str:
    """Bits 15-14 the system, 13-12 the first digit, then three hex digits (SAE J1979; B)."""
    high, low = pair
    return f"{_SYSTEMS[high >> 6]}{high >> 4 & 3}{high & 15:X}{low:02X}"


def _items(answer: bytes, info_type: int, width: int) -> list[bytes]:
    if len(answer) < 3 or answer[0] != 0x49 or answer[1] != info_type:
        raise FrameError(f"info type {info_type:02X}: {_show(answer)}")
    count = answer[2]
    if count > tables.MAX_CALIBRATIONS or len(answer) != 3 + count * width:
        raise FrameError(
            f"info type {info_type:02X}: {count} items in {len(answer) - 3} bytes, "
            f"expected at most {tables.MAX_CALIBRATIONS} items of {width}"
        )
    return [answer[place : place + width] for place in range(3, len(answer), width)]


def _text(item: bytes) -> str:
    text = item.rstrip(b"\0 ").decode("latin-1")
    if not (text.isascii() and (text.isprintable() or not text)):
        raise FrameError(f"calibration id: {item.hex()}, expected printable ASCII")
    return text.strip()


def _show(answer: bytes) -> str:
    return answer[:8].hex(" ").upper() or "nothing"
