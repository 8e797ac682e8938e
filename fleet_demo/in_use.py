"""In-use counters: how often a monitor could have found a fault, and how often it should have.

Order of the counters: SAE J1979 infotypes 08 and 0B (B). When they move: 13 CCR 1968.2(d)(4) and
(d)(5), from memory, simplified: the evaporative system and secondary air need a cold start, every
other monitor the general conditions. Nothing a tool does sets them back.
"""

from __future__ import annotations

import struct
from collections.abc import Collection
from dataclasses import dataclass, field

from fleet_demo import monitors as m
from fleet_demo.faults import COMPRESSION
from fleet_demo.monitors import Conditions

TOP = 0xFFFF
SPARK_TYPE, COMPRESSION_TYPE = 0x08, 0x0B
_Group = tuple[str, str, int]
SPARK_GROUPS: tuple[_Group, ...] = (
    ("CAT1", m.CATALYST, 1),
    ("CAT2", m.CATALYST, 2),
    ("O2S1", m.OXYGEN_SENSOR, 1),
    ("O2S2", m.OXYGEN_SENSOR, 2),
    ("EGR", m.EGR_VVT, 1),
    ("AIR", m.SECONDARY_AIR, 1),
    ("EVAP", m.EVAPORATIVE, 1),
    ("SO2S1", m.OXYGEN_SENSOR, 1),
    ("SO2S2", m.OXYGEN_SENSOR, 2),
)
"""Name, monitor and bank; the last two came with model year 2010 (one workshop manual; C)."""
COMPRESSION_GROUPS: tuple[_Group, ...] = (
    ("HCCAT", m.NMHC_CATALYST, 1),
    ("NCAT", m.NOX, 1),
    ("NADS", "", 1),
    ("PM", m.PM_FILTER, 1),
    ("EGS", m.EXHAUST_SENSOR, 1),
    ("EGR", m.EGR_VVT, 1),
    ("BP", m.BOOST, 1),
    ("FUEL", m.FUEL_SYSTEM, 1),
)
"""The last came with a later edition (B for the count of 18); no adsorber in this fleet."""
EARLY_GROUPS = 7
"""Groups of the earlier edition: with the two general ones, 16 counters (B)."""
_COLD_START = {m.EVAPORATIVE, m.SECONDARY_AIR}


@dataclass(slots=True)
class Ratio:
    """One monitor's pair: `completed` is the numerator, `offered` the denominator."""

    completed: int = 0
    offered: int = 0

    def count(self, *, completed: bool, offered: bool) -> None:
        """Add one to either; at the top both are halved first, so that the ratio stays."""
        if (completed and self.completed >= TOP) or (offered and self.offered >= TOP):
            self.completed //= 2
            self.offered //= 2
        self.completed += completed
        self.offered += offered


@dataclass(slots=True)
class InUse:
    """The counters of one engine controller. `general` and `ignitions` roll over to zero."""

    ignition: str
    fitted: Collection[str]
    banks: int = 1
    late: bool = True
    general: int = 0
    ignitions: int = 0
    ratios: dict[str, Ratio] = field(init=False)
    _plan: list[tuple[str, Ratio]] = field(init=False)

    def __post_init__(self) -> None:
        """Every place of the answer has a pair; one without a monitor stays at zero."""
        groups = COMPRESSION_GROUPS if self.ignition == COMPRESSION else SPARK_GROUPS
        groups = groups if self.late else groups[:EARLY_GROUPS]
        self.ratios = {name: Ratio() for name, _, _ in groups}
        self._plan = [
            (monitor, self.ratios[name])
            for name, monitor, bank in groups
            if monitor in self.fitted and bank <= self.banks
        ]

    @property
    def infotype(self) -> int:
        """The infotype of service 09 under which they are asked."""
        return COMPRESSION_TYPE if self.ignition == COMPRESSION else SPARK_TYPE

    def end_cycle(
        self, conditions: Conditions, ran: Collection[str], blocked: Collection[str]
    ) -> None:
        """Take in a driving cycle: the monitors that ran, and those a standing code holds up."""
        if conditions.engine_on_s > 0:
            self.ignitions = (self.ignitions + 1) & TOP
        general = conditions.counted()
        cold = general and conditions.evaporative_possible()
        self.general = (self.general + general) & TOP
        for monitor, ratio in self._plan:
            if monitor not in blocked:  # both rest while a code disables the monitor
                offered = cold if monitor in _COLD_START else general
                completed = general and monitor in ran
                if offered or completed:
                    ratio.count(completed=completed, offered=offered)

    def age(self, cycles: int, share: float, cold_share: float = 0.25) -> None:
        """Set the counters as years of use leave them: `share` of the offers were completed."""
        self.ignitions, self.general = cycles & TOP, int(cycles * 0.6) & TOP
        for place, (monitor, ratio) in enumerate(self._plan):
            part = cold_share if monitor in _COLD_START else 1.0
            ratio.offered = min(TOP, int(cycles * 0.6 * part))
            ratio.completed = int(ratio.offered * min(1.0, share + 0.02 * place))

    def answer(self) -> bytes:
        """Return the whole answer: 49, infotype, count of counters, two bytes each."""
        numbers = [self.general, self.ignitions]
        for ratio in self.ratios.values():
            numbers += (ratio.completed, ratio.offered)
        head = bytes((0x49, self.infotype, len(numbers)))
        return head + struct.pack(f">{len(numbers)}H", *numbers)
