"""Why monitors are not complete, clears, proofs of repairs and trends, as rows: pure, US dates."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dashboard.planning.explain import us_date
from dashboard.present import Row
from dashboard.views.detail_rows import at_words
from gateway.facts import FULL_NAMES
from ingest.domain.explanation import Explanation

NO_CAUSE = "nothing points at one yet"


def monitor_rows(said: Explanation) -> list[Row]:
    """Every counted monitor not complete: its causes with their evidence, and what to do."""
    return [
        {
            "Monitor": FULL_NAMES[one.monitor],
            "Most likely cause": one.causes[0].cause.value if one.causes else NO_CAUSE,
            "Evidence": one.causes[0].evidence if one.causes else "none",
            "Also possible": "; ".join(f"{c.cause.value}: {c.evidence}" for c in one.causes[1:])
            or "nothing else",
            "What to do": one.advice,
            "Not setting": one.stuck or "not for long enough to say",
        }
        for one in said.monitors
    ]


def clear_rows(said: Explanation, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """Every clear, the newest first: what it was or could be, why, and who was there."""
    return [
        {
            "Found": at_words(one.at, zone, as_of),
            "What it was": one.words,
            "Why": " ".join(one.reasons) or "No fact tells the causes apart.",
            "Who": one.who,
        }
        for one in said.clears
    ]


def proof_rows(said: Explanation) -> list[Row]:
    """Every code that stands or was repaired: whether the facts show that the repair held."""
    return [
        {
            "Code": one.code,
            "Repair": one.state.value,
            "Why": " ".join(one.reasons),
            "Still to be seen": one.still or "nothing",
        }
        for one in said.proofs
    ]


def repair_rows(said: Explanation, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """The recorded repairs, the newest first."""
    cleared = {True: "yes", False: "no", None: "not said"}
    return [
        {
            "When": at_words(one.at, zone, as_of),
            "By": one.technician,
            "For": ", ".join(one.codes),
            "Done": one.done,
            "Codes cleared": cleared[one.codes_cleared],
        }
        for one in said.repairs
    ]


def lamp_rows(said: Explanation, as_of: datetime, zone: ZoneInfo) -> list[Row]:
    """Both ways to a dark MIL: when ready, the chance by the due date, what each brings."""
    if said.lamp is None:
        return []

    def day(days: float | None) -> str:
        if days is None:
            return "not within four months"
        local = (as_of + timedelta(days=days)).astimezone(zone).date()
        return us_date(local, as_of.astimezone(zone).date())

    return [
        {
            "Way": one.name,
            "Ready by (50 %)": day(one.days_50),
            "Ready by (90 %)": day(one.days_90),
            "Chance by the due date": one.chance_words,
            "What it brings": " ".join(one.brings),
        }
        for one in said.lamp.options
    ]


def trend_rows(said: Explanation, due: int | None, zone: ZoneInfo, as_of: datetime) -> list[Row]:
    """The tests that head for a limit: margin now, when it is reached, whether before `due`."""
    return [
        {
            "Test": one.name,
            "ECU": one.test[0],
            "Margin now": f"{one.margin:.0%} of the range",
            "Reaches its limit": _about(one.limit_at, zone, as_of),
            "Before the inspection": "■ yes" if one.warns_before(due) else "no",
        }
        for one in said.trends
        if one.limit_at is not None
    ]


def _about(epoch_ms: int, zone: ZoneInfo, as_of: datetime) -> str:
    """An estimate is told by the day."""
    day = datetime.fromtimestamp(epoch_ms / 1000, zone).date()
    return f"about {us_date(day, as_of.astimezone(zone).date())}"
