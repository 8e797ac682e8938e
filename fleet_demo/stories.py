"""What happens to whom: the stories of the invented fleet, each a few dated steps.

Days are offsets from the first day of the history; negative ones lie in the lead-in, which is
driven but never reported.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import cycle, islice
from typing import Literal

from fleet_demo.faults import COMPRESSION, SPARK
from fleet_demo.routes import FULL_TANK, LONG_RUNS, MIXED, SHORT_STOPS, Habit

LEAD_IN_DAYS = 14
SILENT_DAYS = 5
NEXT_LIVE_CODE = "P0128"
TRANSMISSION_CODE = "P0715"
HEAVY_FROM = 12
"""Fleets from this size on own a heavy truck."""
_LIT = (
    ("P0420", SPARK), ("P0401", COMPRESSION), ("P0171", SPARK), ("P20EE", COMPRESSION),
    ("P0300", SPARK), ("P0135", SPARK), ("P2463", COMPRESSION), ("P0133", SPARK),
    ("P0101", SPARK), ("P0299", COMPRESSION),
)  # fmt: skip
_REPAIRED = (
    ("P0171", SPARK), ("P2201", COMPRESSION), ("P0420", SPARK), ("P0128", COMPRESSION),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done to a vehicle before its first driving cycle of `day`.

    `before_last` = before the last driving cycle of that day instead.
    """

    day: int
    act: Literal["break", "repair", "clear"]
    code: str = ""
    before_last: bool = False
    second_controller: bool = False


@dataclass(frozen=True, slots=True)
class Story:
    """A kind of vehicle. `silent_from` = day from which its gateway says nothing more.

    `busy` = its controller asks for patience now and then; `heavy` = a truck on J1939.
    """

    name: str
    steps: tuple[Step, ...] = ()
    ignition: str | None = None
    habit: Habit | None = None
    weekends: bool = False
    silent_from: int | None = None
    second_controller: bool = False
    wide_ids: bool = False
    busy: bool = False
    heavy: bool = False

    @property
    def next_live(self) -> bool:
        """True for the vehicle whose part breaks just before the end."""
        return any(step.act == "break" and step.before_last for step in self.steps)


def _onset(days: int) -> int:
    """Early enough that the second bad cycle comes before the end, also in a short history."""
    return days // 3 if days >= 2 * LEAD_IN_DAYS else -LEAD_IN_DAYS // 2


def _lit(code: str, ignition: str, day: int) -> Story:
    return Story(f"lamp on, {code}", (Step(day, "break", code),), ignition, MIXED, True)


def _repaired(code: str, ignition: str, days: int) -> Story:
    steps = (
        Step(_onset(days) - 3, "break", code),
        Step(days // 2, "repair", code),
        Step(days // 2, "clear"),
    )
    return Story(f"repaired and cleared, {code}", steps, ignition, MIXED, True)


def _singles(days: int) -> list[Story]:
    last, onset = days - 1, _onset(days)
    shifted = Step(onset, "break", TRANSMISSION_CODE, second_controller=True)
    return [
        Story("one bad driving cycle short of the lamp",
              (Step(last, "break", NEXT_LIVE_CODE, before_last=True),), SPARK, MIXED, True),
        _lit("P0420", SPARK, -LEAD_IN_DAYS // 2),
        Story("cleared on the last day", (Step(last, "clear"),), None, MIXED),
        Story("short stops", (Step(-LEAD_IN_DAYS + 2, "clear"),), SPARK, SHORT_STOPS),
        Story("silent gateway", silent_from=days - min(SILENT_DAYS, days // 2)),
        Story("lamp on from the transmission", (shifted,), SPARK, MIXED, True,
              second_controller=True),
        Story("cleared, and the lamp came back",
              (Step(-LEAD_IN_DAYS // 2, "break", "P0401"), Step(days - 4, "clear")),
              COMPRESSION, MIXED, True),
        _repaired("P0171", SPARK, days),
        Story("repaired, not cleared",
              (Step(onset - 3, "break", "P0128"), Step(days // 2, "repair", "P0128")),
              SPARK, MIXED, True),
        Story("tank always full", (Step(_onset(days), "clear"),), SPARK, FULL_TANK,
              busy=True),
        Story("29-bit identifiers", ignition=COMPRESSION, wide_ids=True),
    ]  # fmt: skip


def _heavy(days: int) -> Story:
    """A J1939 truck: first one code, later a second one beside it."""
    steps = (Step(_onset(days), "break", "3251/2"), Step(days // 2, "break", "100/17"))
    return Story("heavy truck", steps, COMPRESSION, LONG_RUNS, True, heavy=True)


def stories(vehicles: int, days: int) -> list[Story]:
    """One story for each vehicle; the telling ones first, so that a small fleet has them too.

    About one vehicle in ten ends with the lamp on, one in fourteen was repaired, one in twelve
    was cleared within the last four days; the rest are healthy (assumptions of the demo).
    """
    told = _singles(days)
    if vehicles >= HEAVY_FROM:
        told.append(_heavy(days))
    lit = islice(cycle(_LIT), 1, max(1, round(vehicles * 0.1) - 2))
    for number, (code, ignition) in enumerate(lit):
        told.append(_lit(code, ignition, _onset(days) - number % 3))
    repaired = islice(cycle(_REPAIRED), 1, max(1, round(vehicles * 0.07)))
    told += [_repaired(code, ignition, days) for code, ignition in repaired]
    for number in range(1, max(1, round(vehicles * 0.08))):
        lately = Step(days - 1 - number // 2, "clear", before_last=number % 2 == 1)
        told.append(Story("cleared lately", (lately,), habit=MIXED))
    healthy = Story("healthy")
    told += [replace(healthy, second_controller=n % 6 == 0) for n in range(vehicles)]
    return told[:vehicles]
