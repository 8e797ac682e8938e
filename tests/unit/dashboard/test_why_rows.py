"""The explanation of a vehicle as rows: nothing is left blank, nothing is called certain."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dashboard.views import why_rows
from gateway.facts import Monitor
from ingest.domain.clear_causes import Cause as ClearCause
from ingest.domain.clear_causes import ClearFinding
from ingest.domain.explanation import Explanation, WhyNot
from ingest.domain.lamp_options import Advice, Option
from ingest.domain.repairs import Repair
from ingest.domain.result_trends import Trend
from ingest.domain.stuck_causes import Cause, Found
from ingest.domain.verification import Proof, State

ZONE = ZoneInfo("America/Chicago")
NOW = datetime(2026, 11, 25, 18, tzinfo=UTC)
AT = int(NOW.timestamp() * 1000)
FUEL = Found(Cause.FUEL, 0.9, "9 of 14")
SAID = Explanation(
    monitors=(
        WhyNot(Monitor.EVAPORATIVE_SYSTEM, (FUEL, Found(Cause.SOAK, 0.2, "x")), "do", None),
        WhyNot(Monitor.CATALYST, (), "wait", "stuck"),
    ),
    clears=(ClearFinding(AT, None, tuple(ClearCause), (), (), "nobody", False),),
    repairs=(Repair(AT, "R. Diaz", "fixed", ("P0420", "P0430")),),
    proofs=(Proof("P0420", State.VERIFIED, ("ran", "passed")),),
    trends=(Trend(("7E8", 0x21, 0x80), 9, 0.2, AT), Trend(("7E8", 0x22, 0x80), 9, 0.5, None)),
    lamp=Advice(
        (Option("clear", 1.0, None, 0.999, ("a",)), Option("wait", 3.0, 9.0, 0.5, ("b",))),
        None,
        "no",
    ),
)


def test_every_cell_says_something() -> None:
    tables = [
        why_rows.monitor_rows(SAID),
        why_rows.clear_rows(SAID, ZONE, NOW),
        why_rows.proof_rows(SAID),
        why_rows.repair_rows(SAID, ZONE, NOW),
        why_rows.trend_rows(SAID, AT, ZONE, NOW),
        why_rows.lamp_rows(SAID, NOW, ZONE),
    ]
    assert [len(rows) for rows in tables] == [2, 1, 1, 1, 1, 2]
    assert all(cell for rows in tables for row in rows for cell in row.values())


def test_what_the_rows_say() -> None:
    first, second = why_rows.monitor_rows(SAID)
    assert first["Most likely cause"] == "fuel level outside the window at starts"
    assert first["Also possible"] == "no cold soak: x"
    assert second["Most likely cause"] == why_rows.NO_CAUSE
    assert why_rows.clear_rows(SAID, ZONE, NOW)[0]["What it was"].startswith("Could be: ")
    (trend,) = why_rows.trend_rows(SAID, AT, ZONE, NOW)
    assert trend["Before the inspection"] == "■ yes"
    clear, wait = why_rows.lamp_rows(SAID, NOW, ZONE)
    assert (clear["Chance by the due date"], wait["Chance by the due date"]) == ("over 99%", "50%")
    assert clear["Ready by (90 %)"] == "not within four months"
    assert why_rows.lamp_rows(Explanation(), NOW, ZONE) == []
