"""Week plans on paper (PDF, greyscale, US Letter) and for calendars (iCalendar, RFC 5545).

Both are functions of their arguments: the moment of export is passed in, so the same plan gives
the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from typing import Any
from uuid import UUID, uuid5
from xml.sax.saxutils import escape

from icalendar import Calendar, Event
from reportlab.lib import colors
from reportlab.lib.pagesizes import landscape, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.platypus import PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table

from dashboard.planning.explain import us_date, us_time, us_time_range
from dashboard.planning.model import Depot, Placement, Plan, monday_of, require_aware

DISCLAIMER = (
    "Advisory forecast from on-board data. Not an official emissions inspection. "
    "The inspection station decides."
)
# OSHA 29 CFR 1910.1000 Table Z-1 (carbon monoxide) and 1910.147 (lockout), both from memory.
SHOP_SAFETY = (
    "Shop safety: vent the exhaust before running an engine indoors, chock and support the "
    "vehicle before going under it, mind hot exhaust parts, lock out hybrid high voltage. "
    "Clear codes only after a recorded repair."
)
PRODUCT_ID = "-//fleet emissions readiness//week plan//EN"
# Fixed for ever: another value would give every appointment a second copy in every calendar.
_UID_SPACE = UUID("5f0c1f64-6f0e-4c38-9a2d-0d4a8f6a7b11")

_MARGIN = 0.5 * inch
_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=9, leading=11)
_BOLD = ParagraphStyle("bold", parent=_BODY, fontName="Helvetica-Bold")
_DAY = ParagraphStyle("day", parent=_BOLD, fontSize=11, leading=14, spaceBefore=6, spaceAfter=3)
_DEPOT = ParagraphStyle("depot", parent=_BOLD, fontSize=15, leading=19)
_GRID = [
    ("GRID", (0, 0), (-1, -1), 0.5, colors.grey),
    ("BACKGROUND", (0, 0), (-1, 0), colors.lightgrey),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]
_PLAN_COLUMNS = ("Bay", "Time", "Unit", "Work", "Reason")
_PLAN_WIDTHS = (0.9 * inch, 1.45 * inch, 0.85 * inch, 2.5 * inch, 4.3 * inch)
_UNPLACED_COLUMNS = ("Unit", "Deadline", "Work", "Why there is no place")
_UNPLACED_WIDTHS = (0.9 * inch, 1.3 * inch, 2.6 * inch, 5.2 * inch)


def plan_pdf(plans: Sequence[tuple[Plan, Depot]], as_of: datetime) -> bytes:
    """The plans as one PDF, each depot on its own pages, a table for each day.

    Times are the depot's own. `as_of` is the aware moment printed in the header, in each depot's
    zone. Raises ValueError when a plan and its depot do not belong together.
    """
    moment = require_aware(as_of, "as_of")
    story: list[Any] = []
    for plan, depot in plans:
        _require_match(plan, depot)
        if story:
            story.append(PageBreak())
        story += _depot_story(plan, depot, moment)
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=landscape(letter),
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=0.8 * inch,
        title="Week plan",
        # Leaves out the clock time and random id that reportlab would write by itself.
        invariant=1,
    )
    footer = _footer()
    document.build(story or [Paragraph("No plan.", _BODY)], onFirstPage=footer, onLaterPages=footer)
    return buffer.getvalue()


def plan_ics(plans: Sequence[tuple[Plan, Depot]], dtstamp: datetime) -> bytes:
    """The placements as one iCalendar object (RFC 5545), times in UTC.

    The UID belongs to a vehicle's visit in a week and stays when the visit moves within it;
    SEQUENCE is the appointment's version. `dtstamp` is the aware moment of export. Raises
    ValueError when a plan and its depot do not belong together.
    """
    stamp = require_aware(dtstamp, "dtstamp").replace(microsecond=0)
    calendar = Calendar()
    calendar.add("prodid", PRODUCT_ID)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for plan, depot in plans:
        _require_match(plan, depot)
        for placement in plan.placements:
            calendar.add_component(_event(placement, plan.iso_week, stamp))
    data: bytes = calendar.to_ical()
    return data


def visit_uid(vehicle_id: int, iso_week: str) -> str:
    """The calendar UID of one vehicle's visit in one ISO week: a UUID, as RFC 7986 advises."""
    return str(uuid5(_UID_SPACE, f"{vehicle_id}/{iso_week}"))


def _require_match(plan: Plan, depot: Depot) -> None:
    if plan.depot != depot.name:
        raise ValueError(f"plan of {plan.depot} does not belong to depot {depot.name}")


def _event(placement: Placement, iso_week: str, stamp: datetime) -> Event:
    event = Event()
    event.add("uid", visit_uid(placement.vehicle_id, iso_week))
    event.add("dtstamp", stamp)
    event.add("dtstart", placement.start.astimezone(UTC))
    event.add("dtend", placement.end.astimezone(UTC))
    event.add("sequence", placement.version)
    event.add("status", "CONFIRMED" if placement.booked else "TENTATIVE")
    event.add("summary", f"{placement.unit}: {placement.work or 'shop visit'}")
    event.add("location", f"{placement.depot}, {placement.bay}")
    event.add("description", f"{placement.reason}\n{DISCLAIMER}")
    return event


def _depot_story(plan: Plan, depot: Depot, as_of: datetime) -> list[Any]:
    monday = monday_of(plan.iso_week)
    sunday = monday + timedelta(days=6)
    local = as_of.astimezone(depot.zone)
    span = f"{us_date(monday)} to {us_date(sunday)}, {sunday.year}"
    stamp = f"{us_date(local.date())}, {local.year}, {us_time(local)} {local.tzname()}"
    story: list[Any] = [
        Paragraph(escape(f"{depot.name}: week plan {plan.iso_week}"), _DEPOT),
        Paragraph(escape(f"{span}. As of {stamp}. All times {depot.tz}."), _BODY),
        Spacer(1, 4),
    ]
    for offset in range(7):
        story += _day_story(plan, depot, monday + timedelta(days=offset))
    return story + _unplaced_story(plan, monday)


def _day_story(plan: Plan, depot: Depot, day: date) -> list[Any]:
    rows = [p for p in plan.placements if p.start.astimezone(depot.zone).date() == day]
    if not rows:
        # Weekdays on which the shop never opens would only fill the page.
        if not depot.hours[day.weekday()]:
            return []
        what = "closed" if day in depot.closed else "no work planned"
        return [Paragraph(f"{us_date(day)}: {what}", _DAY)]
    cells = [
        (
            p.bay,
            us_time_range(p.start.astimezone(depot.zone), p.end.astimezone(depot.zone)),
            p.unit,
            p.work + (" (locked)" if p.locked else ""),
            p.reason,
        )
        for p in rows
    ]
    heading = Paragraph(us_date(day), _DAY)
    heading.keepWithNext = 1
    return [heading, _table(_PLAN_COLUMNS, cells, _PLAN_WIDTHS)]


def _unplaced_story(plan: Plan, monday: date) -> list[Any]:
    if not plan.unplaced:
        return []
    cells = [
        (job.unit, us_date(job.deadline, monday), job.next_step, why) for job, why in plan.unplaced
    ]
    heading = Paragraph("Without a place this week", _DAY)
    heading.keepWithNext = 1
    return [heading, _table(_UNPLACED_COLUMNS, cells, _UNPLACED_WIDTHS)]


def _table(columns: Sequence[str], cells: Sequence[Sequence[str]], widths: Sequence[float]) -> Any:
    head = [Paragraph(escape(name), _BOLD) for name in columns]
    body = [[Paragraph(escape(text), _BODY) for text in row] for row in cells]
    # A row taller than a page may break inside, else reportlab refuses the document.
    return Table([head, *body], colWidths=widths, repeatRows=1, style=_GRID, splitInRow=1)


def _footer() -> Callable[[Any, Any], None]:
    lines = [Paragraph(escape(SHOP_SAFETY), _BODY), Paragraph(escape(DISCLAIMER), _BOLD)]

    def draw(canvas: Any, document: Any) -> None:
        width = document.pagesize[0] - 2 * _MARGIN
        top = 0.72 * inch
        for line in lines:
            _, height = line.wrap(width, inch)
            top -= height
            line.drawOn(canvas, _MARGIN, top)
        canvas.setFont("Helvetica", 9)
        canvas.drawRightString(_MARGIN + width, 0.22 * inch, f"Page {document.page}")

    return draw
