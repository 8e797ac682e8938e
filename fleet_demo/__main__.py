"""`python -m fleet_demo`: the whole job on one machine, with simulated vehicles.

Vehicles, depots and people are invented. Readings are of simulated controllers.
"""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from fleet_demo.broker import broker, free_port
from fleet_demo.clock import DemoClock
from fleet_demo.live import LivePhase
from fleet_demo.past import deliver, start_of, write_past
from fleet_demo.scenarios import Fleet, build_fleet, vehicle_list_rows
from fleet_demo.shop import write_down
from fleet_demo.yard import DemoGateway
from ingest import arguments, commands, queries
from ingest.config import BrokerAddress, ConfigError, database_url, load_site, make_data_dir
from ingest.domain.vehicles import read_rows
from ingest.handlers import rebuild
from ingest.program_files import load_programs
from ingest.queries import DatabaseTrouble, NotOurDatabase
from ingest.service import Service, probe
from ingest.subscriber import BrokerNotThere

if TYPE_CHECKING:
    from sqlalchemy import Engine

DONE, FAULTS, _USAGE, REFUSED, NOT_THERE = range(5)
WEST = ZoneInfo("America/Los_Angeles")
"""The westernmost zone of the depots: the history ends before its present day."""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the demo."""
    parser = argparse.ArgumentParser(prog="python -m fleet_demo", description=__doc__)
    parser.add_argument("--vehicles", type=_positive, default=60, metavar="N")
    parser.add_argument("--days", type=_positive, default=28, metavar="D", help="days of history")
    parser.add_argument("--seed", type=int, default=1, metavar="S")
    parser.add_argument("--end", type=arguments.day, metavar="DATE", help="default today")
    parser.add_argument("--once", action="store_true", help="history and a live minute, then exit")
    parser.add_argument(
        "--live", type=_positive, default=60, metavar="S", help="seconds live with --once"
    )
    parser.add_argument("--no-board", action="store_true", help="without the board")
    parser.add_argument("--port", type=int, help="port of the board; default a free one")
    parser.add_argument("--data", type=Path, default=Path(".fleet-data/demo"), metavar="DIR")
    parser.add_argument("--database", metavar="URL", help="overrides the file in --data")
    parser.add_argument(
        "--broker", metavar="mqtt[s]://HOST:PORT", help="default: an embedded broker"
    )
    return parser


def _positive(text: str) -> int:
    if not text.isdecimal() or not int(text):
        raise argparse.ArgumentTypeError(f"{text!r}, expected a whole number of at least 1")
    return int(text)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the demo and return its exit code."""
    options = build_parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s %(message)s")
    try:
        return _run(options)
    except KeyboardInterrupt:
        return DONE
    except (DatabaseTrouble, BrokerNotThere, ConnectionError) as error:
        print(f"error: {error}", file=sys.stderr)
        return NOT_THERE
    except (ConfigError, NotOurDatabase, commands.CommandRefused, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return REFUSED


def _run(options: argparse.Namespace) -> int:
    for number in (signal.SIGTERM, signal.SIGINT):  # a shell's background job ignores SIGINT
        signal.signal(number, _leave)
    today = datetime.now(WEST).date()
    end = options.end or today
    _fresh(options)
    with ExitStack() as stack:
        address = stack.enter_context(broker(options.broker))
        probe(address)
        engine = queries.open_database(database_url(options.data, options.database))
        stack.callback(engine.dispose)
        fleet = build_fleet(options.vehicles, options.days, options.seed, end=end)
        _list_vehicles(engine, fleet)
        if not options.no_board:
            stack.enter_context(_board(options))
        return _job(options, stack, engine, address, fleet, historic=end != today)


def _leave(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _fresh(options: argparse.Namespace) -> None:
    """A demo begins anew: only what an earlier demo wrote into its directory goes."""
    make_data_dir(options.data)
    if (options.data / "outbox").is_dir():
        shutil.rmtree(options.data / "outbox")
        for file in options.data.glob("fleet.sqlite3*"):
            file.unlink()
    (options.data / "outbox").mkdir()


def _list_vehicles(engine: Engine, fleet: Fleet) -> None:
    vehicles, faults = read_rows(vehicle_list_rows(fleet), set(load_programs()))
    if faults:
        raise ValueError("; ".join(map(str, faults)))
    commands.load_vehicles(
        engine,
        vehicles,
        actor="fleet_demo",
        now=start_of(fleet),
        request_id=f"demo-{fleet.seed}-{fleet.end}-{len(vehicles)}",
    )


@contextmanager
def _board(options: argparse.Namespace) -> Iterator[None]:
    """Start the board as a process of its own, and end it with the demo."""
    port = options.port or free_port()
    command = [sys.executable, "-m", "dashboard", "--port", str(port), "--data", str(options.data)]
    if options.database:
        command += ["--database", options.database]
    board = subprocess.Popen(command, env=os.environ.copy(), stdout=subprocess.DEVNULL)
    print(f"board: http://127.0.0.1:{port}", flush=True)
    try:
        yield
    finally:
        board.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            board.wait(10)
        if board.poll() is None:
            board.kill()
            board.wait()


def _job(
    options: argparse.Namespace,
    stack: ExitStack,
    engine: Engine,
    address: BrokerAddress,
    fleet: Fleet,
    *,
    historic: bool,
) -> int:
    clock = DemoClock(start_of(fleet))
    service = Service(engine, address, clock, load_site(options.data))
    service.start()
    stack.callback(service.stop)
    if not service.subscriber.ready.wait(10):
        raise BrokerNotThere(f"the broker at {address.host}:{address.port} does not accept us")
    gateways: dict[str, DemoGateway] = {}
    for vehicle in fleet.vehicles:
        gateways[vehicle.unit] = DemoGateway(
            vehicle, fleet, options.data / "outbox", address, clock
        )
        stack.callback(gateways[vehicle.unit].close)
        gateways[vehicle.unit].publisher.check()
    begun = time.monotonic()
    published = write_past(fleet, gateways, clock, service, _progress)
    print(f"\nhistory: {published} reports in {time.monotonic() - begun:.1f} s", flush=True)

    repairs = write_down(engine, fleet, clock.now())
    print(f"repairs written down by the shop: {repairs}")

    # A demo anchored at another day goes on at that day's noon.
    noon = datetime.combine(fleet.end, datetime.min.time(), WEST) + timedelta(hours=12)
    clock.set(max(clock.now(), noon if historic else datetime.now(UTC)))
    clock.live()
    service.start_jobs()
    live = LivePhase(fleet, gateways, clock, options.seed)
    processor = time.process_time()
    lived = time.monotonic()
    try:
        live.run(float(options.live) if options.once else None)
    finally:
        # Also when a person stops it. Then the broker may be gone, and what was not delivered
        # stays in the outboxes.
        live.close()
        share = (time.process_time() - processor) / (time.monotonic() - lived)
        print(f"live phase: {share:.0%} of one core")
    deliver([one for one in gateways.values() if one.publisher.connected])
    service.sweep()
    service.send_notices()
    return _summary(engine, published + live.reports, live, clock.now())


def _progress(done: int, days: int) -> None:
    width = 30
    filled = done * width // days
    end = "" if sys.stdout.isatty() else "\n" if done == days else ""
    if sys.stdout.isatty() or done == days:
        print(
            f"\rhistory [{'#' * filled}{'.' * (width - filled)}] day {done} of {days}",
            end=end,
            flush=True,
        )


def _summary(engine: Engine, published: int, live: LivePhase, now: datetime) -> int:
    counts = queries.stored_counts(engine)
    events: Counter[str] = Counter()
    programs = load_programs()
    for vehicle in queries.vehicle_list(engine):
        record = queries.record(engine, vehicle.id or 0, now, programs)
        if record is not None:
            events.update(event.kind for event in record.events)
    stand = queries.alerts(engine, now, include_closed=True)
    check = rebuild(engine, check=True, now=now)
    print(f"reports published {published} = stored {counts['reports']}")
    print(f"dead letters {counts['dead_letters']}")
    print(f"MIL-on events {events['mil_on']}, codes cleared {events['clear']}, alerts {len(stand)}")
    print(f"rebuild --check: {check.reports} reports, {len(check.differences)} differences")
    services = ", ".join(
        f"{number:02X}: {n}" for number, n in sorted(live.listener.requests.items())
    )
    two = sum(len(ecus) > 1 for ecus in live.listener.answering.values())
    print(
        f"over the bus: {len(live.read_units)} vehicles read, {two} with two ECUs; an independent "
        f"listener heard {live.listener.requests.total()} requests by service: {services}"
    )
    good = published == counts["reports"] and not counts["dead_letters"] and not check.differences
    return DONE if good else FAULTS


if __name__ == "__main__":
    sys.exit(main())
