"""What a clear was, by the facts around it (modelling choices of this project; X)."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.domain.clear_causes import Cause, explain_clear
from ingest.domain.episodes import Episode
from ingest.domain.repairs import Repair

HOUR = 3_600_000
AT, BEFORE = 1_000 * HOUR, 998 * HOUR


def event(kind: Any, at: int, end: int | None = None, subject: str = "", **details: Any) -> Episode:
    return Episode(
        kind=kind, subject=subject, started_at=at, start_key=("j", 1),
        ended_at=at if end is None else end, details=details,
    )  # fmt: skip


def clear(**details: Any) -> Episode:
    return event("clear", AT, evidence=["7E8 catalyst"], not_before=BEFORE, **details)


REPAIR = Repair(AT - 3 * HOUR, "R. Diaz", "replaced the oxygen sensor", ("P0133",), True)


@pytest.mark.parametrize(
    "details, events, now, causes",
    [
        pytest.param({}, [], {}, list(Cause), id="nothing tells them apart"),
        pytest.param(
            {"gateway_kept_power": True}, [], {}, [Cause.TESTER, Cause.REPROGRAMMED],
            id="the gateway kept its power",
        ),
        pytest.param(
            {"gateway_kept_power": True, "ignition_cycles_before": {"7E8": 50}}, [], {"7E8": 51},
            [Cause.TESTER], id="and the in-use counters went on",
        ),
        pytest.param(
            {"ignition_cycles_before": {"7E8": 50}}, [], {"7E8": 3}, list(Cause),
            id="counters restarted: nothing is ruled out",
        ),
        pytest.param(
            {"gateway_kept_power": False}, [], {}, [Cause.POWER, Cause.TESTER, Cause.REPROGRAMMED],
            id="the gateway restarted",
        ),
        pytest.param(
            {"gateway_kept_power": False}, [event("another_tester", BEFORE - HOUR, BEFORE + 1)], {},
            list(Cause), id="unplugged for a tester",
        ),
        pytest.param(
            {"kept_complete": ["7E9"]}, [], {}, [Cause.TESTER, Cause.REPROGRAMMED],
            id="another ECU kept its monitors",
        ),
        pytest.param(
            {"gateway_kept_power": True},
            [event("software_changed", AT + HOUR, subject="7E8", evidence=["calibration A -> B"])],
            {}, [Cause.REPROGRAMMED], id="other software right after",
        ),
        pytest.param(
            {}, [event("software_changed", AT + 90 * HOUR, not_before=AT + 80 * HOUR)], {},
            list(Cause), id="other software days later is another visit",
        ),
    ],
)  # fmt: skip
def test_causes_left(
    details: dict[str, Any], events: list[Episode], now: dict[str, int], causes: list[Cause]
) -> None:
    found = explain_clear(clear(**details), events, [], now)
    assert list(found.causes) == causes
    assert found.words.startswith("Could be: " if len(causes) > 1 else causes[0].value.capitalize())
    assert found.who.startswith("No repair is recorded")


@pytest.mark.parametrize(
    "moved, known",
    [
        pytest.param(0, True, id="three hours before"),
        pytest.param(-12 * HOUR, False, id="more than twelve hours before the last reading"),
        pytest.param(27 * HOUR, True, id="written down a day after"),
        pytest.param(27 * HOUR + 1, False, id="later than that"),
    ],
)
def test_who_was_in_the_shop(moved: int, known: bool) -> None:
    repair = Repair(REPAIR.at + moved, REPAIR.technician, REPAIR.done, REPAIR.codes, True)
    found = explain_clear(clear(gateway_kept_power=True), [], [repair])
    assert found.recorded is known
    assert ("R. Diaz: replaced the oxygen sensor" in found.who) is known
    assert any("says that codes were cleared" in one for one in found.reasons) is known
