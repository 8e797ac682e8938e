"""What people enter of one vehicle: inspection, walk-around, out-of-area, repair, drivers."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Set
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from gateway.facts import Monitor
from ingest import commands, queries, shop_lists
from ingest.arguments import day, entry_number, moment
from ingest.domain.inspections import EntryKind, Inspection, Result
from ingest.domain.observed_lamp import ObservedLamp
from ingest.domain.out_of_area import OutOfArea, Status
from ingest.domain.outcome import plural
from ingest.domain.repairs import Repair
from ingest.domain.vehicles import Vehicle
from ingest.driver_lists import load_drivers

if TYPE_CHECKING:
    from sqlalchemy import Engine

COMMANDS = frozenset(
    {"drivers", "inspection", "out-of-area", "repair", "walk-around", *shop_lists.LISTS}
)
_KINDS: Mapping[str, EntryKind] = {
    "inspection": "result",
    "walk-around": "walk-around",
    "out-of-area": "out of area",
}
_YES_NO = {"yes": True, "no": False}


class NoSuchVehicle(ValueError):
    """No vehicle of the list, or several, answer to what was asked for."""


def one_vehicle(engine: Engine, text: str) -> tuple[int, Vehicle]:
    """The one vehicle of a unit number, plate or VIN, or raise `NoSuchVehicle`."""
    found = queries.find_vehicle(engine, text)
    if len(found) > 1:
        several = ", ".join(f"unit {one.unit} (VIN {one.vin})" for one in found)
        raise NoSuchVehicle(f"VEHICLE: {text!r} is several vehicles: {several}")
    if not found or found[0].id is None:
        raise NoSuchVehicle(f"VEHICLE: {text!r}, expected a unit number, plate or VIN of the list")
    return found[0].id, found[0]


def add_commands(
    sub: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the subcommands to a parser."""
    result = sub.add_parser(
        "inspection", parents=[common], help="enter what an official inspection gave"
    )
    result.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    way = result.add_mutually_exclusive_group(required=True)
    way.add_argument("--result", choices=[one.value for one in Result])
    result.add_argument("--on", type=day, metavar="DATE", help="day of the test; default today")
    result.add_argument("--program", help="default: the vehicle's program")
    result.add_argument("--codes", nargs="+", default=[], metavar="CODE", help="it failed for")
    result.add_argument(
        "--monitors", nargs="+", default=[], choices=[one.value for one in Monitor],
        metavar="MONITOR", help="it was rejected for",
    )  # fmt: skip
    result.add_argument("--certificate", metavar="NUMBER")
    result.add_argument("--valid-until", type=day, metavar="DATE", help="of the certificate")
    result.add_argument("--retest-by", type=day, metavar="DATE", help="as the station wrote it")
    result.add_argument("--note", default="")
    _add_withdraw(result, way)
    look = sub.add_parser(
        "walk-around", parents=[common], help="enter what a person saw of the lamp"
    )
    look.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    look.add_argument("--lit-at-key-on", choices=_YES_NO, help="key on, engine off")
    look.add_argument("--lit-while-running", choices=_YES_NO, help="engine running")
    look.add_argument("--connector-works", choices=_YES_NO, help="there, untampered, not loose")
    look.add_argument("--at", type=moment, metavar="TIME", help="default now")
    _add_withdraw(look, look)
    away = sub.add_parser(
        "out-of-area", parents=[common], help="enter what is done while it is out of the area"
    )
    away.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    way = away.add_mutually_exclusive_group(required=True)
    way.add_argument("--status", choices=[one.name.lower() for one in Status])
    away.add_argument("--place", default="", help="where it is")
    away.add_argument("--since", type=day, metavar="DATE", help="default today")
    away.add_argument("--until", type=day, metavar="DATE", help="last day away, if known")
    away.add_argument("--program", help="default: the vehicle's program")
    away.add_argument("--proof", metavar="REFERENCE", help="of the paper on file")
    away.add_argument("--proof-day", type=day, metavar="DATE", help="of the paper on file")
    away.add_argument("--note", default="")
    _add_withdraw(away, way)
    fixed = sub.add_parser("repair", parents=[common], help="enter what was repaired")
    fixed.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    fixed.add_argument("--codes", nargs="+", required=True, metavar="CODE", help="it was for")
    fixed.add_argument("--done", required=True, metavar="TEXT", help="what was done")
    fixed.add_argument("--at", type=moment, metavar="TIME", help="default now")
    fixed.add_argument("--cleared", choices=_YES_NO, help="whether codes were cleared")
    drivers = sub.add_parser(
        "drivers", parents=[common], help="load who drives what by day (CSV or XLSX)"
    )
    drivers.add_argument("--load", type=Path, required=True, metavar="FILE", help="all or nothing")
    for name, what in (("depots", "bays and hours"), ("technicians", "their depot and skills")):
        listed = sub.add_parser(name, parents=[common], help=f"the {name}: {what}")
        way = listed.add_mutually_exclusive_group(required=True)
        way.add_argument("--load", type=Path, metavar="FILE", help="CSV or XLSX, all or nothing")
        way.add_argument("--export", type=Path, metavar="FILE", help="write it (CSV or XLSX)")
        listed.add_argument("--by", default="command line", metavar="NAME", help="who loads it")
    for parser, who in (
        (result, "who enters it"),
        (look, "who looked"),
        (away, "who enters it"),
        (fixed, "who repaired it"),
        (drivers, "who loads it"),
    ):
        parser.add_argument("--by", required=True, metavar="NAME", help=who)


def _add_withdraw(parser: argparse.ArgumentParser, way: argparse._ActionsContainer) -> None:
    way.add_argument(
        "--withdraw",
        type=entry_number,
        metavar="NUMBER",
        help="a wrong entry that counts no more",
    )
    parser.add_argument("--why", default="", help="why the entry is withdrawn")


def run(
    engine: Engine,
    options: argparse.Namespace,
    programs: Set[str],
    now: datetime,
    request_id: str,
) -> str:
    """Do one of `COMMANDS`; return what was done as a sentence."""
    if options.command == "drivers":
        count = load_drivers(engine, options.load, actor=options.by, now=now, request_id=request_id)
        return f"{count} {'entry' if count == 1 else 'entries'} loaded"
    if options.command in shop_lists.LISTS:
        return _shop(engine, options, now, request_id)
    number, one = one_vehicle(engine, options.vehicle)
    kind = _KINDS.get(options.command)
    if kind is not None and options.withdraw is not None:
        commands.withdraw_entry(
            engine, number, kind, options.withdraw, options.why,
            actor=options.by, now=now, request_id=request_id,
        )  # fmt: skip
        return f"unit {one.unit}: {kind} {options.withdraw} counts no more"
    if options.command == "walk-around":
        look = _look(options, ZoneInfo(one.depot_tz), now)
        entry_no = commands.record_walk_around(engine, number, look, now=now, request_id=request_id)
        return f"unit {one.unit}: walk-around {entry_no} entered"
    if options.command == "out-of-area":
        entry_no = commands.record_out_of_area(
            engine, number, _away(options, one, now), programs,
            actor=options.by, now=now, request_id=request_id,
        )  # fmt: skip
        return f"unit {one.unit}: out of area {entry_no} entered"
    if options.command == "repair":
        entry_no = commands.record_repair(
            engine, number, _repair(options, ZoneInfo(one.depot_tz), now),
            actor=options.by, now=now, request_id=request_id,
        )  # fmt: skip
        return f"unit {one.unit}: repair {entry_no} entered"
    entry = Inspection(
        program=options.program or one.program,
        day=options.on or now.astimezone(ZoneInfo(one.depot_tz)).date(),
        result=Result(options.result),
        codes=tuple(code.upper() for code in options.codes),
        monitors=tuple(Monitor(name) for name in options.monitors),
        certificate=options.certificate,
        valid_until=options.valid_until,
        retest_by=options.retest_by,
        note=options.note,
    )
    stored = commands.record_inspection(
        engine, number, entry, programs, actor=options.by, now=now, request_id=request_id
    )
    return f"unit {one.unit}: result {stored} entered, {entry.result.value} on {entry.day}"


def _shop(engine: Engine, options: argparse.Namespace, now: datetime, request_id: str) -> str:
    if options.export is not None:
        try:
            count = shop_lists.write_list(engine, options.command, options.export)
        except OSError as error:
            raise commands.CommandRefused(f"{options.export}: {error.strerror}") from error
        return f"{_counted(count, options.command)} written"
    count = shop_lists.load_list(
        engine, options.command, options.load, actor=options.by, now=now, request_id=request_id
    )
    return f"{_counted(count, options.command)} loaded"


def _counted(count: int, names: str) -> str:
    return plural(count, names.removesuffix("s"))


def _repair(options: argparse.Namespace, zone: ZoneInfo, now: datetime) -> Repair:
    """The repair as entered; a time without a zone is the depot's."""
    at: datetime = options.at or now
    moment = at if at.tzinfo else at.replace(tzinfo=zone)
    return Repair(
        at=int(moment.timestamp() * 1000),
        technician=options.by,
        done=options.done,
        codes=tuple(code.upper() for code in options.codes),
        codes_cleared=_YES_NO.get(options.cleared),
    )


def _look(options: argparse.Namespace, zone: ZoneInfo, now: datetime) -> ObservedLamp:
    """The look as entered; a time without a zone is the depot's."""
    at: datetime = options.at or now
    return ObservedLamp(
        at=at if at.tzinfo else at.replace(tzinfo=zone),
        lit_at_key_on=_YES_NO.get(options.lit_at_key_on),
        lit_while_running=_YES_NO.get(options.lit_while_running),
        by=options.by,
        connector_works=_YES_NO.get(options.connector_works),
    )


def _away(options: argparse.Namespace, one: Vehicle, now: datetime) -> OutOfArea:
    return OutOfArea(
        program=options.program or one.program,
        status=Status[options.status.upper()],
        since=options.since or now.astimezone(ZoneInfo(one.depot_tz)).date(),
        place=options.place,
        until=options.until,
        proof=options.proof,
        proof_day=options.proof_day,
        note=options.note,
    )
