"""One reading of a vehicle as a conversation without I/O.

`ReadSession.requests()` yields what to ask next and looks at what was fed in between; the caller
owns the bus and the clock. What never changes between readings (support, VIN, calibrations, OBD
type) is taken from an earlier result of the same vehicle. The usual reading is kept short; a full
one adds live values, freeze frames, monitor test results and in-use counters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal, TypeVar

from msgspec import UNSET

from gateway.contract import Calibration, EcuReading, Evidence
from gateway.facts import CycleStatus, Monitor
from gateway.protocol import full, tables
from gateway.protocol.decode import (
    decode_bitmap,
    decode_calibrations,
    decode_codes,
    decode_pid,
    decode_readiness,
    decode_this_cycle,
    decode_value,
    decode_vin,
)
from gateway.protocol.freeze import FREEZE_FRAME
from gateway.protocol.results import MONITOR_RESULTS
from gateway.protocol.tables import PIDS, FrameError

T = TypeVar("T")

Ask = Callable[[bytes], Mapping[str, bytes]]
"""Sends one functional request; returns the answers by ECU id, silent ECUs absent."""

Depth = Literal["usual", "full"]
"""How much a reading asks: `usual` is lamp, codes, readiness and vehicle-wide values."""

MAX_EVIDENCE = 512
"""Most answers a report holds as evidence (gateway.contract)."""

_FIELDS = {tables.CONFIRMED: "confirmed", tables.PENDING: "pending", tables.PERMANENT: "permanent"}
_EVERY_READING = frozenset({tables.READINESS, tables.READINESS_THIS_CYCLE, *PIDS})
_NOTHING: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class ReadResult:
    """What one reading found.

    `values` holds the vehicle-wide fields of `contract.Report`; a key that is absent was not
    answered. `live` holds the values of a full reading by name, and is empty in a usual one. The
    four supports are the ids of services 01, 09, 02 and 06 that each ECU answers, kept for the
    next reading. `faults` names answers that broke their layout and count as not answered.
    """

    vin: str | None = None
    ecus: dict[str, EcuReading] = field(default_factory=dict)
    values: dict[str, float | int] = field(default_factory=dict)
    evidence: list[Evidence] = field(default_factory=list)
    support: Mapping[str, frozenset[int]] = field(default_factory=dict)
    info_support: Mapping[str, frozenset[int]] = field(default_factory=dict)
    frame_support: Mapping[str, frozenset[int]] = field(default_factory=dict)
    result_support: Mapping[str, frozenset[int]] = field(default_factory=dict)
    live: dict[str, float] = field(default_factory=dict)
    faults: tuple[str, ...] = ()


@lru_cache(maxsize=256)
def _plan(supported: frozenset[int]) -> tuple[bytes, ...]:
    pids = sorted(supported & _EVERY_READING)
    values = tuple(bytes((tables.CURRENT_DATA, pid)) for pid in pids)
    return values + tuple(bytes((service,)) for service in tables.CODE_SERVICES)


class ReadSession:
    """One reading: iterate `requests()`, `feed` every answer, then take `result()`."""

    def __init__(
        self,
        want_evidence: bool = False,
        static: ReadResult | None = None,
        depth: Depth = "usual",
    ) -> None:
        """`static` is an earlier result of the same vehicle; without one everything is asked."""
        known = static if static is not None and static.support else ReadResult()
        self._static = known
        self._support: dict[str, frozenset[int]] = dict(known.support)
        self._info: dict[str, frozenset[int]] = dict(known.info_support)
        self._frames: dict[str, frozenset[int]] = dict(known.frame_support)
        self._results: dict[str, frozenset[int]] = dict(known.result_support)
        self._full = depth == "full"
        self._causes: dict[str, str | None] = {}
        self._want_evidence = want_evidence
        self._answers: dict[bytes, dict[str, bytes]] = {}
        self._evidence: list[Evidence] = []
        self._faults: list[str] = []

    # --------------------------------------------------------------------------- the conversation

    def requests(self) -> Iterator[bytes]:
        """Yield each functional request in turn; feed its answers before taking the next."""
        if not self._support:
            yield from self._ask_bitmaps(tables.CURRENT_DATA, self._support)
        supported = _union(self._support) | {tables.READINESS}
        yield from _plan(supported)
        if not self._static.support and tables.OBD_TYPE in supported:
            yield bytes((tables.CURRENT_DATA, tables.OBD_TYPE))
        yield from self._ask_identity()
        if self._full and any(self._answers.values()):
            yield from self._ask_full(supported)

    def _ask_full(self, supported: frozenset[int]) -> Iterator[bytes]:
        yield from full.live_requests(supported)
        yield full.ASK_CAUSE
        self._causes = full.causes(self._answers, self._attempt)
        keep = {ecu for ecu, code in self._causes.items() if code is not None}
        if keep:
            if keep - self._frames.keys():
                yield from self._ask_bitmaps(FREEZE_FRAME, self._frames, b"\0")
            kept = {ecu: self._frames.get(ecu, _NOTHING) for ecu in keep}
            yield from full.frame_requests(_union(kept), every=self._want_evidence)
        if not self._results:
            yield from self._ask_bitmaps(MONITOR_RESULTS, self._results)
        yield from full.result_requests(_union(self._results))
        if not self._info and self._static.vin is not None:  # otherwise just asked in vain
            yield from self._ask_bitmaps(tables.VEHICLE_INFO, self._info)
        yield from full.counter_requests(_union(self._info))

    def _ask_identity(self) -> Iterator[bytes]:
        if self._static.vin is not None:
            return
        if not self._info:
            yield from self._ask_bitmaps(tables.VEHICLE_INFO, self._info)
        # A vehicle without this bitmap may still tell its VIN, and one that is silent to
        # everything is not asked any more.
        supported = _union(self._info) | ({tables.VIN} if any(self._answers.values()) else set())
        for info_type in (tables.VIN, tables.CALIBRATION_IDS, tables.CALIBRATION_NUMBERS):
            if info_type in supported:
                yield bytes((tables.VEHICLE_INFO, info_type))

    def _ask_bitmaps(
        self, service: int, into: dict[str, frozenset[int]], frame: bytes = b""
    ) -> Iterator[bytes]:
        """Ask the next bitmap only where some ECU says it exists (SAE J1979; B).

        `frame` is the frame number that service 02 wants after each id.
        """
        for base in tables.BITMAPS:
            if base and base not in _union(into):
                return
            request = bytes((service, base)) + frame
            yield request
            for ecu, answer in self._answers.get(request, {}).items():
                data = self._attempt(ecu, lambda: _bitmap_data(answer, request))  # noqa: B023 - called at once
                if data is not None:
                    into[ecu] = into.get(ecu, _NOTHING) | decode_bitmap(base, data)

    def feed(self, ecu_id: str, request: bytes, answer: bytes) -> None:
        """Take the answer of one ECU; a negative one is kept as evidence and means silence."""
        if self._want_evidence and len(self._evidence) < MAX_EVIDENCE:
            self._evidence.append(
                Evidence(ecu=ecu_id, request=request.hex().upper(), answer=answer.hex().upper())
            )
        if answer and answer[0] != tables.NEGATIVE:
            self._answers.setdefault(request, {})[ecu_id] = answer

    # ----------------------------------------------------------------------------------- the facts

    def result(self) -> ReadResult:
        """Decode what was fed."""
        ecus = self._readiness()
        self._codes(ecus)
        self._identity(ecus)
        if self._full:
            self._more(ecus)
        return ReadResult(
            vin=self._vin(),
            ecus={ecu: EcuReading(**facts) for ecu, facts in sorted(ecus.items()) if facts},
            values=self._values(),
            evidence=self._evidence,
            support=self._support,
            info_support=self._info,
            frame_support=self._frames,
            result_support=self._results,
            live=self._live() if self._full else {},
            faults=tuple(self._faults),
        )

    def _readiness(self) -> dict[str, dict[str, Any]]:
        ecus: dict[str, dict[str, Any]] = {}
        cycles = self._pid_answers(tables.READINESS_THIS_CYCLE)
        for ecu, answer in self._pid_answers(tables.READINESS).items():
            try:
                known = decode_readiness(decode_pid(answer, tables.READINESS, 4))
            except FrameError as error:
                self._fault(ecu, error)
                continue
            facts = ecus[ecu] = {
                "mil": known.mil_commanded,
                "code_count": known.code_count,
                "ignition": known.ignition,
                "monitors": dict(known.complete),
            }
            if ecu in cycles:
                facts["monitors_this_cycle"] = self._this_cycle(ecu, cycles[ecu], answer)
        return ecus

    def _this_cycle(self, ecu: str, answer: bytes, since_clear: bytes) -> Any:
        known = decode_readiness(since_clear[2:])
        try:
            status: dict[Monitor, CycleStatus] = decode_this_cycle(
                decode_pid(answer, tables.READINESS_THIS_CYCLE, 4), known
            )
        except FrameError as error:
            self._fault(ecu, error)
            return UNSET
        return status

    def _codes(self, ecus: dict[str, dict[str, Any]]) -> None:
        for service, name in _FIELDS.items():
            for ecu, answer in self._answers.get(bytes((service,)), {}).items():
                try:
                    codes = decode_codes(answer, service)
                except FrameError as error:
                    self._fault(ecu, error)
                else:
                    ecus.setdefault(ecu, {})[name] = codes

    def _values(self) -> dict[str, float | int]:
        """The first ECU that answers a PID in its layout speaks for the vehicle."""
        values: dict[str, float | int] = {}
        for pid, row in PIDS.items():
            answers = self._pid_answers(pid)
            for ecu in answers if len(answers) < 2 else sorted(answers):
                try:
                    values[row.field] = decode_value(row, decode_pid(answers[ecu], pid, row.width))
                except FrameError as error:
                    self._fault(ecu, error)
                else:
                    break
        return values

    # --------------------------------------------------------------------- what a full reading adds

    def _live(self) -> dict[str, float]:
        return full.live_values(self._answers, self._support, self._attempt)

    def _more(self, ecus: dict[str, dict[str, Any]]) -> None:
        added: dict[str, Mapping[str, object]] = {
            "freeze_frames": full.freeze_frames(
                self._answers, self._frames, self._causes, self._attempt
            ),
            "test_results": full.monitor_results(self._answers, self._results, self._attempt),
            "in_use_counters": full.in_use_counters(self._answers, self._attempt),
        }
        for name, by_ecu in added.items():
            for ecu, found in by_ecu.items():
                ecus.setdefault(ecu, {})[name] = found

    # -------------------------------------------------------------------------- what never changes

    def _identity(self, ecus: dict[str, dict[str, Any]]) -> None:
        for ecu, old in self._static.ecus.items():
            # Only for an ECU heard in this reading: old knowledge is no sign of life.
            if ecu in ecus:
                ecus[ecu].update(obd_type=old.obd_type, calibrations=old.calibrations)
        width = tables.OBD_TYPE_PID.width
        for ecu, answer in self._pid_answers(tables.OBD_TYPE).items():
            data = self._attempt(ecu, lambda: decode_pid(answer, tables.OBD_TYPE, width))  # noqa: B023 - called at once
            if data is not None:
                ecus.setdefault(ecu, {})["obd_type"] = data[0]
        numbers = self._info_answers(tables.CALIBRATION_NUMBERS)
        for ecu, names in self._info_answers(tables.CALIBRATION_IDS).items():
            found = self._calibrations(ecu, names, numbers.get(ecu))
            if found is not None:
                ecus.setdefault(ecu, {})["calibrations"] = found

    def _calibrations(
        self, ecu: str, names: bytes, numbers: bytes | None
    ) -> list[Calibration] | None:
        """Bad numbers do not take the ids with them."""
        paired = self._attempt(ecu, lambda: decode_calibrations(names, numbers))
        if paired is not None or numbers is None:
            return paired
        return self._attempt(ecu, lambda: decode_calibrations(names))

    def _vin(self) -> str | None:
        answers = self._info_answers(tables.VIN)
        for ecu in sorted(answers):
            vin = self._attempt(ecu, lambda: decode_vin(answers[ecu]))  # noqa: B023 - called at once
            if vin is not None:
                return vin
        return self._static.vin

    # -------------------------------------------------------------------------------- small helpers

    def _pid_answers(self, pid: int) -> dict[str, bytes]:
        return self._answers.get(bytes((tables.CURRENT_DATA, pid)), {})

    def _info_answers(self, info_type: int) -> dict[str, bytes]:
        return self._answers.get(bytes((tables.VEHICLE_INFO, info_type)), {})

    def _attempt(self, ecu: str, decode: Callable[[], T]) -> T | None:
        try:
            return decode()
        except FrameError as error:
            self._fault(ecu, error)
            return None

    def _fault(self, ecu: str, error: FrameError) -> None:
        self._faults.append(f"{ecu}: {error}")


def read_vehicle(
    ask: Ask,
    want_evidence: bool = False,
    static: ReadResult | None = None,
    depth: Depth = "usual",
) -> ReadResult:
    """Read a vehicle through `ask`; bad answers never raise, they are listed as faults."""
    session = ReadSession(want_evidence, static, depth)
    for request in session.requests():
        for ecu_id, answer in ask(request).items():
            session.feed(ecu_id, request, answer)
    return session.result()


def _union(support: Mapping[str, frozenset[int]]) -> frozenset[int]:
    return _NOTHING.union(*support.values())


def _bitmap_data(answer: bytes, request: bytes) -> bytes:
    """The four bytes after `<service+40> <base>`, and the frame in service 02 (J1979; B)."""
    head = bytes((request[0] + tables.POSITIVE,)) + request[1:]
    if len(answer) != len(head) + 4 or not answer.startswith(head):
        raise FrameError(f"support bitmap {request.hex(' ')}: {answer[:8].hex(' ')}")
    return answer[len(head) :]
