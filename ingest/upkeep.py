"""`python -m ingest backup`, `restore`, `check` and `lanes`: what keeps the evidence safe."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.broker_check import check_broker
from ingest.clock import SystemClock
from ingest.config import BrokerAddress, ConfigError, Site, database_url, load_site, parse_broker
from ingest.exit_codes import DONE, FAULTS, NOT_THERE
from ingest.findings import Finding
from ingest.lane_change import LanesBusy, change_lanes, lanes_in_words
from ingest.lanes import NUMBERS, ONE_LANE, Lane, all_lanes
from ingest.queries import DatabaseTrouble, open_database
from ingest.store import backup as backups
from ingest.store.backup import BackupRefused
from ingest.store.database import read
from ingest.store.durability import check_database
from ingest.store.lane_record import LanesDiffer, lane_record

if TYPE_CHECKING:
    from sqlalchemy import Engine

__all__ = [
    "COMMANDS",
    "BackupRefused",
    "LanesBusy",
    "LanesDiffer",
    "add_commands",
    "fit_to_run",
    "run",
]

COMMANDS = frozenset({"backup", "check", "lanes", "restore"})


def add_commands(
    sub: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the subcommands to a parser."""
    backup = sub.add_parser("backup", parents=[common], help="copy the database while it runs")
    backup.add_argument("file", type=Path, metavar="FILE", help="the backup to write")
    backup.add_argument("--overwrite", action="store_true", help="replace FILE")
    restore = sub.add_parser("restore", parents=[common], help="put a backup in its place")
    restore.add_argument("file", type=Path, metavar="FILE", help="the backup to read")
    restore.add_argument(
        "--overwrite", action="store_true", help="put the database that is there aside"
    )
    check = sub.add_parser("check", parents=[common], help="would anything be lost?")
    check.add_argument("--broker", metavar="mqtt[s]://HOST:PORT", help="look at the broker too")
    lanes = sub.add_parser("lanes", parents=[common], help="in how many shares reports are taken")
    lanes.add_argument(
        "number", nargs="?", type=int, choices=NUMBERS, metavar="N", help=f"one of {NUMBERS}"
    )
    lanes.add_argument("--broker", metavar="mqtt[s]://HOST:PORT", help="needed for a change")


def run(options: argparse.Namespace) -> int:
    """Run one of `COMMANDS` and return its exit code."""
    if options.command == "check":
        return _check(options)
    if options.command == "lanes":
        return _lanes(options)
    url = database_url(options.data, options.database, new=options.command == "restore")
    now = SystemClock().now()
    if options.command == "backup":
        made = backups.backup(url, options.file, now, overwrite=options.overwrite)
        print(f"{options.file}: {made.rows} rows of {len(made.tables)} tables, checked")
        return DONE
    done = backups.restore(url, options.file, now, overwrite=options.overwrite)
    print(f"{done.manifest.rows} rows as of {done.manifest.taken_at} are in place, checked")
    if done.aside:
        print(f"what was there before: {done.aside}")
    print("reports receipted after that moment are no longer on the gateways: gaps become events")
    engine = open_database(url)
    with read(engine) as connection:
        lanes = lane_record(connection).lanes
    engine.dispose()
    print(
        f"lanes: {lanes}, as in the backup; if they were changed since, give their number at once, "
        "or the broker's sessions fill: python -m ingest lanes N --broker ..."
    )
    return DONE


def _check(options: argparse.Namespace) -> int:
    site = load_site(options.data)
    broker = parse_broker(options.broker) if options.broker else None
    found: list[Finding] = []
    lane = ONE_LANE
    try:
        engine = open_database(database_url(options.data, options.database, new=True))
    except DatabaseTrouble as error:
        todo = "start the database, or mend --database"
        found.append(Finding("database", False, str(error), todo, there=False))
    else:
        found += check_database(engine)
        with read(engine) as connection:  # the session of a lane that is no more would fill
            lane = Lane(0, lane_record(connection).lanes)
        engine.dispose()
    if broker is not None:
        found += _broker(broker, site, lane)
    for one in found:
        print(str(one))
    if not all(one.there for one in found):
        return NOT_THERE
    return DONE if all(one.good for one in found) else FAULTS


def _lanes(options: argparse.Namespace) -> int:
    """Say how many lanes there are, or change that."""
    site, clock = load_site(options.data), SystemClock()
    new = options.number is not None  # it may be settled before the first start
    engine = open_database(database_url(options.data, options.database, new=new), new=new)
    try:
        with read(engine) as connection:
            record = lane_record(connection)
        if options.number is None:
            print(record.lanes)
            if record.changing_to is not None:
                print(f"a change to {record.changing_to} is not ended", file=sys.stderr)
            return DONE if record.changing_to is None else FAULTS
        if options.broker is None:
            raise ConfigError("--broker: absent, expected mqtt[s]://HOST:PORT for a change")
        broker = parse_broker(options.broker)
        drained = change_lanes(
            engine, broker, site, clock, options.number,
            tell=lambda words: print(words, file=sys.stderr),
        )  # fmt: skip
    finally:
        engine.dispose()
    print(f"{options.number} lanes; {drained} messages of the old sessions stored. Now start:")
    print(lanes_in_words(all_lanes(options.number)))
    return DONE


def fit_to_run(engine: Engine, broker: BrokerAddress, site: Site, lane: Lane) -> bool:
    """Whether the service may start; every fault, and what to do, is told on stderr at once."""
    found = [*check_database(engine), *_broker(broker, site, lane)]
    faults = [one for one in found if not one.good]
    for one in faults:
        print(one, file=sys.stderr)
    if faults:
        print("error: ingest does not start, for it would lose reports", file=sys.stderr)
    return not faults


def _broker(broker: BrokerAddress, site: Site, lane: Lane) -> list[Finding]:
    return check_broker(broker, site.tls_of(lane), lane.client_name, lane.filters())
