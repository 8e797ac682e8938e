"""What the fleet's own past taught: priors by family and monitor, and calibrations.

Kept as one JSON document (msgspec). A family is what shares engines as far as the list can tell:
make, model year and ignition.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from gateway.facts import CONTINUOUS, Monitor
from ingest.domain.completion import Beta, fit_prior
from ingest.domain.completion_priors import PRIORS
from ingest.domain.conformal import Calibration
from ingest.domain.episodes import Episode
from ingest.domain.evidence import MOST_CYCLES, counted, seen_waits
from ingest.domain.picture import Picture
from ingest.domain.vehicles import Vehicle

WHOLE_FLEET = ""
DOUBTED = PRIORS[Monitor.EVAPORATIVE_SYSTEM].a


def family_of(vehicle: Vehicle) -> str:
    """'make, model year, ignition' in small letters; what is not known is left out."""
    return f"{vehicle.make or 'any make'} {vehicle.model_year} {vehicle.ignition.value}".lower()


@dataclass(frozen=True, slots=True)
class Learned:
    """`priors` by family ("" is the whole fleet) and monitor; `calibrations` by monitor; `air` by
    depot and month: the share of cold starts whose air suits the evaporative monitor.
    """

    priors: Mapping[str, Mapping[Monitor, Beta]] = field(default_factory=dict)
    calibrations: Mapping[str, Calibration] = field(default_factory=dict)
    air: Mapping[str, Mapping[int, float]] = field(default_factory=dict)

    def prior(self, vehicle: Vehicle, monitor: Monitor) -> Beta:
        """The prior of the vehicle's family, else of the fleet, else the assumed one."""
        for family in (family_of(vehicle), WHOLE_FLEET):
            found = self.priors.get(family, {}).get(monitor)
            if found is not None:
                return found
        return PRIORS[monitor]

    def priors_of(self, vehicle: Vehicle) -> Mapping[Monitor, Beta]:
        """The prior of every monitor that waits."""
        return {one: self.prior(vehicle, one) for one in PRIORS}

    def cautious(self, vehicle: Vehicle) -> Mapping[Monitor, Beta]:
        """The priors by which a monitor is said not to set: the same, held in more doubt.

        Season, route and tank of one vehicle differ from its family's: a learned prior counts for
        no more completions than the most doubtful of the assumed ones (X).
        """
        return {one: _doubted(prior) for one, prior in self.priors_of(vehicle).items()}


def _doubted(prior: Beta) -> Beta:
    if "assumption" in prior.basis or prior.a <= DOUBTED:
        return prior
    return Beta(DOUBTED, prior.b * DOUBTED / prior.a, prior.basis)


NOTHING_LEARNED = Learned()
Record = tuple[str, Monitor, float, float]
"""(family, monitor, completions, driving cycles) of one vehicle."""


def records_of(vehicle: Vehicle, picture: Picture, events: Sequence[Episode]) -> list[Record]:
    """What one vehicle adds: its in-use counters, else its waits, that of now among them.

    With a confirmed code the wait of now is left out: the code may hold the monitor up.
    """
    found = []
    for monitor in picture.monitors():
        if monitor in CONTINUOUS:
            continue
        own = counted(monitor, picture, 0)
        if own is None:
            own = seen_waits(monitor, events)
            open_ones = [
                max(0, picture.driving_cycles - int(one.details.get("driving_cycles_at_start", 0)))
                for one in events
                if one.kind == "not_complete"
                and one.subject == monitor.value
                and one.ended_at is None
            ]
            if not picture.codes("confirmed"):
                own = replace(own, cycles=own.cycles + sum(open_ones))
        if own.cycles:
            found.append((family_of(vehicle), monitor, own.done, own.cycles))
    return found


def fit_priors(records: Iterable[Record]) -> dict[str, dict[Monitor, Beta]]:
    """The priors of every family, and of the fleet, with vehicles enough."""
    groups: dict[tuple[str, Monitor], list[tuple[float, float]]] = {}
    for family, monitor, done, cycles in records:
        weight = min(1.0, MOST_CYCLES / cycles) if cycles else 1.0
        for name in (family, WHOLE_FLEET):
            groups.setdefault((name, monitor), []).append((done * weight, cycles * weight))
    found: dict[str, dict[Monitor, Beta]] = {}
    for (family, monitor), pairs in groups.items():
        done_, cycles_ = zip(*pairs, strict=True)
        fitted = fit_prior(done_, cycles_, family or "the whole fleet")
        if fitted is not None:
            found.setdefault(family, {})[monitor] = fitted
    return found


def encode(learned: Learned) -> str:
    """As JSON text."""
    return msgspec.json.encode(learned).decode()


def decode(text: str) -> Learned:
    """From JSON text. Raises msgspec.ValidationError for another shape."""
    plain: Any = msgspec.json.decode(text, type=_Kept)
    return Learned(plain.priors, plain.calibrations, plain.air)


class _Kept(msgspec.Struct):
    priors: dict[str, dict[Monitor, Beta]]
    calibrations: dict[str, Calibration]
    air: dict[str, dict[int, float]] = {}
