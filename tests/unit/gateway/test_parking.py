"""When a gateway may ask a parked vehicle: never while its bus sleeps (common practice)."""

from __future__ import annotations

import pytest

from gateway.parking import LowVoltage, Parking


def asked_at(parking: Parking, awake: range, length: int) -> list[int]:
    """Look once a second; the bus is awake in `awake`."""
    return [s for s in range(length) if parking.may_ask(s in awake, float(s))]


def test_a_bus_that_sleeps_is_never_asked() -> None:
    parking = Parking()
    parking.key_off(0.0)
    assert asked_at(parking, range(0), 24 * 3600) == []


def test_a_woken_bus_is_asked_at_once_then_further_and_further_apart() -> None:
    assert asked_at(Parking(), range(100, 3000), 4000) == [
        100, 110, 130, 160, 220, 340, 580, 1180, 1780, 2380, 2980,
    ]  # fmt: skip


def test_a_bus_that_stays_awake_after_key_off_is_left_alone_for_a_minute() -> None:
    parking = Parking()
    parking.key_off(0.0)
    assert asked_at(parking, range(300), 24 * 3600) == [60, 120, 240]


def test_after_a_sleep_a_wake_is_a_wake_again() -> None:
    parking = Parking()
    parking.key_off(0.0)
    assert asked_at(parking, range(5), 20) == []
    assert parking.may_ask(True, 21.0)


# (seconds, volts) in turn, and whether the last one ends it; limit 11.5 V, 30 s.
VOLTAGES: dict[str, tuple[list[tuple[float, float | None]], bool]] = {
    "low for 29.9 s": ([(0, 11.4), (29.9, 11.4)], False),
    "low for 30 s": ([(0, 11.4), (30, 11.4)], True),
    "at the limit": ([(0, 11.5), (60, 11.5)], False),
    "cranking": ([(0, 9.0), (3, 14.0), (33, 11.4)], False),
    "not told in between": ([(0, 11.4), (15, None), (30, 11.4)], True),
    "never told": ([(0, None), (60, None)], False),
}


@pytest.mark.parametrize("told, stop", VOLTAGES.values(), ids=VOLTAGES.keys())
def test_a_battery_is_spared_when_it_stays_low(
    told: list[tuple[float, float | None]], stop: bool
) -> None:
    low = LowVoltage(11.5)
    assert [low.note(volts, at_s) for at_s, volts in told][-1] is stop
