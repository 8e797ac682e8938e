"""What a full reading adds to the usual one, from the answers that were collected.

Everything here reads a table of answers by request and ECU; an answer that breaks its layout is
handed to `attempt`, which notes the fault and returns None.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from typing import Protocol, TypeVar

from gateway.contract import FreezeFrame, MonitorResult
from gateway.protocol import tables
from gateway.protocol.counters import COUNTERS, decode_counters
from gateway.protocol.decode import decode_pid
from gateway.protocol.freeze import (
    CAUSE,
    FRAME,
    FREEZE_FRAME,
    decode_cause,
    decode_frame_value,
)
from gateway.protocol.live import all_rows_for, decode_row, rows_for
from gateway.protocol.results import MAX_RESULTS, MONITOR_RESULTS, decode_results

T = TypeVar("T")

Answers = Mapping[bytes, Mapping[str, bytes]]
Support = Mapping[str, frozenset[int]]

ASK_CAUSE = bytes((FREEZE_FRAME, CAUSE, FRAME))
_NOT_DATA = frozenset({*tables.BITMAPS, CAUSE})


class Attempt(Protocol):
    """Runs a decoder for one ECU; None where the answer broke its layout."""

    def __call__(self, ecu: str, decode: Callable[[], T]) -> T | None:
        """Return what `decode` returns."""


# ------------------------------------------------------------------------------- what to ask


@lru_cache(maxsize=64)
def live_requests(supported: frozenset[int]) -> tuple[bytes, ...]:
    """One request for each live value that some ECU supports."""
    return tuple(bytes((tables.CURRENT_DATA, pid)) for pid in sorted(rows_for(supported)))


def frame_requests(supported: frozenset[int], every: bool) -> Iterator[bytes]:
    """One request for each PID of the frame: those we can scale, or `every` one as evidence."""
    pids = supported - _NOT_DATA if every else frozenset(all_rows_for(supported))
    return (bytes((FREEZE_FRAME, pid, FRAME)) for pid in sorted(pids))


def result_requests(supported: frozenset[int]) -> Iterator[bytes]:
    """One request for each monitor with test results."""
    ids = sorted(supported.difference(tables.BITMAPS))
    return (bytes((MONITOR_RESULTS, monitor)) for monitor in ids)


def counter_requests(supported: frozenset[int]) -> Iterator[bytes]:
    """One request for each kind of in-use counter that some ECU keeps."""
    kinds = sorted(supported.intersection(COUNTERS))
    return (bytes((tables.VEHICLE_INFO, kind)) for kind in kinds)


def causes(answers: Answers, attempt: Attempt) -> dict[str, str | None]:
    """The code behind the frame of each ECU that answered; None = it keeps no frame."""
    found: dict[str, str | None] = {}
    for ecu, answer in answers.get(ASK_CAUSE, {}).items():
        cause = attempt(ecu, lambda: (decode_cause(answer),))  # noqa: B023 - called at once
        if cause is not None:
            found[ecu] = cause[0]
    return found


# -------------------------------------------------------------------------------- the facts


def live_values(answers: Answers, support: Support, attempt: Attempt) -> dict[str, float]:
    """The live values of the vehicle: the first ECU that answers a PID speaks for it."""
    values: dict[str, float] = {}
    for ecu in sorted(support):
        for pid, row in rows_for(support[ecu]).items():
            answer = answers.get(bytes((tables.CURRENT_DATA, pid)), {}).get(ecu)
            if answer is None:
                continue
            numbers = attempt(
                ecu,
                lambda: decode_row(row, decode_pid(answer, row.pid, row.width)),  # noqa: B023 - called at once
            )
            _add(values, numbers)
    return values


def freeze_frames(
    answers: Answers, support: Support, causes: Mapping[str, str | None], attempt: Attempt
) -> dict[str, list[FreezeFrame]]:
    """Frame 00 of each ECU that named its cause; an empty list where it keeps none.

    Without a cause every other answer of service 02 is meaningless (SAE J1979; B).
    """
    return {
        ecu: []
        if code is None
        else [
            FreezeFrame(
                frame=FRAME,
                code=code,
                values=_frame(answers, ecu, support.get(ecu, frozenset()), attempt),
            )
        ]
        for ecu, code in causes.items()
    }


def _frame(
    answers: Answers, ecu: str, supported: frozenset[int], attempt: Attempt
) -> dict[str, float]:
    values: dict[str, float] = {}
    for pid, row in all_rows_for(supported).items():
        answer = answers.get(bytes((FREEZE_FRAME, pid, FRAME)), {}).get(ecu)
        if answer is not None:
            numbers = attempt(ecu, lambda: decode_frame_value(answer, row))  # noqa: B023 - called at once
            _add(values, numbers)
    return values


def _add(values: dict[str, float], numbers: Mapping[str, float] | None) -> None:
    """Take in the numbers of one answer; a name that is already there stays as it is."""
    for name, number in (numbers or {}).items():
        values.setdefault(name, number)


def monitor_results(
    answers: Answers, support: Support, attempt: Attempt
) -> dict[str, list[MonitorResult]]:
    """The results of each ECU that answered service 06, in the order of its monitors.

    An ECU whose answers are all missing or broken is left out: that is not "no results".
    """
    results: dict[str, list[MonitorResult]] = {}
    for ecu, supported in support.items():
        monitors = sorted(supported.difference(tables.BITMAPS))
        heard = [
            found
            for monitor in monitors
            if (answer := answers.get(bytes((MONITOR_RESULTS, monitor)), {}).get(ecu)) is not None
            and (found := attempt(ecu, lambda: decode_results(answer, monitor)))  # noqa: B023 - called at once
        ]
        if heard or not monitors:
            results[ecu] = [result for found in heard for result in found][:MAX_RESULTS]
    return results


def in_use_counters(answers: Answers, attempt: Attempt) -> dict[str, dict[str, int]]:
    """The in-use counters of each ECU that keeps them."""
    counters: dict[str, dict[str, int]] = {}
    for kind in COUNTERS:
        for ecu, answer in answers.get(bytes((tables.VEHICLE_INFO, kind)), {}).items():
            found = attempt(ecu, lambda: decode_counters(answer, kind))  # noqa: B023 - called at once
            if found is not None:
                counters[ecu] = counters.get(ecu, {}) | found
    return counters
