"""One driving cycle of a vehicle as its gateway summarised it, and the reading that brought it."""

from __future__ import annotations

from operator import attrgetter

import msgspec
from msgspec import UNSET

from gateway import contract
from gateway.facts import Monitor
from ingest.domain.observed import sane_ms

Key = tuple[str, int]


class Cycle(msgspec.Struct, gc=False, frozen=True, kw_only=True, omit_defaults=True):
    """A driving cycle. Epoch ms, s, km, degC, kPa, V; None means that the vehicle gave no figure.

    `observed_at` is when the reading was taken; `not_given` names what the vehicle cannot say.
    `split` marks a cycle cut at its longest allowed length; `unobserved_s` is how much of
    `propulsion_on_s` no other figure counts.
    """

    journal: str
    seq: int
    observed_at: int
    started_at: int
    ended_at: int
    propulsion_on_s: float
    engine_on_s: float
    unobserved_s: float | None = None
    distance_km: float | None = None
    seconds_at_or_above_40_kmh: float | None = None
    longest_idle_s: float | None = None
    coolant_start_c: float | None = None
    coolant_peak_c: float | None = None
    warm_up: bool | None = None
    soak_s: float | None = None
    ambient_c: float | None = None
    barometric_kpa: float | None = None
    fuel_start_pct: float | None = None
    fuel_end_pct: float | None = None
    lowest_v: float | None = None
    monitors_completed: list[Monitor] | None = None
    denominator_moved: bool | None = None
    split: bool | None = None
    not_given: list[str] | None = None

    @property
    def key(self) -> Key:
        """The reading that brought it: its identity in its vehicle."""
        return (self.journal, self.seq)


_TIMES = ("started_at", "ended_at")
_FIGURES = tuple(name for name in contract.DrivingCycle.__struct_fields__ if name not in _TIMES)
_figures = attrgetter(*_FIGURES)


def cycle_of(summary: contract.DrivingCycle, key: Key, at: int) -> Cycle:
    """The driving cycle in a reading known by `key` and taken at `at` (epoch ms)."""
    said = {
        name: value
        for name, value in zip(_FIGURES, _figures(summary), strict=True)
        if value is not UNSET
    }
    return Cycle(
        journal=key[0], seq=key[1], observed_at=at,
        started_at=sane_ms(summary.started_at), ended_at=sane_ms(summary.ended_at), **said,
    )  # fmt: skip
