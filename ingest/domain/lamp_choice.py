"""The choice of `lamp_options` for one vehicle: its chances, its driving, its due day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from gateway.facts import CONTINUOUS, Monitor
from ingest.domain.completion import Beta
from ingest.domain.completion_priors import PRIORS
from ingest.domain.cycles import Cycle
from ingest.domain.driving_habit import habit
from ingest.domain.driving_rate import MIN_DAYS, outlook
from ingest.domain.lamp_options import Advice, AfterClear, Situation, choose
from ingest.domain.picture import Picture
from ingest.domain.programs import Program
from ingest.domain.repairs import Repair
from ingest.domain.stuck import own_chance
from ingest.domain.verification import monitor_of_code

OUTLOOK_DAYS = 120


def lamp_choice(
    picture: Picture,
    cycles: Sequence[Cycle],
    repairs: Sequence[Repair],
    allowed: int | None,
    after: AfterClear,
    due: date | None,
    zone: ZoneInfo,
    as_of: datetime,
    priors: Mapping[Monitor, Beta] = PRIORS,
) -> Advice | None:
    """Both ways for the code that lit the MIL; None without a lit MIL, a due day ahead or enough
    days of driving. The code whose monitor seldom runs decides where there are several.
    """
    codes = sorted(picture.codes("confirmed") or ())
    local = as_of.astimezone(zone)
    if not codes or not picture.mil() or due is None or allowed is None or due < local.date():
        return None
    rate = habit(cycles, local.date(), zone)
    if rate.days < MIN_DAYS:
        return None
    fixed = {code for one in repairs for code in one.codes}
    counted = [one for one in picture.monitors() if one not in CONTINUOUS]
    chances = {one: own_chance(one, picture, priors[one]) for one in counted}
    behind = [monitor_of_code(code, counted) for code in codes]
    seldom = [one for one in behind if one in chances]
    frames = {f.code for ecu in picture.ecus.values() for f in ecu.freeze_frames or ()}
    ahead = outlook(rate, local.date(), local.hour + local.minute / 60, OUTLOOK_DAYS)
    situation = Situation(
        chances=chances,
        all_monitors=counted,
        waiting=picture.incomplete(),
        allowed=allowed,
        code_monitor=None
        if len(seldom) < len(behind)
        else min(seldom, key=lambda one: chances[one].mean),
        repaired=set(codes) <= fixed,
        frame_saved=bool(frames & set(codes)),
        after_clear=after,
    )
    return choose(situation, ahead, rate.shape, float((due - local.date()).days))


def after_clear(program: Program, model_year: int) -> AfterClear:
    """What clearing costs under a program, beside its monitors."""
    words = []
    rule = program.permanent_codes
    counts = rule is not None and model_year >= rule.from_model_year
    if rule is not None and counts:
        waived = (
            f", or {rule.waiver.warm_ups} warm-ups and {rule.waiver.miles} miles after the clear"
            if rule.waiver
            else ""
        )
        words.append(
            f"The program fails a permanent code until its monitor has run and passed{waived} "
            f"({rule.source}; {rule.tag})."
        )
    warm_ups = 0
    for one in program.operation_since_clear:
        words.append(
            f"The program wants {one.at_least} {one.counter.replace('_', '-')} since codes were "
            f"cleared, {one.with_permanent_code} with a permanent code ({one.source}; {one.tag})."
        )
        if one.counter == "warm_ups":
            warm_ups = one.at_least
    return AfterClear(counts, warm_ups, tuple(words))
