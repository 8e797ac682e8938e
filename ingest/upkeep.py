"""`python -m ingest backup`, `restore` and `check`: what keeps the evidence safe."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from gateway import contract
from ingest.broker_check import check_broker
from ingest.clock import SystemClock
from ingest.config import BrokerAddress, Site, database_url, load_site, parse_broker
from ingest.exit_codes import DONE, FAULTS, NOT_THERE
from ingest.findings import Finding
from ingest.queries import DatabaseTrouble, open_database
from ingest.store import backup as backups
from ingest.store.backup import BackupRefused
from ingest.store.durability import check_database
from ingest.subscriber import client_name

if TYPE_CHECKING:
    from sqlalchemy import Engine

__all__ = ["COMMANDS", "BackupRefused", "add_commands", "fit_to_run", "run"]

COMMANDS = frozenset({"backup", "restore", "check"})


def add_commands(
    sub: argparse._SubParsersAction[argparse.ArgumentParser], common: argparse.ArgumentParser
) -> None:
    """Add the three subcommands to a parser."""
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


def run(options: argparse.Namespace) -> int:
    """Run one of `COMMANDS` and return its exit code."""
    if options.command == "check":
        return _check(options)
    url = database_url(options.data, options.database)
    now = SystemClock().now()
    if options.command == "backup":
        made = backups.backup(url, options.file, now, overwrite=options.overwrite)
        print(f"{options.file}: {made.rows} rows of {len(made.tables)} tables, checked")
        return DONE
    if options.database is None:
        options.data.mkdir(parents=True, exist_ok=True)
    done = backups.restore(url, options.file, now, overwrite=options.overwrite)
    print(f"{done.manifest.rows} rows as of {done.manifest.taken_at} are in place, checked")
    if done.aside:
        print(f"what was there before: {done.aside}")
    print("reports receipted after that moment are no longer on the gateways: gaps become events")
    return DONE


def _check(options: argparse.Namespace) -> int:
    site = load_site(options.data)
    broker = parse_broker(options.broker) if options.broker else None
    if options.database is None:
        options.data.mkdir(parents=True, exist_ok=True)
    found: list[Finding] = []
    try:
        engine = open_database(database_url(options.data, options.database))
    except DatabaseTrouble as error:
        todo = "start the database, or mend --database"
        found.append(Finding("database", False, str(error), todo, there=False))
    else:
        found += check_database(engine)
        engine.dispose()
    if broker is not None:
        found += _broker(broker, site)
    for one in found:
        print(str(one))
    if not all(one.there for one in found):
        return NOT_THERE
    return DONE if all(one.good for one in found) else FAULTS


def fit_to_run(engine: Engine, broker: BrokerAddress, site: Site) -> bool:
    """Whether the service may start; every fault, and what to do, is told on stderr at once."""
    found = [*check_database(engine), *_broker(broker, site)]
    faults = [one for one in found if not one.good]
    for one in faults:
        print(one, file=sys.stderr)
    if faults:
        print("error: ingest does not start, for it would lose reports", file=sys.stderr)
    return not faults


def _broker(broker: BrokerAddress, site: Site) -> list[Finding]:
    kinds: tuple[contract.Kind, ...] = ("report", "presence")
    filters = [one for kind in kinds for one in contract.filters(kind)]
    return check_broker(broker, site.broker_tls, client_name(), filters)
