"""`python -m ingest ask`, `trace` and `security-events`: what is asked about gateways."""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from ingest import queries
from ingest.asking import ask_reading
from ingest.entering import one_vehicle
from ingest.exit_codes import DONE, FAULTS
from ingest.printing import show
from ingest.printing_security import security_events
from ingest.printing_trace import traces
from ingest.store.database import read
from ingest.store.tracing import trace

if TYPE_CHECKING:
    from sqlalchemy import Engine

COMMANDS = frozenset({"ask", "trace", "security-events"})


def add_commands(
    sub: argparse._SubParsersAction[argparse.ArgumentParser],
    common: argparse.ArgumentParser,
    asking: argparse.ArgumentParser,
) -> None:
    """Add the subcommands to a parser; `asking` takes `--json`, too."""
    ask = sub.add_parser("ask", parents=[common], help="ask a vehicle's gateway for a reading")
    ask.add_argument("vehicle", metavar="VEHICLE", help="unit number, plate or VIN")
    ask.add_argument(
        "--full", action="store_true", help="everything it can read; once in 10 min at most"
    )
    ask.add_argument("--by", required=True, metavar="NAME", help="who asks")

    follow = sub.add_parser("trace", parents=[asking], help="what became of one report")
    follow.add_argument("gateway", metavar="GATEWAY", help="the gateway's id")
    follow.add_argument("seq", metavar="SEQ", type=int, help="the report's number")

    sub.add_parser(
        "security-events", parents=[asking], help="what no well-behaved gateway does; what to do"
    )


def run(engine: Engine, options: argparse.Namespace, now: datetime, request_id: str) -> int:
    """Do one of `COMMANDS`, print the answer and return the exit code."""
    if options.command == "trace":
        return _trace(engine, options, now)
    if options.command == "security-events":
        answer = security_events(queries.security_events(engine))
        show("security-events", answer, options.as_of or now, as_json=options.json)
        return DONE
    number, one = one_vehicle(engine, options.vehicle)
    want: Literal["fresh", "full"] = "full" if options.full else "fresh"
    void = ask_reading(engine, number, want, actor=options.by, now=now, request_id=request_id)
    print(
        f"unit {one.unit}: a {want} reading is asked for, void at {void:%H:%M:%S} UTC. The running "
        "service sends it; a parked vehicle declines. The answer appears in the record."
    )
    return DONE


def _trace(engine: Engine, options: argparse.Namespace, now: datetime) -> int:
    with read(engine) as connection:
        found = trace(connection, options.gateway, options.seq)
    answer = traces(options.gateway, options.seq, found)
    show("trace", answer, options.as_of or now, as_json=options.json)
    return DONE if all(one.outcome != "not heard of" for one in found) else FAULTS
