"""The current status of one vehicle: what is known of it now, folded from its readings.

Stored as it stands (msgspec). Times are epoch milliseconds UTC. None always means "never
answered"; an empty list or mapping means "asked, none".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import msgspec

from gateway.contract import (
    Calibration,
    FreezeFrame,
    Implausible,
    LampBroadcast,
    MonitorResult,
)
from gateway.facts import CONTINUOUS, CycleStatus, Ignition, Monitor

UNREAD: Mapping[str, str] = MappingProxyType(
    {
        "j1939": "J1939 vehicle, not read yet",
        "newer_protocol": "newer protocol, not read yet",
    }
)
"""What is said of a vehicle that speaks, yet not in the language that is read (SAE J1979)."""


LIT = ("on", "slow_flash", "fast_flash")
"""States of a broadcast lamp that is lit (SAE J1939-73, 5.7.1; as in the facts of `gateway`)."""


class EcuPicture(msgspec.Struct, gc=False, kw_only=True, omit_defaults=True):
    """What one ECU last said of itself. `readiness_at` is when it last answered PID 01."""

    heard_at: int
    readiness_at: int | None = None
    mil: bool | None = None
    code_count: int | None = None
    ignition: Ignition | None = None
    obd_type: int | None = None
    monitors: dict[Monitor, bool] | None = None
    monitors_this_cycle: dict[Monitor, CycleStatus] | None = None
    confirmed: list[str] | None = None
    pending: list[str] | None = None
    permanent: list[str] | None = None
    freeze_frames: list[FreezeFrame] | None = None
    freeze_frames_at: int | None = None
    test_results: list[MonitorResult] | None = None
    test_results_at: int | None = None
    in_use_counters: dict[str, int] | None = None
    calibrations: list[Calibration] | None = None
    codes_at: int | None = None
    supported_before: list[Monitor] | None = None
    """The monitors it supported at first, while it reports others under the same software."""
    before_clear: bool = False
    """True while this ECU has not answered since the last clear: its monitors are old news."""


class Picture(msgspec.Struct, gc=False, kw_only=True, omit_defaults=True):
    """One vehicle now. Lengths in km, times in minutes where the name says so.

    `heard_at` is the last reading with any ECU in it, or with a language we do not read;
    `last_seen_at` the last report at all. `heard` is what the vehicle last spoke, `quiet` why its
    gateway keeps silent (until `quiet_until`), `clock_behind_ms` how far its clock is from ours
    where that matters. `live`, `implausible` and `lamp_broadcasts` are of
    the last reading that asked, at their own times.
    `counters_at` is when a counter since clear was last read, `boot` the journal and restart of
    the gateway that took the last reading.
    `driving_cycles` counts all ended cycles, `driving_cycles_since_clear` those since a clear.
    """

    ecus: dict[str, EcuPicture] = msgspec.field(default_factory=dict)
    heard_at: int | None = None
    first_heard_at: int | None = None
    last_seen_at: int | None = None
    vin_read: str | None = None
    vin_mismatch: str | None = None
    vin_mismatch_at: int | None = None
    last_clear_at: int | None = None
    driving_cycles: int = 0
    driving_cycles_since_clear: int = 0
    last_cycle_started: str | None = None
    last_key: tuple[str, int] | None = None
    distance_since_clear_km: float | None = None
    warm_ups_since_clear: int | None = None
    minutes_since_clear_min: int | None = None
    odometer_at_clear_km: float | None = None
    counters_at: int | None = None
    boot: tuple[str, int] | None = None
    distance_with_mil_km: float | None = None
    minutes_with_mil_min: int | None = None
    odometer_km: float | None = None
    fuel_type: int | None = None
    fuel_level_pct: float | None = None
    module_v: float | None = None
    live: dict[str, float] | None = None
    live_at: int | None = None
    implausible: list[Implausible] | None = None
    implausible_at: int | None = None
    lamp_broadcasts: list[LampBroadcast] | None = None
    lamp_broadcasts_at: int | None = None
    heard: str | None = None
    quiet: str | None = None
    quiet_until: int | None = None
    clock_behind_ms: int | None = None

    def mil(self) -> bool | None:
        """Whether any ECU commands the lamp; None when none ever said."""
        said = [ecu.mil for ecu in self.ecus.values() if ecu.mil is not None]
        return any(said) if said else None

    def lit_broadcasts(self) -> list[LampBroadcast]:
        """The J1939 controllers that broadcast their malfunction lamp as lit or flashing."""
        return [one for one in self.lamp_broadcasts or () if one.malfunction in LIT]

    def codes(self, kind: str) -> frozenset[str] | None:
        """The 'confirmed', 'pending' or 'permanent' codes over all ECUs; None if never answered."""
        lists = [codes for codes in self._lists(kind) if codes is not None]
        return frozenset(code for codes in lists for code in codes) if lists else None

    def monitors(self) -> dict[Monitor, bool]:
        """Supported monitors of the vehicle: complete only if so in every ECU that supports it."""
        merged: dict[Monitor, bool] = {}
        for ecu in self.ecus.values():
            for monitor, complete in (ecu.monitors or {}).items():
                merged[monitor] = complete and merged.get(monitor, True)
        return merged

    def incomplete(self) -> tuple[Monitor, ...]:
        """Non-continuous monitors not complete, in the order of `Monitor`."""
        merged = self.monitors()
        return tuple(m for m in Monitor if m not in CONTINUOUS and merged.get(m) is False)

    def readiness_at(self) -> int | None:
        """When the oldest readiness still relied on was read; None if never."""
        times = [ecu.readiness_at for ecu in self.ecus.values() if ecu.readiness_at is not None]
        return min(times) if times else None

    def unread(self) -> str | None:
        """Why nothing can be read of a vehicle that is heard; None once it answered SAE J1979."""
        return None if self.readiness_at() is not None else UNREAD.get(self.heard or "")

    def _lists(self, kind: str) -> Iterator[list[str] | None]:
        for ecu in self.ecus.values():
            if kind == "confirmed":
                yield ecu.confirmed
            elif kind == "pending":
                yield ecu.pending
            elif kind == "permanent":
                yield ecu.permanent
            else:
                raise ValueError(f"kind: {kind!r}, expected confirmed, pending or permanent")
