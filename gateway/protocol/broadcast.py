"""J1939 lamp broadcasts, heard and never asked for: DM1, in one frame or in several.

SAE J1939-73, 5.7.1 (an older edition, quoted in public; A) lays out DM1. Longer ones come as a
broadcast announcement with numbered packets (SAE J1939-21 transport; C). Time is an argument.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from msgspec import UNSET

from gateway.contract import LampBroadcast, LampState, SuspectCode
from gateway.protocol.tables import FrameError

DM1, ANNOUNCEMENT, PACKET = 0xFECA, 0xEC00, 0xEB00
"""Parameter groups: active codes and lamps (A), transport control and data (C)."""
MAX_TRANSPORT = 1785
"""Most bytes of one transported message: 255 packets of 7 (from memory)."""
PACKET_GAP_S = 0.75
"""A packet later than this ends the message; senders keep 50 to 200 ms (limit from memory)."""
MAX_CODES = 255
"""Most codes of one controller a report holds (gateway.contract)."""

_BROADCAST, _BAM = 0xFF, 0x20
_LIT: dict[int, LampState] = {0: "slow_flash", 1: "fast_flash", 2: "on", 3: "on"}
"""A lit lamp by its pair in byte 2: 1 Hz, 2 Hz, reserved, no flash (C)."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a 29-bit identifier says: parameter group, addressed controller, sender."""

    group: int
    target: int
    source: int


def read_header(can_id: int) -> Header:
    """Take a 29-bit identifier apart; a group below F000 is sent to one address (A)."""
    group, source = can_id >> 8 & 0x3FFFF, can_id & 0xFF
    if (group >> 8 & 0xFF) < 0xF0:
        return Header(group & 0x3FF00, group & 0xFF, source)
    return Header(group, _BROADCAST, source)


def decode_dm1(data: bytes, source: int) -> LampBroadcast:
    """Read the data of one DM1 message, or raise `FrameError`.

    Byte 1 from the highest pair down: malfunction, stop, warning, protect (A); a code is four
    bytes. Eight bytes hold at most one code, and more come with their exact length.
    """
    if len(data) < 6 or (len(data) != 8 and len(data) % 4 != 2):
        raise FrameError(f"DM1 of {source:02X}: {len(data)} bytes, expected 8 or 2 + 4 per code")
    end = 6 if len(data) == 8 else len(data)
    malfunction, stop, warning, protect = (
        _lamp(data[0] >> shift & 3, data[1] >> shift & 3) for shift in (6, 4, 2, 0)
    )
    codes = [_code(data[place : place + 4]) for place in range(2, end, 4)]
    return LampBroadcast(
        source=source,
        malfunction=malfunction,
        stop=stop,
        warning=warning,
        protect=protect,
        codes=[code for code in codes if code is not None][:MAX_CODES],
    )


def _lamp(command: int, flash: int) -> LampState:
    if command == 1:
        return _LIT[flash]
    return "off" if command == 0 else "not_available"


def _code(four: bytes) -> SuspectCode | None:
    """SPN in 19 bits, FMI in 5, then the older-order bit and the count (A).

    SPN 0 with FMI 0 stands for "no code" and all ones for "not available" (from memory). With
    the older-order bit set the SPN may be meant in another order: it is kept raw and flagged.
    """
    low, middle, high, last = four
    spn, fmi, count = low | middle << 8 | high >> 5 << 16, high & 31, last & 127
    if (spn == 0 and fmi == 0) or four == b"\xff\xff\xff\xff":
        return None
    return SuspectCode(
        spn=spn,
        fmi=fmi,
        occurrences=UNSET if count == 127 else count,
        older_order=True if last & 0x80 else UNSET,
    )


@dataclass(slots=True)
class _Transfer:
    """A DM1 on its way in packets."""

    size: int
    packets: int
    heard_s: float
    body: bytearray = field(default_factory=bytearray)
    next_number: int = 1


@dataclass(slots=True)
class LampListener:
    """Listens to J1939 frames; `latest` holds the last DM1 of each sender.

    `faults` counts messages that broke their layout, came out of order or stopped half way; they
    are dropped, and never raise.
    """

    latest: dict[int, LampBroadcast] = field(default_factory=dict)
    faults: int = 0
    _open: dict[int, _Transfer] = field(default_factory=dict)

    def feed(self, can_id: int, data: bytes, at_s: float) -> LampBroadcast | None:
        """Take one 29-bit frame at a monotonic time; return a DM1 when it is whole."""
        header = read_header(can_id)
        try:
            if header.group == DM1:
                return self._keep(decode_dm1(data, header.source))
            if header.group == ANNOUNCEMENT and header.target == _BROADCAST:
                self._announce(data, header.source, at_s)
            elif header.group == PACKET and header.target == _BROADCAST:
                return self._packet(data, header.source, at_s)
        except FrameError:
            self.faults += 1
            self._open.pop(header.source, None)
        return None

    def _keep(self, heard: LampBroadcast) -> LampBroadcast:
        self.latest[heard.source] = heard
        return heard

    def _announce(self, data: bytes, source: int, at_s: float) -> None:
        """`20 <size, low first> <packets> FF <group, low first>` (C)."""
        if self._open.pop(source, None) is not None:
            self.faults += 1  # a sender has one broadcast under way: the earlier one broke off
        if len(data) != 8:
            raise FrameError(f"announcement: {len(data)} bytes, expected 8")
        size, packets = int.from_bytes(data[1:3], "little"), data[3]
        if data[0] != _BAM or int.from_bytes(data[5:8], "little") != DM1:
            return
        if not 8 < size <= MAX_TRANSPORT or packets != -(-size // 7):
            raise FrameError(f"announcement: {size} bytes in {packets} packets")
        self._open[source] = _Transfer(size, packets, at_s)

    def _packet(self, data: bytes, source: int, at_s: float) -> LampBroadcast | None:
        transfer = self._open.get(source)
        if transfer is None:  # of another group, or of a message that broke before
            return None
        late = not 0 <= at_s - transfer.heard_s <= PACKET_GAP_S
        if late or len(data) != 8 or data[0] != transfer.next_number:
            raise FrameError(f"packet of {source:02X}: late, short or out of order")
        transfer.body += data[1:]
        transfer.next_number, transfer.heard_s = transfer.next_number + 1, at_s
        if transfer.next_number <= transfer.packets:
            return None
        del self._open[source]
        return self._keep(decode_dm1(bytes(transfer.body[: transfer.size]), source))
