"""Results of the on-board tests: what each monitor measured last, and between which limits.

SAE J1979 service 06 on CAN: records of nine bytes (C), all zero while the test has not run since
the last clear (from memory). OBDMIDs and test ids are listed beside each row's table; scaling ids
are those of makers' lists (B, C) unless noted. Limits and measured values are invented.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Collection
from dataclasses import dataclass, field

from fleet_demo import monitors as m
from fleet_demo.faults import COMPRESSION

MAKERS_TEST = 0x80
"""First of the test ids that makers assign (from memory)."""
WORSE_PER_RUN, WORST = 0.04, 1.6
"""A faulty part gets worse with every run, up to a point (assumption of the demo)."""
BEYOND = 1.12
"""Where a faulty part begins, as a share of the limit it breaks (assumption of the demo)."""
COUNTS, MILLISECONDS, RATIO = 0x24, 0x10, 0x20
VOLTS, AMPERES = 0x0A, 0x0E
"""0A = 0.122 mV (C); 0E = 1 mA (from memory)."""
SIGNED_PERCENT, SIGNED_KPA = 0xB0, 0xFD
"""B0 = 0.003052 % and FD = 0.001 kPa, both two's complement (one maker's list; C)."""
TOP = 0xFFFF


@dataclass(frozen=True, slots=True)
class BoardTest:
    """One test: where it stands, its limits in raw steps, and how good parts read.

    `usual` is the raw value of a good part, `spread` how far it strays; `code` the fault that
    takes the value beyond the upper limit, or beyond the lower one when `breaks_low`.
    """

    monitor: str
    obdmid: int
    test: int
    scaling: int
    low: int
    high: int
    usual: int
    spread: int
    code: str = ""
    breaks_low: bool = False
    bank: int = 1

    def measure(self, dice: random.Random, bad_runs: int) -> int:
        """Return a raw value: `bad_runs` = runs in a row with the faulty part, 0 = good."""
        if not bad_runs:
            return self.usual + dice.randint(-self.spread, self.spread)
        factor = min(WORST, BEYOND + WORSE_PER_RUN * (bad_runs - 1))
        if self.breaks_low:
            return int(self.low / factor) - 1 if self.low > 0 else int(self.low * factor) - 1
        return int(self.high * factor) + 1

    def record(self, value: int | None) -> bytes:
        """Return the nine bytes; None = not run since the last clear."""
        if value is None:
            return bytes((self.obdmid, self.test, self.scaling, 0, 0, 0, 0, 0, 0))
        layout = ">BBBhhh" if self.scaling & 0x80 else ">BBBHHH"
        return struct.pack(layout, self.obdmid, self.test, self.scaling, value, self.low, self.high)


def _misfire(cylinders: int) -> tuple[BoardTest, ...]:
    """A1 all cylinders, A2 on one each; 0B average of ten driving cycles, 0C last one (B)."""
    general = (
        BoardTest(m.MISFIRE, 0xA1, 0x0B, COUNTS, 0, 120, 6, 5, "P0300"),
        BoardTest(m.MISFIRE, 0xA1, 0x0C, COUNTS, 0, 150, 8, 8, "P0300"),
    )
    each = tuple(
        BoardTest(
            m.MISFIRE, 0xA2 + place, 0x0C, COUNTS, 0, 60, 2, 2, "P0300" if not place % 2 else ""
        )
        for place in range(cylinders)
    )
    return general + each


_EGR = BoardTest(m.EGR_VVT, 0x31, MAKERS_TEST, SIGNED_PERCENT, -4915, 4915, 200, 900, "P0401", True)
"""Recirculated flow against its target, -15 to +15 %."""

SPARK_TESTS: tuple[BoardTest, ...] = (
    # A constant, as in a published example: 0BB0 of 0.122 mV, value = limits (C)
    BoardTest(m.OXYGEN_SENSOR, 0x01, 0x01, VOLTS, 0x0BB0, 0x0BB0, 0x0BB0, 0),
    BoardTest(m.OXYGEN_SENSOR, 0x01, 0x05, MILLISECONDS, 0, 0x60, 0x48, 9, "P0133"),
    BoardTest(m.OXYGEN_SENSOR, 0x05, 0x05, MILLISECONDS, 0, 0x60, 0x45, 9, bank=2),
    BoardTest(m.CATALYST, 0x21, MAKERS_TEST, RATIO, 0, 192, 70, 24, "P0420"),
    BoardTest(m.CATALYST, 0x22, MAKERS_TEST, RATIO, 0, 192, 66, 24, bank=2),
    _EGR,
    # 39 cap off, 3B a hole of 0.040 in: pressure lost while sealed, below -1.5 kPa is a leak
    BoardTest(m.EVAPORATIVE, 0x39, MAKERS_TEST, SIGNED_KPA, -2500, 500, -240, 120, "P0455", True),
    BoardTest(m.EVAPORATIVE, 0x3B, MAKERS_TEST, SIGNED_KPA, -1500, 500, -180, 90, "P0442", True),
    BoardTest(
        m.OXYGEN_SENSOR_HEATER, 0x41, MAKERS_TEST, AMPERES, 400, 1800, 900, 150, "P0135", True
    ),
    BoardTest(m.SECONDARY_AIR, 0x71, MAKERS_TEST, RATIO, 90, TOP, 210, 30),
    *_misfire(4),
)
COMPRESSION_TESTS: tuple[BoardTest, ...] = (
    BoardTest(m.NMHC_CATALYST, 0x21, MAKERS_TEST, RATIO, 0, 200, 80, 24),
    _EGR,
    # 85 boost against its target; 98 NOx conversion (C); B2 trapping of particles (C)
    BoardTest(m.BOOST, 0x85, MAKERS_TEST, SIGNED_KPA, -18000, 18000, -900, 2500, "P0299", True),
    BoardTest(m.NOX, 0x98, MAKERS_TEST, RATIO, 140, 256, 226, 16, "P20EE", True),
    BoardTest(m.PM_FILTER, 0xB2, MAKERS_TEST, SIGNED_KPA, 200, 14000, 4200, 1500, "P2463"),
    *_misfire(6),
)


@dataclass(slots=True)
class BoardResults:
    """The tests of one controller and what they gave; `values` has raw steps, None = not run."""

    tests: tuple[BoardTest, ...]
    dice: random.Random
    values: list[int | None] = field(init=False)
    _bad_runs: list[int] = field(init=False)
    _due: dict[str, list[int]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Long after the last clear every test has a result."""
        self.values = [test.measure(self.dice, 0) for test in self.tests]
        self._bad_runs = [0] * len(self.tests)
        for place, test in enumerate(self.tests):
            self._due.setdefault(test.monitor, []).append(place)

    def end_cycle(self, ran: Collection[str], faults: Collection[str]) -> None:
        """Renew the results of the monitors that ran; `faults` are the codes of faulty parts."""
        for monitor in self._due:
            if monitor in ran:
                self._renew(self._due[monitor], faults)

    def _renew(self, places: list[int], faults: Collection[str]) -> None:
        for place in places:
            test = self.tests[place]
            bad = test.code in faults
            self._bad_runs[place] = self._bad_runs[place] + 1 if bad else 0
            self.values[place] = test.measure(self.dice, self._bad_runs[place])

    def clear(self) -> None:
        """Erase the results, as a clear does."""
        self.values = [None] * len(self.tests)

    def identifiers(self) -> list[int]:
        """Return the OBDMIDs, sorted, each once."""
        return sorted({test.obdmid for test in self.tests})

    def answer(self, obdmid: int) -> bytes | None:
        """Return 46 and the records of one OBDMID; None = not supported."""
        records = [
            test.record(value)
            for test, value in zip(self.tests, self.values, strict=True)
            if test.obdmid == obdmid
        ]
        return b"\x46" + b"".join(records) if records else None


def tests_of(ignition: str, fitted: Collection[str], banks: int) -> tuple[BoardTest, ...]:
    """Return the tests of a controller with the monitors `fitted` and 1 or 2 `banks`."""
    known = COMPRESSION_TESTS if ignition == COMPRESSION else SPARK_TESTS
    return tuple(test for test in known if test.monitor in fitted and test.bank <= banks)
