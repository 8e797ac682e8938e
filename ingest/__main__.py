"""`python -m ingest`: the service, and what people ask of it from a terminal."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import uuid
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from ingest import arguments, commands, entering, inquiring, logs, printing, queries, rows, upkeep
from ingest.clock import SystemClock
from ingest.collector import settle_collector
from ingest.config import ConfigError, Site, database_url, load_site, parse_broker
from ingest.dictionary_file import load_dictionary
from ingest.domain.dictionary import Dictionary
from ingest.domain.outcome import plural
from ingest.domain.programs import Program, ProgramError
from ingest.driver_lists import DriversRefused
from ingest.exit_codes import DONE, FAULTS, NOT_THERE, REFUSED
from ingest.handlers import rebuild, replay_dead_letters
from ingest.lanes import parse_lane
from ingest.program_files import load_programs
from ingest.queries import DatabaseTrouble, NotOurDatabase
from ingest.service import Service, probe
from ingest.subscriber import BrokerNotThere
from ingest.vehicle_files import read_vehicles, write_vehicles
from ingest.watching import watch

if TYPE_CHECKING:
    from sqlalchemy import Engine

ACTOR = "command line"


class InputRefused(ValueError):
    """What was given cannot be used; every fault is named."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))


_REFUSALS = (
    ConfigError,
    ProgramError,
    NotOurDatabase,
    InputRefused,
    commands.CommandRefused,
    DriversRefused,
    entering.NoSuchVehicle,
    rows.RowsError,
    upkeep.BackupRefused,
    upkeep.LanesBusy,
    upkeep.LanesDiffer,
)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of every subcommand."""
    parser = argparse.ArgumentParser(prog="python -m ingest", description=__doc__)
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--data", type=Path, default=Path(".fleet-data"), metavar="DIR", help="data directory"
    )
    common.add_argument("--database", metavar="URL", help="database; overrides the file in --data")
    asking = argparse.ArgumentParser(add_help=False, parents=[common])
    asking.add_argument(
        "--as-of", type=arguments.utc_moment, metavar="TIME",
        help="what is stored, judged as at this moment (ISO 8601); default now",
    )  # fmt: skip
    asking.add_argument("--json", action="store_true", help="one JSON object on stdout")

    sub = parser.add_subparsers(dest="command", required=True)
    run = sub.add_parser("run", parents=[common], help="the ingest service")
    run.add_argument("--broker", required=True, metavar="mqtt[s]://HOST:PORT")
    run.add_argument(
        "--lane", default="0-of-1", metavar="K-of-N", help="serve this share of the reports"
    )
    vehicles = sub.add_parser("vehicles", parents=[asking], help="the vehicle list")
    way = vehicles.add_mutually_exclusive_group()
    way.add_argument("--load", type=Path, metavar="FILE", help="load or update (CSV or XLSX)")
    way.add_argument("--export", type=Path, metavar="FILE", help="write the list (CSV or XLSX)")
    sub.add_parser("forecast", parents=[asking], help="every vehicle: OBD result, chance, days")
    record = sub.add_parser("record", parents=[asking], help="one vehicle's history")
    record.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    sub.add_parser("alerts", parents=[asking], help="standing alerts")
    letters = sub.add_parser("dead-letters", parents=[asking], help="what could not be read")
    letters.add_argument("--replay", action="store_true", help="try to read them again")
    again = sub.add_parser("rebuild", parents=[common], help="recompute every projection")
    again.add_argument("--check", action="store_true", help="only compare, change nothing")
    entering.add_commands(sub, common)
    inquiring.add_commands(sub, common, asking)
    upkeep.add_commands(sub, common)
    return parser


def main(words: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = build_parser().parse_args(words)
    level = logging.INFO if options.command == "run" else logging.WARNING
    logs.set_up("auto", level)
    try:
        code = _run(options)
        sys.stdout.flush()
        return code
    except BrokenPipeError:  # whoever read our output has seen enough: `... | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (DatabaseTrouble, BrokerNotThere) as error:
        print(f"error: {error}", file=sys.stderr)
        return NOT_THERE
    except _REFUSALS as error:
        print(f"error: {error}", file=sys.stderr)
        return REFUSED


def _run(options: argparse.Namespace) -> int:
    if options.command == "run":
        return _serve(options)
    if options.command in upkeep.COMMANDS:
        return upkeep.run(options)
    site = load_site(options.data)
    engine = _open(options)
    try:
        if options.command == "rebuild":
            return _rebuild(engine, options)
        if options.command in inquiring.COMMANDS:
            return inquiring.run(engine, options, SystemClock().now(), str(uuid.uuid4()))
        if options.command in entering.COMMANDS:
            programs = load_programs(site.programs_dir)
            request_id, now = str(uuid.uuid4()), SystemClock().now()
            print(entering.run(engine, options, set(programs), now, request_id))
            return DONE
        return _answer(engine, options, site)
    finally:
        engine.dispose()


def _open(options: argparse.Namespace) -> Engine:
    new = options.command == "run" or getattr(options, "load", None) is not None
    return queries.open_database(database_url(options.data, options.database, new=new), new=new)


def _serve(options: argparse.Namespace) -> int:
    broker, lane = parse_broker(options.broker), parse_lane(options.lane)
    site = load_site(options.data)
    logs.set_up(site.log_format, logging.INFO)
    load_programs(site.programs_dir)  # a bad file is told now, not at the first verdict
    load_dictionary(site.dictionary)
    probe(broker)
    engine = _open(options)
    try:
        service = Service(engine, broker, SystemClock(), site, lane=lane)
        fit = upkeep.fit_to_run(engine, broker, site, lane)
    except upkeep.LanesDiffer:
        engine.dispose()
        raise
    if not fit:
        engine.dispose()
        return NOT_THERE

    def leave(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    for number in (signal.SIGTERM, signal.SIGINT):  # a shell's background job ignores SIGINT
        signal.signal(number, leave)
    settle_collector()
    service.start()
    service.start_jobs()
    server = watch(service, engine, site.health_port and site.health_port + lane.number)
    print(f"ingest runs: {broker.host}:{broker.port}, lane {lane}", file=sys.stderr)
    with suppress(KeyboardInterrupt):
        service.wait()
    service.stop()
    if server is not None:
        server.close()
    engine.dispose()
    return NOT_THERE if service.gave_up else DONE


def _rebuild(engine: Engine, options: argparse.Namespace) -> int:
    result = rebuild(engine, check=options.check, now=SystemClock().now())
    for difference in result.differences:
        print(difference)
    word = "differences" if options.check else "vehicles mended"
    count = len(result.differences)
    print(f"{result.vehicles} vehicles, {result.reports} reports, {count} {word}")
    return FAULTS if options.check and result.differences else DONE


def _answer(engine: Engine, options: argparse.Namespace, site: Site) -> int:
    as_of = options.as_of or SystemClock().now()
    programs = load_programs(site.programs_dir)
    if options.command == "vehicles":
        return _vehicles(engine, options, programs, as_of)
    if options.command == "forecast":
        answer = printing.forecast(queries.forecast(engine, as_of, programs))
    elif options.command == "alerts":
        answer = printing.alerts(queries.alerts(engine, as_of), queries.depot_lines(engine))
    elif options.command == "dead-letters":
        if options.replay:
            replayed = replay_dead_letters(engine, SystemClock().now())
            print(f"{replayed.tried} tried, {replayed.read_now} read now", file=sys.stderr)
        answer = printing.dead_letters(queries.dead_letters(engine))
    else:
        answer = _record(engine, options.vehicle, as_of, programs, load_dictionary(site.dictionary))
    printing.show(options.command, answer, as_of, as_json=options.json)
    return DONE


def _record(
    engine: Engine,
    text: str,
    as_of: datetime,
    programs: dict[str, Program],
    dictionary: Dictionary,
) -> printing.Answer:
    number, _ = entering.one_vehicle(engine, text)
    record = queries.record(engine, number, as_of, programs)
    if record is None:
        raise InputRefused(f"VEHICLE: {text!r} has left the list")
    return printing.record(record, dictionary)


def _vehicles(
    engine: Engine, options: argparse.Namespace, programs: dict[str, Program], as_of: datetime
) -> int:
    if options.load is not None:
        return _load(engine, options.load, programs)
    found = queries.vehicle_list(engine)
    if options.export is not None:
        try:
            write_vehicles(options.export, found)
        except OSError as error:
            raise InputRefused(f"--export: {options.export}: {error.strerror}") from error
        print(f"{len(found)} vehicles written", file=sys.stderr)
        return DONE
    printing.show("vehicles", printing.vehicles(found), as_of, as_json=options.json)
    return DONE


def _load(engine: Engine, path: Path, programs: dict[str, Program]) -> int:
    read = read_vehicles(path, set(programs))
    for name in read.others:
        print(f"warning: column {name!r} is none of the vehicle list, left out", file=sys.stderr)
    for fault in read.faults:
        print(fault, file=sys.stderr)
    bad = [fault for fault in read.faults if not fault.warning]
    if bad:
        raise InputRefused(f"{path}: {plural(len(bad), 'fault')}, nothing was loaded")
    try:
        result = commands.load_vehicles(
            engine,
            read.vehicles,
            columns=read.columns,
            actor=ACTOR,
            now=SystemClock().now(),
            request_id=str(uuid.uuid4()),
        )
    except commands.CommandRefused as error:
        raise InputRefused(f"{path}: {error}") from error
    print(f"{result.added} added, {result.changed} changed, {result.unchanged} unchanged")
    return DONE


if __name__ == "__main__":
    sys.exit(main())
