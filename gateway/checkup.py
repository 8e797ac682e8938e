"""For the installer: is everything there that a gateway needs, and what to do where it is not.

Every step looks at one part and never raises: trouble becomes a finding. On the bus only reads
are sent, after traffic was heard.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gateway import contract
from gateway.bus_port import Bus
from gateway.link import BusQuiet
from gateway.protocol.session import ReadResult, read_vehicle
from gateway.sampling import Moment

LISTEN_S = 5.0
"""How long to wait for traffic: a bus that is awake speaks many times a second."""

_QUIET_TODO: dict[contract.Quiet, str] = {
    "another_tester": "unplug or end the other tester, wait 10 minutes, try again",
    "shop": "wait for its end, or take the [[quiet]] entry out of the configuration",
    "inspection": "wait for its end, or take the [[quiet]] entry out of the configuration",
    "low_voltage": "charge the battery, then try again",
    "no_traffic": "switch the ignition on; check plug, wiring and the interface's bit rate",
}
_NOBODY: dict[contract.Heard, tuple[str, str]] = {
    "answers": (
        "answered earlier and are silent now",
        "check the plug, and that the ignition is on",
    ),
    "j1939": (
        "none answers; a J1939 vehicle, not read yet",
        "nothing: the lamps that it broadcasts are reported, its codes are not",
    ),
    "newer_protocol": (
        "none answers; a vehicle of the newer protocol (SAE J1979-2), not read yet",
        "nothing: a reading of it says so",
    ),
    "nothing": (
        "none answers; this is not 'no codes'",
        "switch the ignition on; try bits29 the other way round in [can]",
    ),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found of one part; `todo` says what to do where it is not good."""

    part: str
    good: bool
    found: str
    todo: str = ""

    def __str__(self) -> str:
        line = f"{'good' if self.good else 'FAULT':5}  {self.part}: {self.found}"
        return f"{line}\n       do: {self.todo}" if not self.good and self.todo else line


def check_clock(moment: Moment) -> Finding:
    """A clock that is not synchronised still works: readings say so."""
    if moment.taken_at is None:
        return Finding("clock", False, "not set", "connect to the network, or set the clock once")
    text = contract.format_time(moment.taken_at)
    if moment.clock != "synced":
        todo = (
            "enable systemd-timesyncd and give it the network; another time service is not "
            "noticed, and readings then say that their clock is held"
        )
        return Finding("clock", False, f"{text}, not synchronised", todo)
    return Finding("clock", True, f"{text}, synchronised")


def check_part(part: str, todo: str, step: Callable[[], str]) -> Finding:
    """Run one step that says what it found, or raises; the error's own text becomes the finding."""
    try:
        return Finding(part, True, step())
    except Exception as error:
        return Finding(part, False, str(error) or type(error).__name__, todo)


def check_vehicle(bus: Bus) -> list[Finding]:
    """Listen, then read once: the bus, the ECUs, and what each of them supports."""
    try:
        traffic = bus.listen(LISTEN_S)
        silence = bus.quiet
        if not traffic or silence is not None:
            reason = "no_traffic" if silence is None else silence[0]
            return [_kept_quiet(reason)]
        result = read_vehicle(bus.ask, depth="full")
    except BusQuiet as error:
        return [_kept_quiet(error.reason)]
    except Exception as error:
        todo = "check that the interface is up: ip -details link show"
        return [Finding("bus", False, str(error) or type(error).__name__, todo)]
    return [Finding("bus", True, "traffic heard at the set bit rate"), *_ecus(result, bus.heard)]


def _kept_quiet(reason: contract.Quiet) -> Finding:
    return Finding("bus", False, f"nothing sent: {reason.replace('_', ' ')}", _QUIET_TODO[reason])


def check_quiet(error: BusQuiet) -> Finding:
    """What to do where the bus may not be asked."""
    return _kept_quiet(error.reason)


def _ecus(result: ReadResult, heard: contract.Heard) -> list[Finding]:
    if not result.ecus:
        return [Finding("ECUs", False, *_NOBODY[heard])]
    found = [Finding("ECUs", True, f"{len(result.ecus)} answer: {', '.join(sorted(result.ecus))}")]
    found += [Finding("supported", True, _supported(result, ecu)) for ecu in sorted(result.ecus)]
    if result.vin is None:
        todo = "compare the vehicle list by hand: this vehicle does not tell its VIN"
        found.append(Finding("VIN", False, "not told", todo))
    else:
        found.append(Finding("VIN", True, result.vin))
    if result.faults:
        todo = "readings leave these answers out; report them to the maker of the ECU"
        found.append(Finding("answers", False, "; ".join(result.faults[:8]), todo))
    return found


def _supported(result: ReadResult, ecu: str) -> str:
    kinds = {
        "values": result.support,
        "freeze frame values": result.frame_support,
        "monitors with test results": result.result_support,
        "vehicle information types": result.info_support,
    }
    told = [f"{kind} {len(ids[ecu])}" for kind, ids in kinds.items() if ids.get(ecu)]
    return f"{ecu}: {', '.join(told) or 'codes only'}"
