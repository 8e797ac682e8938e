"""Why monitors are not complete, what clears were, what repairs are proven: terminal and JSON."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from gateway.facts import FULL_NAMES
from ingest.domain.explanation import Explanation
from ingest.domain.result_trends import Trend
from ingest.domain.stuck_advice import CAUTION
from ingest.domain.us_days import us_day


def _time(at: int | None) -> str | None:
    if at is None:
        return None
    return datetime.fromtimestamp(at / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def why(said: Explanation) -> dict[str, Any]:
    """The explanation as plain data."""
    return {
        "why_not_complete": [
            {
                "monitor": FULL_NAMES[one.monitor],
                "not_setting": one.stuck,
                "causes": [
                    {"cause": c.cause.value, "weight": round(c.weight, 2), "evidence": c.evidence}
                    for c in one.causes
                ],
                "advice": one.advice,
            }
            for one in said.monitors
        ],
        "allowance": said.allowance,
        "evaporative_season": said.season,
        "clears": [
            {
                "at": _time(one.at),
                "not_before": _time(one.not_before),
                "causes": [cause.value for cause in one.causes],
                "reasons": list(one.reasons),
                "evidence": list(one.evidence),
                "who": one.who,
            }
            for one in said.clears
        ],
        "repairs": [
            {
                "at": _time(one.at),
                "by": one.technician,
                "done": one.done,
                "codes": list(one.codes),
                "codes_cleared": one.codes_cleared,
            }
            for one in said.repairs
        ],
        "repair_verification": [
            {
                "code": one.code,
                "state": one.state.value,
                "reasons": list(one.reasons),
                "still_to_run": one.still or None,
            }
            for one in said.proofs
        ],
        "clear_or_wait": None
        if said.lamp is None
        else {
            "options": [
                {
                    "option": one.name,
                    "days_to_ready_50": one.days_50,
                    "days_to_ready_90": one.days_90,
                    "chance_by_due_date": round(one.chance, 3),
                    "brings": list(one.brings),
                }
                for one in said.lamp.options
            ],
            "recommended": said.lamp.recommended,
            "reason": said.lamp.reason,
        },
        "test_result_trends": [
            {
                "test": one.name,
                "ecu": one.test[0],
                "results": one.results,
                "margin": round(one.margin, 3),
                "reaches_limit": _time(one.limit_at),
            }
            for one in said.trends
        ],
    }


def why_lines(said: Explanation, due: date | None) -> list[str]:
    """The same in lines of text; `due` is the day to be tested by."""
    pad = " " * 10
    lines = []
    for one in said.monitors:
        first = one.causes[0] if one.causes else None
        cause = f"{first.cause.value} ({first.evidence})" if first else "no cause found"
        lines.append(f"{pad}{FULL_NAMES[one.monitor]} not complete: {cause}. {one.advice}")
        lines += [f"{pad}{one.stuck}"] if one.stuck else []
    lines += [f"{pad}{said.allowance}"] if said.allowance else []
    lines += [f"{pad}evaporative system: {said.season}"] if said.season else []
    lines += [f"{pad}{CAUTION}"] if said.monitors else []
    for clear in said.clears:
        lines.append(f"{pad}cleared {_time(clear.at)}: {clear.words} {clear.who}")
    for proof in said.proofs:
        text = " ".join((*proof.reasons, proof.still)).strip()
        lines.append(f"{pad}repair of {proof.code}: {proof.state.value}. {text}")
    lines += [f"{pad}clear or wait: {said.lamp.reason}"] if said.lamp else []
    lines += [f"{pad}{words}" for one in said.trends if (words := _trend_words(one, due))]
    return lines


def _trend_words(one: Trend, due: date | None) -> str:
    if one.limit_at is None:
        return ""
    day = datetime.fromtimestamp(one.limit_at / 1000, UTC).date()
    words = f"{one.name} heads for its limit, about {us_day(day)}"
    if due is not None and day <= due:
        return f"{words}, before the inspection is due: have it looked at now."
    return f"{words}."
