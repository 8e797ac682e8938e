"""Episodes and the fold: a vehicle's readings in order give its picture and what happened when.

The fold is a pure function of the list of reports: deterministic, and equal whether it goes on
from a stored state or starts afresh. It never changes the state it was given.
"""

from __future__ import annotations

from collections.abc import Set
from operator import attrgetter
from typing import Any, Literal, NamedTuple

import msgspec
from msgspec import UNSET

from gateway import contract
from gateway.facts import Monitor
from ingest.domain.clears import (
    COUNTED,
    COUNTERS,
    evidence_of_clear,
    fallen_counters,
    kept_complete,
    odometer_at_clear,
    software_changes,
)
from ingest.domain.cycles import Cycle, cycle_of
from ingest.domain.details import (
    ANOTHER_TESTER,
    supported_before,
    take_ecu_details,
    take_vehicle_details,
)
from ingest.domain.falls import falls
from ingest.domain.observed import Anchor, moved, observe
from ingest.domain.parts import continues, joined
from ingest.domain.picture import UNREAD, EcuPicture, Picture

FOLD_VERSION = 9
"""Counted up with every change of what is folded: states of another one are folded again."""
Kind = Literal[
    "mil_on", "code", "not_complete", "clear", "another_tester", "software_changed", "counter_fell"
]
Key = tuple[str, int]

_ECU_FIELDS = (
    "mil", "code_count", "ignition", "monitors", "monitors_this_cycle",
    "confirmed", "pending", "permanent",
)  # fmt: skip
_VALUES = (
    "distance_with_mil_km", "minutes_with_mil_min", "odometer_km", "fuel_type", "fuel_level_pct",
    "module_v",
)  # fmt: skip
_said, _values = attrgetter(*_ECU_FIELDS), attrgetter(*_VALUES)
_EPISODE_FIELDS = frozenset({"mil", "monitors", "confirmed", "pending", "permanent"})


class Episode(msgspec.Struct, gc=False, kw_only=True, omit_defaults=True):
    """Something with a start and maybe an end (epoch ms), found in readings by their keys.

    `subject` is '' for the lamp, clears and another tester, 'P0420:confirmed' for a code, the ECU
    for software that changed, the counter that fell, else a monitor's value.
    """

    kind: Kind
    subject: str
    started_at: int
    start_key: Key
    ended_at: int | None = None
    end_key: Key | None = None
    details: dict[str, Any] = msgspec.field(default_factory=dict)

    @property
    def natural(self) -> str:
        """The identity of an episode in its vehicle: what it is and which reading began it."""
        return f"{self.kind}|{self.subject}|{self.start_key[0]}|{self.start_key[1]}"


class VehicleState(msgspec.Struct, gc=False, kw_only=True, omit_defaults=True):
    """All the fold needs to go on: stored with its `fold_version`.

    `held` collects the parts of a reading that was split by ECU until the last one is there.
    """

    fold_version: int = FOLD_VERSION
    picture: Picture = msgspec.field(default_factory=Picture)
    open: list[Episode] = msgspec.field(default_factory=list)
    anchor: Anchor | None = None
    held: contract.Report | None = None
    held_at: int = 0


class Step(NamedTuple):
    """The state after a report, what it opened, closed or ended, and when it was observed."""

    state: VehicleState
    changed: list[Episode]
    observed_at: int
    cycles: list[Cycle]


def start() -> VehicleState:
    """The state of a vehicle of which nothing was ever heard."""
    return VehicleState(fold_version=FOLD_VERSION)


def fold(state: VehicleState, report: contract.Report, vehicle_vin: str) -> Step:
    """Take one report in, in the order (journal_created_at, journal, seq)."""
    at = observe(state.anchor, report)
    fresh = VehicleState(
        fold_version=state.fold_version,
        picture=msgspec.structs.replace(state.picture),
        open=state.open,
        anchor=moved(state.anchor, report, at),
        held=state.held,
        held_at=state.held_at,
    )
    changed: list[Episode] = []
    cycles: list[Cycle] = []
    if fresh.held is not None and not continues(fresh.held, report):
        changed += _flush(fresh, cycles)
    picture = fresh.picture
    picture.last_key = (report.journal, report.seq)
    picture.last_seen_at = at
    if not _is_this_vehicle(picture, report, vehicle_vin):
        return Step(fresh, changed, at, cycles)
    if report.part is not UNSET and report.part[1] > 1:
        if fresh.held is None:
            fresh.held, fresh.held_at = report, at
        else:
            fresh.held = joined(fresh.held, report)
        if report.part[0] == report.part[1]:
            changed += _flush(fresh, cycles)
    else:
        changed += _take(fresh, report, at, cycles)
    return Step(fresh, changed, at, cycles)


def _is_this_vehicle(picture: Picture, report: contract.Report, vehicle_vin: str) -> bool:
    """Flag another vehicle's VIN; a reading without a VIN belongs to the last one read."""
    if report.vin is UNSET or not report.vin:
        return picture.vin_mismatch is None
    picture.vin_read = report.vin
    differs = bool(vehicle_vin) and report.vin != vehicle_vin
    if not differs:
        picture.vin_mismatch = picture.vin_mismatch_at = None
    elif picture.vin_mismatch != report.vin:
        picture.vin_mismatch, picture.vin_mismatch_at = report.vin, picture.last_seen_at
    return not differs


def _flush(state: VehicleState, cycles: list[Cycle]) -> list[Episode]:
    held, at = state.held, state.held_at
    state.held, state.held_at = None, 0
    return [] if held is None else _take(state, held, at, cycles)


def _take(
    state: VehicleState, report: contract.Report, at: int, cycles: list[Cycle]
) -> list[Episode]:
    """Bring one whole reading into a state that is ours to change."""
    picture = state.picture
    key = (report.journal, report.seq)
    changed: list[Episode] = []
    fallen = fallen_counters(picture, report, at)
    spoken = fallen is not None
    evidence = evidence_of_clear(picture, report, at, fallen)
    if evidence:
        fallen = {} if spoken else None
        changed.append(_clear(picture, report, evidence, at, key))
    reprogrammed = software_changes(picture, report)
    for ecu_id, said in reprogrammed.items():
        details = {"evidence": said, "not_before": picture.heard_at}
        changed.append(_at_once("software_changed", ecu_id, at, key, details))
    for one in falls(picture, report, fallen, reprogrammed.keys()):
        fell = {"before": one.before, "now": one.now, "not_before": picture.heard_at}
        changed.append(_at_once("counter_fell", one.subject, at, key, fell))
    picture.boot = (report.journal, report.boot_no)
    if report.ecus or report.heard in UNREAD:
        picture.heard_at = at
        if picture.first_heard_at is None:
            picture.first_heard_at = at
    cycles += _ended_cycle(picture, report, at, restarted=bool(evidence))
    for name, value in zip(_VALUES, _values(report), strict=True):
        if value is not UNSET:
            setattr(picture, name, value)
    if spoken:
        for name, value in zip(COUNTERS, COUNTED(report), strict=True):
            if value is not UNSET:
                setattr(picture, name, value)
                picture.counters_at = at
        begun = odometer_at_clear(report)
        if begun is not None:
            picture.odometer_at_clear_km = begun
    vehicle_differs = take_vehicle_details(picture, report, at)
    differs = _take_ecus(picture, report, at, cleared=bool(evidence), anew=reprogrammed.keys())
    if differs or vehicle_differs:
        changed += _turn_over(state, at, key)
    return changed


def _clear(
    picture: Picture, report: contract.Report, evidence: list[str], at: int, key: Key
) -> Episode:
    """Note a clear with what may tell its cause, and forget what counted from the one before."""
    boot = picture.boot
    same_journal = boot is not None and boot[0] == report.journal
    details: dict[str, Any] = {
        "evidence": evidence,
        "confirmed_before": sorted(picture.codes("confirmed") or ()),
        "driving_cycles_before": picture.driving_cycles_since_clear,
        "not_before": picture.heard_at,
        "gateway_kept_power": boot == (report.journal, report.boot_no) if same_journal else None,
        "low_voltage_before": picture.quiet == "low_voltage",
        "kept_complete": kept_complete(picture, report),
        "complete_before": sorted(one for one, done in picture.monitors().items() if done),
        "ignition_cycles_before": _ignition_cycles(picture),
    }
    picture.last_clear_at = at
    picture.driving_cycles_since_clear = 0
    picture.odometer_at_clear_km = None
    for name in COUNTERS:
        setattr(picture, name, None)
    return _at_once("clear", "", at, key, details)


def _ignition_cycles(picture: Picture) -> dict[str, int]:
    """The ignition cycle counter of each ECU that gave one."""
    return {
        ecu_id: ecu.in_use_counters["ignition_cycles"]
        for ecu_id, ecu in picture.ecus.items()
        if ecu.in_use_counters and "ignition_cycles" in ecu.in_use_counters
    }


def _at_once(kind: Kind, subject: str, at: int, key: Key, details: dict[str, Any]) -> Episode:
    return Episode(
        kind=kind, subject=subject, started_at=at, start_key=key, ended_at=at, end_key=key,
        details=details,
    )  # fmt: skip


def _ended_cycle(
    picture: Picture, report: contract.Report, at: int, restarted: bool
) -> list[Cycle]:
    """Count the driving cycle that a reading brings, unless it was told before."""
    cycle = report.driving_cycle
    if cycle is UNSET or cycle.started_at == picture.last_cycle_started:
        return []
    picture.last_cycle_started = cycle.started_at
    picture.driving_cycles += 1
    if not restarted:  # the cycle in which the clear was found is not known to lie after it
        picture.driving_cycles_since_clear += 1
    return [cycle_of(cycle, (report.journal, report.seq), at)]


def _take_ecus(
    picture: Picture, report: contract.Report, at: int, cleared: bool, anew: Set[str]
) -> bool:
    """Write what each ECU said; True when something that makes an episode is different.

    `anew` are ECUs with other software: what those supported before says nothing.
    """
    ecus = dict(picture.ecus)
    differs = False
    if cleared:
        for ecu_id, known in ecus.items():  # until its monitors are read again, further below
            ecus[ecu_id] = msgspec.structs.replace(known, before_clear=True)
    for ecu_id, reading in report.ecus.items():
        before = ecus.get(ecu_id)
        ecu = EcuPicture(heard_at=at)
        if before is not None:
            ecu = msgspec.structs.replace(before, heard_at=at)
        said, stood = _said(reading), _said(ecu)
        if said != stood:  # most readings say again what the one before said
            for name, value, old in zip(_ECU_FIELDS, said, stood, strict=True):
                if value is UNSET or value == old:
                    continue
                if name == "monitors":
                    ecu.supported_before = supported_before(ecu, value)
                setattr(ecu, name, value)
                differs = differs or name in _EPISODE_FIELDS
        if reading.confirmed is not UNSET:
            ecu.codes_at = at
        take_ecu_details(ecu, reading, at, picture.last_clear_at)
        if reading.monitors is not UNSET:
            ecu.readiness_at = at
            ecu.before_clear = False
        if ecu_id in anew:
            ecu.supported_before = None
        ecus[ecu_id] = ecu
    picture.ecus = ecus
    return differs


def _turn_over(state: VehicleState, at: int, key: Key) -> list[Episode]:
    """Close the episodes that are no longer so and open those that are new."""
    now = _standing(state.picture)
    still: list[Episode] = []
    closed: list[Episode] = []
    for episode in state.open:
        if now.pop((episode.kind, episode.subject), None) is None:
            closed.append(_ended(episode, state.picture, at, key))
        else:
            still.append(episode)
    opened = [
        Episode(
            kind=kind, subject=subject, started_at=at, start_key=key,
            details=_details(kind, state.picture),
        )
        for kind, subject in now
    ]  # fmt: skip
    state.open = still + opened
    return closed + opened


def _standing(picture: Picture) -> dict[tuple[Kind, str], bool]:
    """What is so now, in one fixed order: a lamp is lit if any ECU commands or broadcasts it."""
    now: dict[tuple[Kind, str], bool] = {}
    ecus = picture.ecus.values()
    if any(ecu.mil for ecu in ecus) or picture.lit_broadcasts():
        now["mil_on", ""] = True
    codes = {
        f"{code}:{kind}"
        for ecu in ecus
        for kind, found in (
            ("confirmed", ecu.confirmed), ("pending", ecu.pending), ("permanent", ecu.permanent),
        )
        for code in found or ()
    }  # fmt: skip
    for subject in sorted(codes):
        now["code", subject] = True
    if picture.quiet == ANOTHER_TESTER:
        now["another_tester", ""] = True
    merged = picture.monitors()
    for monitor in Monitor:
        if merged.get(monitor) is False:
            now["not_complete", monitor.value] = True
    return now


def _details(kind: Kind, picture: Picture) -> dict[str, Any]:
    details: dict[str, Any] = {"driving_cycles_at_start": picture.driving_cycles}
    if kind == "mil_on":
        details["codes"] = sorted(picture.codes("confirmed") or ())
        details["ecus"] = sorted(ecu_id for ecu_id, ecu in picture.ecus.items() if ecu.mil)
        if lit := picture.lit_broadcasts():
            details["broadcast_by"] = [one.source for one in lit]
    return details


def _ended(episode: Episode, picture: Picture, at: int, key: Key) -> Episode:
    counted = picture.driving_cycles - int(episode.details.get("driving_cycles_at_start", 0))
    return msgspec.structs.replace(
        episode, ended_at=at, end_key=key, details={**episode.details, "driving_cycles": counted}
    )
