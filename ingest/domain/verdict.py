"""The expected result of an inspection under one program, with its reasons.

Order (a modelling choice of this project, consistent with 40 CFR 85.2207 and 85.2222): what is not
covered, what a person saw of the lamp, what cannot be told, the commanded lamp, the program's
extras (stored and permanent codes, operation since clear), the count of monitors not complete, the
retest rule, else would pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from gateway.facts import FULL_NAMES, Ignition, Monitor
from ingest.domain import out_of_area, verdict_codes, verdict_counts, verdict_scope
from ingest.domain.check_by_eye import eyes
from ingest.domain.contradictions import contradictions, dropped, ignition_told
from ingest.domain.miles import KM_PER_MILE
from ingest.domain.observed_lamp import LampFinding, ObservedLamp, compare
from ingest.domain.out_of_area import OutOfArea
from ingest.domain.outcome import (
    LAMP_NAME,
    OUTCOME_TEXT,
    Finding,
    Missing,
    Outcome,
    Reason,
    Verdict,
    cited_reason,
    names,
    our_reason,
)
from ingest.domain.picture import Picture
from ingest.domain.program_exceptions import COMMUNICATION, VehicleException
from ingest.domain.program_scope import Fuel, Scope, covered, fuel_of
from ingest.domain.programs import Program
from ingest.domain.us_days import us_day
from ingest.domain.vehicles import Vehicle

__all__ = ["OUTCOME_TEXT", "Outcome", "Reason", "Verdict", "judge"]

_NOT_LIT = f"The {LAMP_NAME} is not commanded on."
_NONE: Missing = ""
_WEIGHED = (
    (Outcome.WOULD_FAIL, False),
    (Outcome.CANNOT_TELL, True),
    (Outcome.NOT_READY, False),
    (Outcome.CANNOT_TELL, False),
)
"""Findings in order of weight; True: only those that outrank the count."""


def judge(
    program: Program,
    vehicle: Vehicle,
    picture: Picture | None,
    as_of: datetime,
    stale_after_days: float | None = None,
    failed_codes: Sequence[str] = (),
    observed: ObservedLamp | None = None,
    away: OutOfArea | None = None,
) -> Verdict:
    """Judge one vehicle at `as_of` (aware).

    `stale_after_days` overrides the program's, also for `observed`, the latest look at the lamp;
    `failed_codes` are those of a failed inspection for which this one would be the retest. `away`
    is what is done while the vehicle is out of the area: told, and never decisive.
    """
    case = _Case(program, vehicle, failed_codes)
    if away is not None:
        case.notes.append(our_reason(out_of_area.words(away), away.status.value))
    days = program.stale_after_days.value if stale_after_days is None else stale_after_days
    if observed is not None and (as_of - observed.at).total_seconds() > days * 86_400:
        case.notes.append(_old_look(observed, as_of))
        observed = None
    return (
        case.verdict() if case.scope(as_of, picture) else case.judge(picture, as_of, days, observed)
    )


class _Case:
    """One vehicle before one program: findings and other reasons are gathered, then weighed."""

    __slots__ = (
        "counted", "exempt", "failed_codes", "findings", "fuel", "group", "in_scope", "look",
        "notes", "observed", "program", "reasons", "vehicle",
    )  # fmt: skip

    def __init__(self, program: Program, vehicle: Vehicle, failed_codes: Sequence[str]) -> None:
        self.program, self.vehicle, self.failed_codes = program, vehicle, failed_codes
        self.fuel = fuel_of(vehicle)
        self.group: Scope | None = None
        self.findings: list[Finding] = []
        self.reasons: list[Reason] = []
        self.notes: list[Reason] = []
        self.counted = verdict_counts.NOTHING
        self.observed: tuple[LampFinding, ...] = ()
        self.in_scope, self.exempt = True, False
        self.look: ObservedLamp | None = None

    def scope(self, as_of: datetime, picture: Picture | None) -> bool:
        """Whether it ends here: the program does not cover the vehicle, or asks no test of it."""
        program, vehicle = self.program, self.vehicle
        found = covered(program.scope, vehicle, self.fuel)
        out = verdict_scope.outside(found, vehicle, self.fuel)
        if program.exempt and (out is None or found.why == "fuel"):
            year = as_of.astimezone(ZoneInfo(vehicle.depot_tz)).year
            out = self._exempt(year, picture, in_group=out is None) or out
        if out is not None:
            self._out(out)
            return True
        self.group = found.scope
        return self._other_test()

    def _exempt(self, year: int, picture: Picture | None, in_group: bool) -> Reason | None:
        """Why the program asks no test at all; an exemption of the periodic test is noted.

        An odometer only goes up: of the one listed and the one read, the greater counts.
        """
        run: float | None = self.vehicle.odometer_mi
        if picture is not None and picture.odometer_km is not None:
            run = max(run or 0.0, picture.odometer_km / KM_PER_MILE)
        row = self.program.exemption(self.vehicle, self.fuel, year, run)
        if row is None or (row.of == "periodic" and not in_group):
            return None
        self.exempt = True
        why = verdict_scope.exempt(row, self.vehicle, year)
        if row.of == "program":
            return why
        self.notes.append(why)
        return None

    def _other_test(self) -> bool:
        for row in self._exceptions():
            if row.about == COMMUNICATION and row.treated == "other_test" and row.certain:
                self._out(_exception(row))
                return True
        return False

    def _out(self, reason: Reason) -> None:
        self.in_scope = False
        self.findings.append(Finding(Outcome.CANNOT_TELL, reason, "rule"))

    def _exceptions(self) -> list[VehicleException]:
        rows = self.program.exceptions
        return [row for row in rows if row.covers(self.vehicle)] if rows else []

    def judge(
        self, picture: Picture | None, as_of: datetime, days: float, observed: ObservedLamp | None
    ) -> Verdict:
        """Gather what each rule leads to, in order."""
        monitors = {} if picture is None else picture.monitors()
        unheard = verdict_scope.unheard(self.program, picture, monitors, as_of, days)
        known = None if unheard is not None else picture
        self._look(observed, known)
        if unheard is not None or picture is None:
            if unheard is not None:
                self.findings.append(unheard)
                self._quiet(as_of)
            return self.verdict()
        if self.group is not None and self.vehicle.gvwr_lb is None and self.group.weighs:
            self.notes.append(verdict_scope.weight_not_known(self.group))
        ignition, lit = ignition_told(picture), picture.mil() is True
        if ignition is not None and ignition is not self.vehicle.ignition:
            self._ignition(ignition)
        doubtful = self._doubts(picture, ignition)
        if lit:
            self._take(verdict_codes.lamp(self.program, picture))
        else:
            self.reasons.append(cited_reason(_NOT_LIT, "commanded off", self.program.lamp))
        since = verdict_codes.since_clear(picture, doubtful)
        year = self.vehicle.model_year
        self._take(verdict_codes.permanent(self.program, year, picture, since))
        self._take(verdict_codes.operation(self.program, picture, since))
        self._count(picture, monitors)
        if self.failed_codes:
            for one in verdict_counts.retests(self.program, monitors, self.failed_codes):
                self._take(one)
        told = None if lit else verdict_codes.stored(self.program, picture)
        if isinstance(told, Reason):
            self.notes.insert(0, told)
        else:
            self._take(told)
        return self.verdict()

    def _quiet(self, as_of: datetime) -> None:
        """Silence that the vehicle list explains."""
        day = as_of.astimezone(ZoneInfo(self.vehicle.depot_tz)).date()
        if why := self.vehicle.quiet_because(day):
            self.notes.insert(0, our_reason(f"Silence is expected: {why}.", why))

    def _take(self, one: Finding | Reason | None) -> None:
        if isinstance(one, Finding):
            self.findings.append(one)
        elif one is not None:
            self.reasons.append(one)

    def _look(self, observed: ObservedLamp | None, picture: Picture | None) -> None:
        """Set what a person saw against the command, where there is one to rely on."""
        if observed is None:
            return
        read = None if picture is None else picture.readiness_at()
        read_at = None if read is None else datetime.fromtimestamp(read / 1000, UTC)
        commanded = None if picture is None else picture.mil()
        self.look, self.observed = observed, compare(observed, commanded, read_at)
        for one in verdict_codes.seen(self.program, observed, self.observed):
            if isinstance(one, Finding):
                self.findings.append(one)
            else:
                self.notes.append(one)

    def _ignition(self, told: Ignition) -> None:
        """Another ignition than listed decides only where the program's rules differ by it."""
        vehicle, program = self.vehicle, self.program
        fuel = Fuel.GASOLINE if told is Ignition.SPARK else Fuel.DIESEL
        scope = covered(program.scope, vehicle, fuel).scope
        year = vehicle.model_year
        same_scope = scope is covered(program.scope, vehicle, self.fuel).scope
        if not same_scope or program.allowance(year, fuel) is not program.allowance(
            year, self.fuel
        ):
            found = verdict_scope.another_ignition(vehicle, self.fuel, fuel)
            self.findings.append(found)

    def _doubts(self, picture: Picture, ignition: Ignition | None) -> bool:
        """Note facts that do not fit; True when the distance since clear cannot be relied on."""
        doubtful = False
        for one in contradictions(self.vehicle, picture, ignition):
            self.notes.append(our_reason(one.text, one.fact))
            doubtful = doubtful or one.kind == "distance"
        return doubtful

    def _count(self, picture: Picture, monitors: dict[Monitor, bool]) -> None:
        left_out: set[Monitor] = set()
        for row in self._exceptions():
            self.notes.append(_exception(row))
            if row.treated == "not_counted" and row.certain:
                left_out.add(Monitor(row.about))
        program = self.program
        allowance = program.allowance(self.vehicle.model_year, self.fuel)
        counted = verdict_counts.count(program, allowance, monitors, frozenset(left_out))
        self.counted = counted
        self._take(verdict_counts.judged(program, allowance, counted))
        self._take(verdict_counts.otherwise(program, allowance, counted))
        lost = dropped(picture)
        if left_out:
            lost -= left_out
        if lost and (counted.spare is None or counted.spare < len(lost)):
            listed = names(tuple(monitor for monitor in Monitor if monitor in lost))
            text = (
                f"Monitors that were reported before are missing ({listed}): if they count and are "
                "not complete, there are too many. Take a fresh reading."
            )
            reason = our_reason(text, f"no longer reported: {listed}")
            self.findings.append(Finding(Outcome.CANNOT_TELL, reason, "reading"))

    def verdict(self) -> Verdict:
        """Weigh the findings, and set those that decide in front."""
        outcome, deciding, missing = Outcome.WOULD_PASS, list[Reason](), _NONE
        if self.findings:
            outcome, first = self._weigh()
            missing = first[0].missing if first else _NONE
            others = [one for one in self.findings if one not in first]
            deciding = [one.reason for one in (*first, *others)]
        counted, vehicle = self.counted, self.vehicle
        hybrid = vehicle.fuel is not None and vehicle.fuel.endswith("hybrid")
        looked = eyes(
            self.program.check_by_eye,
            hybrid,
            self.look,
            self.observed,
            all(one.seen != "lit_while_running" for one in self.program.seen_lamp),
        )
        return Verdict(
            outcome=outcome,
            program_word=_word(self.program, outcome),
            reasons=(*deciding, *self.reasons, *self.notes),
            check_by_eye=looked.left,
            seen_by_eye=looked.answered,
            incomplete=counted.incomplete,
            allowed_incomplete=counted.allowed,
            spare=counted.spare,
            in_scope=self.in_scope,
            exempt=self.exempt,
            retest=bool(self.failed_codes),
            missing=missing,
            allowed_monitors=counted.named,
            observed=self.observed,
        )

    def _weigh(self) -> tuple[Outcome, list[Finding]]:
        """What fails; then what leaves the rest open; then not ready; then what else is open."""
        for outcome, first in _WEIGHED:
            deciding = [
                one for one in self.findings if one.outcome is outcome and one.first >= first
            ]
            if deciding:
                return outcome, deciding
        return Outcome.WOULD_PASS, []


def _word(program: Program, outcome: Outcome) -> str:
    """The program's own word for an outcome; '' where it has none."""
    if outcome is Outcome.WOULD_PASS:
        return program.pass_word.value
    if outcome is Outcome.WOULD_FAIL:
        return program.fail_word.value
    return program.not_ready_word.value if outcome is Outcome.NOT_READY else ""


def _exception(row: VehicleException) -> Reason:
    """A row about vehicles treated otherwise, with whose it is, and whether it surely applies."""
    whose = "The fleet's own row" if row.own else "The program's row"
    about = row.about if row.about == COMMUNICATION else FULL_NAMES[Monitor(row.about)]
    vehicles = " ".join(part for part in (row.make, row.model, row.engine) if part)
    sure = "" if row.certain else " may apply, check model and engine"
    text = f"{whose} on {vehicles}, {about}{sure}: {row.text}"
    return cited_reason(text, f"{vehicles}: {about}, {row.treated.replace('_', ' ')}", row)


def _old_look(observed: ObservedLamp, as_of: datetime) -> Reason:
    days = (as_of - observed.at).days
    text = f"The lamp was last looked at {days} days ago, by {observed.by}: look again."
    return our_reason(text, f"seen {us_day(observed.at.date())}")
