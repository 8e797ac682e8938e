"""Service 02: what an ECU kept of the moment a code was stored.

`02 <pid> <frame>` is answered `42 <pid> <frame> <data>`; frame 00 is the one the standard asks
for, and its data scale as those of service 01 (SAE J1979; B).
"""

from __future__ import annotations

from gateway.protocol.decode import decode_codes
from gateway.protocol.live import Row, decode_row
from gateway.protocol.tables import FrameError

FREEZE_FRAME = 0x02
"""Service of the freeze frames (SAE J1979; B)."""
CAUSE = 0x02
"""PID of service 02 that names the code behind the frame; 0000 = no frame (SAE J1979; B)."""
FRAME = 0x00


def decode_cause(answer: bytes) -> str | None:
    """Read `42 02 00 <code>`: the code behind the frame, None where no frame is kept."""
    pair = _data(answer, CAUSE, 2)
    codes = decode_codes(b"\x43\x01" + pair, 3)
    return codes[0] if codes else None


def decode_frame_value(answer: bytes, row: Row) -> dict[str, float]:
    """Read one value of the frame into its named numbers, or raise `FrameError`."""
    return decode_row(row, _data(answer, row.pid, row.width))


def _data(answer: bytes, pid: int, width: int) -> bytes:
    if answer[:3] != bytes((0x42, pid, FRAME)) or len(answer) != 3 + width:
        raise FrameError(
            f"service 02, PID {pid:02X}: {answer[:8].hex(' ').upper() or 'nothing'}, "
            f"expected 42 {pid:02X} 00 and {width} bytes"
        )
    return answer[3:]
