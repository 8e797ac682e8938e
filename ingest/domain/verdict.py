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
from ingest.domain import verdict_codes, verdict_counts, verdict_scope
from ingest.domain.contradictions import contradictions, dropped, ignition_told
from ingest.domain.observed_lamp import LampFinding, ObservedLamp, compare
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
from ingest.domain.vehicles import Vehicle

__all__ = ["OUTCOME_TEXT", "Outcome", "Reason", "Verdict", "judge"]

HYBRID_EYE = (
    "Hybrid: the engine may stand still in the ready state, so look at the lamp again once it runs "
    "(from memory)."
)
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
) -> Verdict:
    """Judge one vehicle at `as_of` (aware).

    `stale_after_days` overrides the program's, also for `observed`, the latest look at the lamp;
    `failed_codes` are those of a failed inspection for which this one would be the retest.
    """
    case = _Case(program, vehicle, failed_codes)
    days = program.stale_after_days.value if stale_after_days is None else stale_after_days
    if observed is not None and (as_of - observed.at).total_seconds() > days * 86_400:
        case.notes.append(_old_look(observed, as_of))
        observed = None
    year = as_of.astimezone(ZoneInfo(vehicle.depot_tz)).year
    return case.verdict() if case.scope(year) else case.judge(picture, as_of, days, observed)


class _Case:
    """One vehicle before one program: findings and other reasons are gathered, then weighed."""

    __slots__ = (
        "counted", "exempt", "eye", "failed_codes", "findings", "fuel", "group", "in_scope",
        "notes", "observed", "program", "reasons", "vehicle",
    )  # fmt: skip

    def __init__(self, program: Program, vehicle: Vehicle, failed_codes: Sequence[str]) -> None:
        self.program, self.vehicle, self.failed_codes = program, vehicle, failed_codes
        self.fuel = fuel_of(vehicle)
        self.group: Scope | None = None
        self.findings: list[Finding] = []
        self.reasons: list[Reason] = []
        self.notes: list[Reason] = []
        self.counted = verdict_counts.Counted((), None, None)
        self.observed: tuple[LampFinding, ...] = ()
        self.in_scope, self.exempt = True, False
        eye = tuple(row.value for row in program.check_by_eye)
        hybrid = vehicle.fuel is not None and vehicle.fuel.endswith("hybrid")
        self.eye = (*eye, HYBRID_EYE) if hybrid else eye

    def scope(self, year: int) -> bool:
        """Whether it ends here: the program does not cover the vehicle, or asks no test of it."""
        program, vehicle = self.program, self.vehicle
        found = covered(program.scope, vehicle, self.fuel)
        out = verdict_scope.outside(found, vehicle, self.fuel)
        row = None if out is not None else program.exemption(vehicle, self.fuel, year)
        if row is not None:
            self.exempt = True
            exempt = verdict_scope.exempt(row, vehicle, year)
            if row.of == "program":
                out = exempt
            else:
                self.notes.append(exempt)
        if out is not None:
            self._out(out)
            return True
        self.group = found.scope
        return self._other_test()

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
            return self.verdict()
        if self.group is not None and self.vehicle.gvwr_lb is None and self.group.weighs:
            self.notes.append(verdict_scope.weight_not_known(self.group))
        self._ignition(picture)
        doubtful = self._doubts(picture)
        self._take(verdict_codes.lamp(self.program, picture))
        if not picture.mil():
            text = f"The {LAMP_NAME} is not commanded on."
            self.reasons.append(cited_reason(text, "commanded off", self.program.lamp))
        since = verdict_codes.since_clear(picture, doubtful)
        year = self.vehicle.model_year
        self._take(verdict_codes.permanent(self.program, year, picture, since))
        self._take(verdict_codes.operation(self.program, picture, since))
        self._count(picture, monitors)
        for one in verdict_counts.retests(self.program, monitors, self.failed_codes):
            self._take(one)
        told = verdict_codes.stored(self.program, picture)
        if isinstance(told, Reason):
            self.notes.insert(0, told)
        else:
            self._take(told)
        return self.verdict()

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
        self.observed = compare(observed, commanded, read_at)
        for one in verdict_codes.seen(self.program, observed, self.observed):
            if isinstance(one, Finding):
                self.findings.append(one)
            else:
                self.notes.append(one)

    def _ignition(self, picture: Picture) -> None:
        """Another ignition than listed decides only where the program's rules differ by it."""
        told = ignition_told(picture)
        vehicle, program = self.vehicle, self.program
        if told is None or told is vehicle.ignition:
            return
        fuel = Fuel.GASOLINE if told is Ignition.SPARK else Fuel.DIESEL
        scope = covered(program.scope, vehicle, fuel).scope
        year = vehicle.model_year
        same_scope = scope is covered(program.scope, vehicle, self.fuel).scope
        if not same_scope or program.allowance(year, fuel) is not program.allowance(
            year, self.fuel
        ):
            found = verdict_scope.another_ignition(vehicle, self.fuel, fuel)
            self.findings.append(found)

    def _doubts(self, picture: Picture) -> bool:
        """Note facts that do not fit; True when the distance since clear cannot be relied on."""
        doubtful = False
        for one in contradictions(self.vehicle, picture):
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
        lost = dropped(picture) - left_out
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
        outcome, deciding = self._weigh()
        first = [one.reason for one in deciding]
        others = [one.reason for one in self.findings if one not in deciding]
        missing: Missing = deciding[0].missing if deciding else ""
        words = {
            Outcome.WOULD_PASS: self.program.pass_word.value,
            Outcome.WOULD_FAIL: self.program.fail_word.value,
            Outcome.NOT_READY: self.program.not_ready_word.value,
        }
        counted = self.counted
        return Verdict(
            outcome=outcome,
            program_word=words.get(outcome, ""),
            reasons=(*first, *others, *self.reasons, *self.notes),
            check_by_eye=self.eye,
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
        found = self.findings
        if found:
            for outcome, first in _WEIGHED:
                deciding = [one for one in found if one.outcome is outcome and one.first >= first]
                if deciding:
                    return outcome, deciding
        return Outcome.WOULD_PASS, []


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
    return our_reason(text, f"seen {observed.at:%Y-%m-%d}")
