"""What a technician reads besides lamp, codes and monitors, as rows for the screen: pure.

Freeze frames, monitor test results, in-use counters, live values, findings, broadcasts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dashboard.present import Row, moment
from dashboard.views import us_units
from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.monitor_tests import FAILED, monitor_name, name_of_test, outcome
from ingest.domain.picture import EcuPicture, Picture

QUIET_WORDS = {
    "another_tester": "Another tester is on the bus: the gateway keeps silent",
    "shop": "Set quiet for the shop: the gateway keeps silent",
    "inspection": "Set quiet for an inspection: the gateway keeps silent",
    "low_voltage": "Battery voltage is low: the gateway keeps silent",
    "no_traffic": "No traffic on the bus: the gateway keeps silent",
}
_LAMPS = ("malfunction", "stop", "warning", "protect")
_COMPLETIONS, _CONDITIONS = "_completions", "_conditions"


def at_words(epoch_ms: int | None, zone: ZoneInfo, as_of: datetime) -> str:
    """A moment kept as epoch ms, on a depot's clock."""
    at = None if epoch_ms is None else datetime.fromtimestamp(epoch_ms / 1000, UTC)
    return moment(at, zone, as_of)


def bus_words(picture: Picture, zone: ZoneInfo, as_of: datetime) -> list[str]:
    """What is to be said of the bus itself: an unread language, and why the gateway is silent."""
    said = []
    unread = picture.unread()
    if unread is not None:
        said.append(f"{unread[0].upper()}{unread[1:]}. That is not the same as no codes.")
    if picture.quiet is not None:
        why = QUIET_WORDS.get(picture.quiet, f"The gateway keeps silent: {picture.quiet}")
        until = picture.quiet_until
        upto = "" if until is None else f" until {at_words(until, zone, as_of)}"
        said.append(f"{why}{upto}. The values below are those read before.")
    return said


def freeze_frames(
    picture: Picture, zone: ZoneInfo, as_of: datetime
) -> list[tuple[str, str, list[Row]]]:
    """Every stored freeze frame: its causing code, where it was read, and its values."""
    return [
        (
            frame.code,
            f"ECU {name}, frame {frame.frame}, read "
            f"{_read_at(ecu.freeze_frames_at, picture, zone, as_of)}.",
            _value_rows(frame.values),
        )
        for name, ecu in _ecus(picture)
        for frame in ecu.freeze_frames or ()
    ]


def freeze_frame_silence(picture: Picture) -> str:
    """What to say where no freeze frame is listed."""
    asked = any(ecu.freeze_frames is not None for ecu in picture.ecus.values())
    return "Asked for freeze frames: none." if asked else "Freeze frames: not answered."


def result_rows(picture: Picture, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """The latest result of every monitor test, those that failed first."""
    found = [
        (result, name, ecu.test_results_at)
        for name, ecu in _ecus(picture)
        for result in ecu.test_results or ()
    ]
    found.sort(key=lambda one: outcome(one[0]) != FAILED)
    rows = []
    for result, name, read_at in found:
        unit = f" {result.unit}" if isinstance(result.unit, str) else ""
        rows.append(
            {
                "Monitor": monitor_name(result.monitor_id),
                "Test": name_of_test(result.test_id),
                "ECU": name,
                "Value": f"{result.value:g}{unit}",
                "Limits": f"{result.low:g} to {result.high:g}{unit}",
                "Result": outcome(result),
                "Read": _read_at(read_at, picture, zone, as_of),
            }
        )
    return rows


def counter_rows(picture: Picture) -> list[Row]:
    """In-use counters: how often a monitor ran to its end, and how often it could have."""
    rows = []
    for ecu_name, ecu in _ecus(picture):
        counters = ecu.in_use_counters or {}
        done = [name.removesuffix(_COMPLETIONS) for name in counters if name.endswith(_COMPLETIONS)]
        for name in done:
            ran = counters[name + _COMPLETIONS]
            could = counters.get(name + _CONDITIONS)
            rows.append(
                {
                    "Monitor": _monitor_words(name),
                    "ECU": ecu_name,
                    "Ran to its end": f"{ran:,}",
                    "Conditions met": us_units.MISSING if could is None else f"{could:,}",
                    "Ratio": f"{ran / could:.3f}" if could else "none yet",
                }
            )
    return rows


def counter_words(picture: Picture) -> list[str]:
    """The counters that stand for no monitor, such as ignition cycles, one sentence an ECU."""
    said = []
    for ecu_name, ecu in _ecus(picture):
        counters = ecu.in_use_counters or {}
        own = {
            name: count
            for name, count in counters.items()
            if not name.endswith(_COMPLETIONS) and not _is_conditions(name, counters)
        }
        if own:
            listed = ", ".join(f"{_counter_words(name)} {count:,}" for name, count in own.items())
            said.append(f"{ecu_name}: {listed}.")
    return said


def _is_conditions(name: str, counters: dict[str, int]) -> bool:
    is_half = name.endswith(_CONDITIONS)
    return is_half and name.removesuffix(_CONDITIONS) + _COMPLETIONS in counters


def _counter_words(name: str) -> str:
    """'obd_conditions' is the general denominator of the in-use ratios (SAE J1979; B)."""
    return "times the general conditions were met" if name == "obd_conditions" else name.replace(
        "_", " "
    )  # fmt: skip


def _monitor_words(name: str) -> str:
    full = {monitor.value: text for monitor, text in FULL_NAMES.items()}
    if name in full:
        return full[name]
    for monitor in Monitor:
        if name.startswith(f"{monitor.value}_"):
            rest = name.removeprefix(monitor.value).replace("_", " ")
            return f"{full[monitor.value]}{rest}"
    return name.replace("_", " ")


def live_rows(picture: Picture) -> list[Row]:
    """The values of the last snapshot, by name, in US units."""
    return _value_rows(dict(sorted((picture.live or {}).items())))


def _value_rows(values: Mapping[str, float]) -> list[Row]:
    return [
        {"What": us_units.label(name), "Value": us_units.value(name, number)}
        for name, number in values.items()
    ]


def implausible_rows(picture: Picture) -> list[Row]:
    """Values that make no sense, with the basis of the rule that says so."""
    return [
        {"Finding": one.text, "Basis": one.basis} for one in picture.implausible or ()
    ]  # fmt: skip


def broadcast_rows(picture: Picture) -> list[Row]:
    """What J1939 controllers broadcast of their lamps and codes (SAE J1939-73; from memory)."""
    rows = []
    for one in picture.lamp_broadcasts or ():
        codes = [f"SPN {code.spn}, FMI {code.fmi}" for code in one.codes]
        lamps = {f"{name.capitalize()} lamp": getattr(one, name) for name in _LAMPS}
        rows.append(
            {"Controller": f"address {one.source}"}
            | {name: str(state).replace("_", " ") for name, state in lamps.items()}
            | {"Codes": "; ".join(codes) or "none broadcast"}
        )
    return rows


def calibration_rows(picture: Picture) -> list[Row]:
    """The calibrations of every ECU with their verification numbers."""
    return [
        {
            "ECU": name,
            "Calibration": one.id,
            "Verification number": one.cvn if isinstance(one.cvn, str) else us_units.MISSING,
        }
        for name, ecu in _ecus(picture)
        for one in ecu.calibrations or ()
    ]


def _ecus(picture: Picture) -> Iterator[tuple[str, EcuPicture]]:
    yield from sorted(picture.ecus.items())


def _read_at(
    epoch_ms: int | None, picture: Picture, zone: ZoneInfo, as_of: datetime
) -> str:  # fmt: skip
    """When something was read; what was read before a clear says so."""
    words = at_words(epoch_ms, zone, as_of)
    cleared = picture.last_clear_at
    stale = epoch_ms is not None and cleared is not None and epoch_ms < cleared
    return f"{words}, before codes were cleared" if stale else words
