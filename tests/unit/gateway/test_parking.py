"""When a gateway may ask a parked vehicle: never while its bus sleeps (common practice)."""

from __future__ import annotations

import pytest

from gateway.parking import MOST_IN_VAIN, LowVoltage, Parking


def asked_at(parking: Parking, awake: range, length: int) -> list[int]:
    """Look once a second; the bus is awake in `awake`."""
    return [s for s in range(length) if parking.may_ask(s in awake, float(s))]


def test_a_bus_that_sleeps_is_never_asked() -> None:
    parking = Parking()
    parking.key_off(0.0, 0.0)
    assert asked_at(parking, range(0), 24 * 3600) == []


def test_a_woken_bus_is_asked_at_once_then_further_and_further_apart() -> None:
    assert asked_at(Parking(), range(100, 12_000), 13_000) == [
        100, 110, 130, 160, 220, 340, 580, 1060, 2020, 3940, 7540, 11_140,
    ]  # fmt: skip


def test_a_bus_that_stays_awake_after_key_off_is_left_alone_for_a_minute() -> None:
    parking = Parking()
    parking.key_off(0.0, 0.0)
    assert asked_at(parking, range(300), 24 * 3600) == [60, 120, 240]


def test_after_a_sleep_a_wake_is_a_wake_again() -> None:
    parking = Parking()
    parking.key_off(0.0, 0.0)
    assert asked_at(parking, range(5), 20) == []
    assert parking.may_ask(True, 21.0)


def test_a_bus_on_which_something_else_is_spoken_is_asked_a_few_times_at_each_waking() -> None:
    parking, asked = Parking(), []
    for second in range(20_000):
        awake = second % 10_000 >= 100
        if parking.may_ask(awake, float(second), in_vain=True):
            asked.append(second)
    assert asked == [100, 110, 130, 160, 10_100, 10_110, 10_130, 10_160]
    assert len(asked) == 2 * MOST_IN_VAIN


def test_the_soak_is_counted_from_the_end_of_the_cycle() -> None:
    parking = Parking()
    assert parking.soak_s(5.0) is None
    parking.key_off(110.0, 100.0)
    assert parking.soak_s(4000.0) == 3900.0


# What was heard in a silence that ended at 100 s, then whether the bus was awake at 100 s, and
# whether an ECU was asked in vain afterwards; is the soak known, and was a start then seen?
SILENCES = {
    "asleep all the time": ([False] * 3, False, False, True, True),
    "woken once": ([False, True, False], False, False, False, True),
    "awake at its end": ([False, True, True], True, False, False, False),
    "awake at its end, asked in vain": ([False, True, True], True, True, False, True),
    "asleep right after it": ([True, True, True], False, False, False, True),
}


@pytest.mark.parametrize(
    "heard, awake, in_vain, soak, seen", SILENCES.values(), ids=SILENCES.keys()
)
def test_what_nobody_could_ask_is_not_claimed_afterwards(
    heard: list[bool], awake: bool, in_vain: bool, soak: bool, seen: bool
) -> None:
    parking = Parking()
    parking.key_off(10.0, 0.0)
    for place, traffic in enumerate(heard):
        parking.overhear(traffic, 20.0 + place)
    parking.may_ask(awake, 100.0)
    if in_vain:
        parking.unanswered()
    assert (parking.soak_s(100.0) is not None, parking.start_seen) == (soak, seen)


def test_a_bus_that_woke_in_the_silence_is_asked_as_soon_as_it_ends() -> None:
    parking = Parking()
    parking.key_off(0.0, 0.0)
    for second, traffic in ((20.0, False), (40.0, True), (90.0, True)):
        parking.overhear(traffic, second)
    assert parking.may_ask(True, 100.0)


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
