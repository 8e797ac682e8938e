"""The messages of the wire contract as types; `gateway.contract` is the door to them.

A missing field means "not answered"; an empty list means "asked, none". Lengths are in the unit
of the field's suffix (`_km`, `_s`, `_min`, `_v`, `_c`, `_kpa`, `_pct`).
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from gateway.facts import CycleStatus, Ignition, Monitor

MAX_SEQ = 2**63 - 1

_GATEWAY = r"^[a-z0-9][a-z0-9-]{0,31}$"
_TIME = r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z$"
_UUID = r"^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"

GatewayId = Annotated[str, Meta(pattern=_GATEWAY, max_length=32)]
Time = Annotated[str, Meta(pattern=_TIME, max_length=24)]
Journal = Annotated[str, Meta(pattern=_UUID, max_length=36)]
Seq = Annotated[int, Meta(ge=1, le=MAX_SEQ)]
Count = Annotated[int, Meta(ge=0, le=2**53)]
Code = Annotated[str, Meta(pattern=r"^[PCBU][0-3][0-9A-F]{3}$", max_length=5)]
Codes = Annotated[list[Code], Meta(max_length=255)]
EcuId = Annotated[str, Meta(pattern=r"^(7E[8-F]|18DAF1[0-9A-F]{2})$", max_length=8)]
Hex = Annotated[str, Meta(pattern=r"^([0-9A-F]{2})*$", max_length=8192)]
Text = Annotated[str, Meta(max_length=64)]
Number = Annotated[float, Meta(ge=-1e9, le=1e10)]
Name = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]{0,47}$", max_length=48)]
Range = Annotated[list[Seq], Meta(min_length=2, max_length=2)]

Clock = Literal["synced", "held", "unset"]
Reason = Literal["key_on", "key_off", "periodic", "change", "ask", "full"]
Heard = Literal["answers", "j1939", "newer_protocol", "nothing"]
"""What speaks on the bus: J1979 answers; J1939 alone; SAE J1979-2 alone; nobody."""
Quiet = Literal["another_tester", "shop", "inspection", "low_voltage", "no_traffic"]
"""Why the gateway keeps silent on the bus."""
LampState = Literal["off", "on", "slow_flash", "fast_flash", "not_available"]
State = Literal["online", "asleep", "offline"]
Kind = Literal["report", "presence", "receipt", "ask"]


class Message(msgspec.Struct, gc=False, frozen=True, kw_only=True, omit_defaults=True):
    """Base of every wire message: unknown fields are ignored, defaults are left out.

    `gc=False`: none can refer to itself, so the cyclic collector need not look through them.
    """


class Calibration(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One calibration id of an ECU with its verification number (service 09, types 04 and 06)."""

    id: Text
    cvn: Annotated[str, Meta(pattern=r"^[0-9A-F]{8}$")] | UnsetType = UNSET


class FreezeFrame(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What one ECU kept of the moment a code was stored (service 02), by live-value name."""

    frame: Annotated[int, Meta(ge=0, le=255)]
    code: Code
    values: dict[Name, Number]


class MonitorResult(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One on-board monitor test result (service 06): value and limits as scaled numbers.

    `unit` is absent where the scaling id is not known; then value and limits are the raw numbers,
    signed as the id says. `passed` is absent while the test has not run since codes were cleared.
    """

    monitor_id: Annotated[int, Meta(ge=0, le=255)]
    test_id: Annotated[int, Meta(ge=0, le=255)]
    scaling_id: Annotated[int, Meta(ge=0, le=255)]
    value: Number
    low: Number
    high: Number
    unit: Text | UnsetType = UNSET
    passed: bool | UnsetType = UNSET


class EcuReading(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What one ECU answered. Lists are absent when it stayed silent, empty when it said none."""

    mil: bool | UnsetType = UNSET
    code_count: Annotated[int, Meta(ge=0, le=127)] | UnsetType = UNSET
    ignition: Ignition | UnsetType = UNSET
    monitors: dict[Monitor, bool] | UnsetType = UNSET
    monitors_this_cycle: dict[Monitor, CycleStatus] | UnsetType = UNSET
    confirmed: Codes | UnsetType = UNSET
    pending: Codes | UnsetType = UNSET
    permanent: Codes | UnsetType = UNSET
    freeze_frames: Annotated[list[FreezeFrame], Meta(max_length=64)] | UnsetType = UNSET
    test_results: Annotated[list[MonitorResult], Meta(max_length=512)] | UnsetType = UNSET
    in_use_counters: dict[str, Count] | UnsetType = UNSET
    calibrations: Annotated[list[Calibration], Meta(max_length=16)] | UnsetType = UNSET
    obd_type: Annotated[int, Meta(ge=0, le=255)] | UnsetType = UNSET


class DrivingCycle(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One driving cycle as the gateway summarised it at its end. Lengths in s, km, degC, V."""

    started_at: Time
    ended_at: Time
    propulsion_on_s: Number
    engine_on_s: Number
    unobserved_s: Number | UnsetType = UNSET
    """Seconds of `propulsion_on_s` without samples; no other figure counts them."""
    distance_km: Number | UnsetType = UNSET
    seconds_at_or_above_40_kmh: Number | UnsetType = UNSET
    longest_idle_s: Number | UnsetType = UNSET
    coolant_start_c: Number | UnsetType = UNSET
    coolant_peak_c: Number | UnsetType = UNSET
    warm_up: bool | UnsetType = UNSET
    soak_s: Number | UnsetType = UNSET
    ambient_c: Number | UnsetType = UNSET
    barometric_kpa: Number | UnsetType = UNSET
    fuel_start_pct: Number | UnsetType = UNSET
    fuel_end_pct: Number | UnsetType = UNSET
    lowest_v: Number | UnsetType = UNSET
    monitors_completed: Annotated[list[Monitor], Meta(max_length=16)] | UnsetType = UNSET
    denominator_moved: bool | UnsetType = UNSET
    split: bool | UnsetType = UNSET
    not_given: Annotated[list[Name], Meta(max_length=32)] | UnsetType = UNSET


class Evidence(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One request and its answer as they stood on the bus, in upper-case hex."""

    ecu: EcuId
    request: Hex
    answer: Hex


class SuspectCode(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One J1939 trouble code: suspect parameter number, failure mode, occurrences."""

    spn: Annotated[int, Meta(ge=0, le=524287)]
    fmi: Annotated[int, Meta(ge=0, le=31)]
    occurrences: Annotated[int, Meta(ge=0, le=127)] | UnsetType = UNSET
    older_order: bool | UnsetType = UNSET


class LampBroadcast(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One J1939 controller's DM1 broadcast (SAE J1939-73, 5.7.1), heard and never asked for."""

    source: Annotated[int, Meta(ge=0, le=255)]
    malfunction: LampState
    stop: LampState
    warning: LampState
    protect: LampState
    codes: Annotated[list[SuspectCode], Meta(max_length=255)]


class Implausible(Message, frozen=True, kw_only=True, omit_defaults=True):
    """A value that makes no sense, with the rule that says so and the basis of that rule."""

    rule: Name
    text: Annotated[str, Meta(max_length=256)]
    basis: Annotated[str, Meta(max_length=128)]


class Report(Message, frozen=True, kw_only=True, omit_defaults=True):
    """One reading of one vehicle at one moment.

    `taken_at` is null while the gateway's clock is unset; `uptime_ms` counts sleep.
    """

    schema: Literal["report/1"] = msgspec.field()
    gateway: GatewayId
    journal: Journal
    journal_created_at: Time
    seq: Seq
    boot_no: Count
    taken_at: Time | None
    clock: Clock
    uptime_ms: Count
    reason: Reason
    ecus: dict[EcuId, EcuReading]
    clock_offset_ms: int | UnsetType = UNSET
    part: Annotated[list[int], Meta(min_length=2, max_length=2)] | UnsetType = UNSET
    vin: Annotated[str, Meta(max_length=32)] | UnsetType = UNSET
    protocol: Text | UnsetType = UNSET
    distance_since_clear_km: Number | UnsetType = UNSET
    warm_ups_since_clear: Count | UnsetType = UNSET
    minutes_since_clear_min: Count | UnsetType = UNSET
    distance_with_mil_km: Number | UnsetType = UNSET
    minutes_with_mil_min: Count | UnsetType = UNSET
    odometer_km: Number | UnsetType = UNSET
    fuel_type: Annotated[int, Meta(ge=0, le=255)] | UnsetType = UNSET
    fuel_level_pct: Number | UnsetType = UNSET
    module_v: Number | UnsetType = UNSET
    coolant_c: Number | UnsetType = UNSET
    intake_air_c: Number | UnsetType = UNSET
    ambient_c: Number | UnsetType = UNSET
    barometric_kpa: Number | UnsetType = UNSET
    engine_speed_rpm: Number | UnsetType = UNSET
    vehicle_speed_kmh: Number | UnsetType = UNSET
    engine_run_s: Number | UnsetType = UNSET
    driving_cycle: DrivingCycle | UnsetType = UNSET
    live: dict[Name, Number] | UnsetType = UNSET
    implausible: Annotated[list[Implausible], Meta(max_length=64)] | UnsetType = UNSET
    heard: Heard | UnsetType = UNSET
    quiet: Quiet | UnsetType = UNSET
    quiet_until: Time | UnsetType = UNSET
    lamp_broadcasts: Annotated[list[LampBroadcast], Meta(max_length=64)] | UnsetType = UNSET
    dropped: Annotated[list[Range], Meta(max_length=1024)] | UnsetType = UNSET
    declined: Literal["parked"] | UnsetType = UNSET
    ask_id: Text | UnsetType = UNSET
    evidence: Annotated[list[Evidence], Meta(max_length=512)] | UnsetType = UNSET


class Presence(Message, frozen=True, kw_only=True, omit_defaults=True):
    """Whether a gateway is there; `offline` comes only from its last will."""

    schema: Literal["presence/1"] = msgspec.field()
    gateway: GatewayId
    state: State
    journal: Journal
    boot_no: Count
    connection_no: Count
    oldest_kept: Seq
    at: Time | None
    wake_by: Time | UnsetType = UNSET


class SetAside(Message, frozen=True, kw_only=True, omit_defaults=True):
    """A payload that ingest keeps in its dead letters: the gateway may forget it too."""

    digest: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$")]
    reason: str


class Receipt(Message, frozen=True, kw_only=True, omit_defaults=True):
    """What ingest has committed: everything to `through`, the ranges in `also`, and `aside`."""

    schema: Literal["receipt/1"] = msgspec.field()
    gateway: GatewayId
    journal: Journal
    through: Annotated[int, Meta(ge=0, le=MAX_SEQ)]
    also: Annotated[list[Range], Meta(max_length=256)]
    aside: Annotated[list[SetAside], Meta(max_length=256)]
    at: Time


class Ask(Message, frozen=True, kw_only=True, omit_defaults=True):
    """A request for a fresh or full reading; void after `expires_at`."""

    schema: Literal["ask/1"] = msgspec.field()
    gateway: GatewayId
    ask_id: Text
    want: Literal["fresh", "full"]
    expires_at: Time
