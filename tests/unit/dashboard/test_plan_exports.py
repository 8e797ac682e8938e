"""The week plan as PDF and as iCalendar; all data invented.

RFC 5545 (from memory): section 3.1 lines of at most 75 octets ended by CRLF, 3.3.5 UTC times end
in Z, 3.6.1 each event has one UID and DTSTAMP, 3.7 VERSION 2.0 and PRODID, 3.8.7.4 SEQUENCE.
"""

import base64
import re
import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from icalendar import Calendar

from dashboard.exports import DISCLAIMER, plan_ics, plan_pdf
from dashboard.planning.model import Bay, Depot, Job, Plan, working_week
from dashboard.planning.solve import plan_week

Export = Callable[[Sequence[tuple[Plan, Depot]], datetime], bytes]
MONDAY = date(2026, 11, 23)
NOW = datetime(2026, 11, 23, 14, 5, tzinfo=UTC)
DEPOT = Depot(
    "Harbor",
    "America/New_York",
    (Bay("Bay 1"),),
    working_week(time(7), time(17)),
    frozenset({date(2026, 11, 26)}),
)


def plan_of(reason: str = "MIL (check engine) is on", count: int = 3, hours: float = 6) -> Plan:
    jobs = [
        Job(
            n,
            f"H-{n:03d}",
            "Harbor",
            hours,
            MONDAY + timedelta(days=n),
            reason,
            "Find; fix, <3> & go",
        )
        for n in range(1, count + 1)
    ]
    return plan_week(DEPOT, MONDAY, jobs, (), NOW)


def page_commands(pdf: bytes) -> str:
    """Drawing commands of all pages (reportlab packs them as Flate in ASCII 85)."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL)
    unpacked = [
        zlib.decompress(base64.a85decode(s.strip(), adobe=False))
        for s in (raw.strip().removesuffix(b"~>") for raw in streams)
    ]
    return b"\n".join(unpacked).decode("latin-1")


def shown(pdf: bytes) -> str:
    """The text of all pages as it is drawn, run together."""
    drawn = re.findall(r"\((.*?)(?<!\\)\) Tj", page_commands(pdf))
    return re.sub(r"\\([()\\])", r"\1", "".join(drawn))


def test_the_calendar_reads_back_as_it_was_planned() -> None:
    plan = plan_of()
    events = Calendar.from_ical(plan_ics([(plan, DEPOT)], NOW)).walk("VEVENT")

    assert len(events) == len(plan.placements) == 3
    for event, placement in zip(events, plan.placements, strict=True):
        assert event.decoded("dtstart") == placement.start
        assert event.decoded("dtend") == placement.end
        assert event.decoded("dtstamp") == NOW
        assert event["sequence"] == 0
        assert event["location"] == "Harbor, Bay 1"
        assert str(event["summary"]) == f"{placement.unit}: Find; fix, <3> & go"
        assert str(event["description"]) == f"{placement.reason}\n{DISCLAIMER}"


def test_the_calendar_keeps_to_rfc_5545() -> None:
    data = plan_ics([(plan_of("é" * 200), DEPOT)], NOW)
    lines = data.split(b"\r\n")

    assert lines[0] == b"BEGIN:VCALENDAR"
    assert lines[-2:] == [b"END:VCALENDAR", b""]
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75
    assert lines.count(b"VERSION:2.0") == 1
    assert b"DTSTART:20261123T141500Z" in lines
    assert lines.count(b"DTSTAMP:20261123T140500Z") == 3


def test_a_visit_keeps_its_uid_when_it_moves_and_counts_its_changes() -> None:
    plan = plan_of(count=1)
    (before,) = plan.placements
    day = timedelta(days=1)
    after = replace(
        before,
        start=before.start + day,
        end=before.end + day,
        slots=tuple(s + day for s in before.slots),
        version=1,
        booked=True,
    )
    old, new = (
        Calendar.from_ical(plan_ics([(replace(plan, placements=(p,)), DEPOT)], NOW)).walk("VEVENT")[
            0
        ]
        for p in (before, after)
    )

    assert old["uid"] == new["uid"]
    assert (old["sequence"], new["sequence"]) == (0, 1)
    assert (old["status"], new["status"]) == ("TENTATIVE", "CONFIRMED")


def test_uids_differ_between_vehicles_and_between_weeks() -> None:
    plan = plan_of()
    other = replace(plan, iso_week="2026-W49")
    data = plan_ics([(plan, DEPOT), (other, DEPOT)], NOW)
    uids = [str(event["uid"]) for event in Calendar.from_ical(data).walk("VEVENT")]

    assert len(set(uids)) == len(uids) == 6


def test_the_page_says_what_when_why_and_what_it_is_not() -> None:
    text = shown(plan_pdf([(plan_of(), DEPOT)], NOW))

    for words in (
        "Harbor: week plan 2026-W48",
        "As of Mon Nov 23, 2026, 9:05 AM EST. All times America/New_York.",
        "9:15 AM - 3:15 PM",
        "H-001",
        "Find; fix, <3> & go",
        "Thu Nov 26: closed",
        "Fri Nov 27: no work planned",
        "Shop safety",
        DISCLAIMER,
    ):
        assert words in text


def test_work_without_a_place_is_printed_with_its_reason() -> None:
    text = shown(plan_pdf([(plan_of(count=6), DEPOT)], NOW))

    assert "Without a place this week" in text
    assert "Needs 6 h in one stretch" in text


def test_the_page_is_greyscale_and_us_letter_on_its_side() -> None:
    pdf = plan_pdf([(plan_of(), DEPOT)], NOW)
    inks = re.findall(r"(\S+) (\S+) (\S+) (?:rg|RG)\b", page_commands(pdf))

    assert inks
    assert all(red == green == blue for red, green, blue in inks)
    # US Letter is 8.5 x 11 in, 612 x 792 points of 1/72 in.
    assert re.search(rb"/MediaBox \[ 0 0 792 612 \]", pdf)


def test_the_same_plan_gives_the_same_bytes() -> None:
    plan = plan_of()

    assert plan_pdf([(plan, DEPOT)], NOW) == plan_pdf([(plan, DEPOT)], NOW)
    assert plan_ics([(plan, DEPOT)], NOW) == plan_ics([(plan, DEPOT)], NOW)


@pytest.mark.parametrize(
    "plans",
    [
        pytest.param([], id="no-plan"),
        pytest.param([(replace(plan_of(), placements=()), DEPOT)], id="empty-week"),
        pytest.param([(plan_of("word " * 3000), DEPOT)], id="reason-longer-than-a-page"),
        pytest.param([(plan_of(count=40, hours=0.25), DEPOT)] * 2, id="several-pages"),
    ],
)
def test_any_plan_can_be_printed_and_fed(plans: list[tuple[Plan, Depot]]) -> None:
    assert plan_pdf(plans, NOW).startswith(b"%PDF-")
    assert Calendar.from_ical(plan_ics(plans, NOW)) is not None


@pytest.mark.parametrize("export", [plan_pdf, plan_ics], ids=["pdf", "ics"])
def test_a_plan_of_another_depot_and_a_time_without_zone_are_refused(export: Export) -> None:
    with pytest.raises(ValueError, match="does not belong"):
        export([(plan_of(), replace(DEPOT, name="Hilltop"))], NOW)
    with pytest.raises(ValueError, match="no time zone"):
        export([(plan_of(), DEPOT)], NOW.replace(tzinfo=None))
