"""`python -m dashboard`: the board, and the week plan without it."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import Any

from dashboard import exports, present, reads
from dashboard.planning.explain import us_date
from dashboard.planning.model import Depot, Plan, monday_of
from ingest import queries
from ingest.domain.days import parse_utc_moment
from ingest.domain.programs import ProgramError
from ingest.queries import ConfigError, DatabaseTrouble, NotOurDatabase

DONE, _FAULTS, _USAGE, REFUSED, NOT_THERE = range(5)
HOST = "127.0.0.1"
"""The board has no login, so it answers this machine only."""
DEFAULT_PORT = 8501
FIXED_OPTIONS = {
    "server.address": HOST,
    "server.headless": "true",
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "minimal",
    # What went wrong is told in the log; a browser gets neither a traceback nor links elsewhere.
    "client.showErrorDetails": "type",
    "client.showErrorLinks": "false",
    # Neutral inks: readiness is said in words, never in a light's color.
    "theme.base": "light",
    "theme.primaryColor": "#33475b",
    "theme.textColor": "#1c2733",
    "theme.backgroundColor": "#ffffff",
    "theme.secondaryBackgroundColor": "#f1f3f5",
}


class InputRefused(ValueError):
    """What was given cannot be used; the message says what is expected."""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the board and of its subcommand."""
    parser = argparse.ArgumentParser(
        prog="python -m dashboard",
        description="The board, and the week plan without it.",
        epilog="Options after -- go to Streamlit; the address stays 127.0.0.1.",
    )
    _store_options(parser, defaults=True)
    parser.add_argument(
        "--port", type=_port, default=DEFAULT_PORT, metavar="N", help="port; 0 takes a free one"
    )
    sub = parser.add_subparsers(dest="command")
    plan = sub.add_parser("plan", help="print the week plan")
    _store_options(plan, defaults=False)
    plan.add_argument("--week", type=_week, metavar="YYYY-Www", help="ISO week; default this one")
    plan.add_argument("--depot", metavar="D", help="one depot; default all")
    plan.add_argument("--pdf", type=Path, metavar="F", help="also write a PDF")
    plan.add_argument("--ics", type=Path, metavar="F", help="also write a calendar file")
    plan.add_argument(
        "--as-of", type=_moment, metavar="TIME", help="judged as at (ISO 8601); default now"
    )
    plan.add_argument("--json", action="store_true", help="one JSON object on stdout")
    return parser


def _store_options(parser: argparse.ArgumentParser, *, defaults: bool) -> None:
    """Both parsers take these; the inner one must not undo what stood before the subcommand."""
    data: Any = Path(".fleet-data") if defaults else argparse.SUPPRESS
    none: Any = None if defaults else argparse.SUPPRESS
    parser.add_argument("--data", type=Path, default=data, metavar="DIR", help="data directory")
    parser.add_argument(
        "--database", default=none, metavar="URL", help="database; overrides the file in --data"
    )


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r}, expected 0 to 65535")
    return int(text)


def _week(text: str) -> date:
    try:
        return monday_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _moment(text: str) -> datetime:
    try:
        return parse_utc_moment(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the board until it is stopped, or print a plan; return the exit code."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    cut = given.index("--") if "--" in given else len(given)
    parser = build_parser()
    options = parser.parse_args(given[:cut])
    extra = given[cut + 1 :]
    try:
        if options.command == "plan":
            return _plan(options)
        for option in extra:
            if option.split("=")[0].lower() in {"--server.address", "--server.port"}:
                parser.error(f"{option}: the address is {HOST}, the port is set by --port")
        return _board(options, extra)
    except DatabaseTrouble as error:
        print(f"error: {error}", file=sys.stderr)
        return NOT_THERE
    except (ConfigError, NotOurDatabase, ProgramError, InputRefused) as error:
        print(f"error: {error}", file=sys.stderr)
        return REFUSED


def _board(options: argparse.Namespace, extra: Sequence[str]) -> int:
    """Start Streamlit as a child, and end it when this process is told to end."""
    url = queries.database_url(options.data, options.database, new=True)
    queries.open_database(url).dispose()  # a wrong database is refused here, not in a browser
    site = queries.load_site(options.data)
    folder, dictionary = site.programs_dir, site.dictionary
    queries.load_programs(folder)
    queries.load_dictionary(dictionary)
    environment = os.environ | {reads.DATABASE_VARIABLE: url}
    if folder is not None:
        environment[reads.PROGRAMS_VARIABLE] = str(folder.absolute())
    if dictionary is not None:
        environment[reads.DICTIONARY_VARIABLE] = str(dictionary.absolute())
    port = options.port or _free_port()
    command = [sys.executable, "-m", "streamlit", "run", str(Path(__file__).with_name("app.py"))]
    command += extra
    fixed = FIXED_OPTIONS | {"server.port": str(port)}
    command += [f"--{name}={value}" for name, value in fixed.items()]
    signal.signal(signal.SIGTERM, _leave)
    child = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
    print(f"board: http://{HOST}:{port}", flush=True)
    try:
        return DONE if child.wait() == 0 else NOT_THERE
    except KeyboardInterrupt:
        return DONE
    finally:
        _end(child)


def _leave(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _end(child: subprocess.Popen[bytes]) -> None:
    child.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.wait(10)
    if child.poll() is None:
        child.kill()
        child.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _plan(options: argparse.Namespace) -> int:
    as_of = options.as_of or datetime.now(UTC)
    programs = queries.load_programs(queries.load_site(options.data).programs_dir)
    engine = queries.open_database(queries.database_url(options.data, options.database), new=False)
    try:
        weeks = [
            reads.read_week(engine, one, _monday(options, one, as_of), as_of, programs)
            for one in _depots(queries.depots(engine), options.depot)
        ]
    finally:
        engine.dispose()
    plans = [(week.plan, week.depot) for week in weeks]
    if options.pdf is not None:
        _write(options.pdf, "--pdf", exports.plan_pdf(plans, as_of))
    if options.ics is not None:
        _write(options.ics, "--ics", exports.plan_ics(plans, as_of))
    if options.json:
        print(json.dumps(_as_json(plans, as_of), indent=1))
    else:
        _print(plans, as_of)
    return DONE


def _depots(
    known: tuple[queries.DepotSettings, ...], asked: str | None
) -> list[queries.DepotSettings]:
    found = [one for one in known if asked is None or one.name.lower() == asked.lower()]
    if asked is not None and not found:
        names = ", ".join(one.name for one in known) or "a vehicle list with depots"
        raise InputRefused(f"--depot: {asked!r}, expected {names}")
    return found


def _monday(options: argparse.Namespace, settings: queries.DepotSettings, as_of: datetime) -> date:
    if options.week is not None:
        asked: date = options.week
        return asked
    today = as_of.astimezone(reads.planning_depot(settings).zone).date()
    return today - timedelta(days=today.weekday())


def _write(path: Path, option: str, body: bytes) -> None:
    try:
        path.write_bytes(body)
    except OSError as error:
        raise InputRefused(f"{option}: {path}: {error.strerror}") from error
    print(f"written: {path}", file=sys.stderr)


def _as_json(plans: Sequence[tuple[Plan, Depot]], as_of: datetime) -> dict[str, Any]:
    return {
        "schema": "plan/1",
        "as_of": _utc(as_of),
        "items": [
            {
                "depot": plan.depot,
                "week": plan.iso_week,
                "placements": [
                    {
                        "unit": one.unit,
                        "bay": one.bay,
                        "start": _utc(one.start),
                        "end": _utc(one.end),
                        "booked": one.booked,
                        "work": one.work,
                        "reason": one.reason,
                    }
                    for one in plan.placements
                ],
                "unplaced": [
                    {
                        "unit": job.unit,
                        "deadline": job.deadline.isoformat(),
                        "work": job.next_step,
                        "reason": why,
                    }
                    for job, why in plan.unplaced
                ],
            }
            for plan, _ in plans
        ],
    }


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _print(plans: Sequence[tuple[Plan, Depot]], as_of: datetime) -> None:
    for plan, depot in plans:
        print(f"{plan.depot}: week of {us_date(monday_of(plan.iso_week))} ({plan.iso_week})")
        for placement in plan.placements:
            row = present.placement_row(placement, depot)
            print(
                f"  {row['Day']}  {row['Time']}  bay {row['Bay']}  unit {row['Unit']}  "
                f"{row['Standing']}: {row['Work']} {row['Reason']}"
            )
        for job, why in plan.unplaced:
            row = present.unplaced_row(job, why, as_of)
            print(f"  without a place: unit {row['Unit']}: {row['Why there is no place']}")
        if not plan.placements and not plan.unplaced:
            print("  nothing to do")
    print(exports.DISCLAIMER)


if __name__ == "__main__":
    sys.exit(main())
