"""`python -m gateway run --config FILE`: one gateway on a real bus.

Exit codes: 0 done, 2 usage, 3 configuration or outbox refused, 4 bus or broker not there.
"""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from gateway import contract
from gateway.config import BrokerSettings, Config, ConfigError, load_config

if TYPE_CHECKING:
    from gateway.link import CanLink
    from gateway.outbox import Outbox
    from gateway.publisher import Credentials

DONE, REFUSED, NOT_THERE = 0, 3, 4


class _Stop(Exception):
    """One clear message for the operator, with the exit code."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


def build_parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m gateway",
        description="Read one vehicle over CAN, keep every reading until it is receipted. "
        "Only read requests ever reach the bus.",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    run = commands.add_parser("run", help="run one gateway on a SocketCAN interface")
    run.add_argument("--config", type=Path, required=True, metavar="FILE", help="a TOML file")
    run.add_argument(
        "--check",
        action="store_true",
        help="check configuration, outbox, bus and broker, then exit; nothing is read",
    )
    run.add_argument("--verbose", action="store_true", help="log every step")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    options = build_parser().parse_args(arguments)
    logging.basicConfig(
        level=logging.DEBUG if options.verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    try:
        config = load_config(options.config)
        _run(config, check=options.check)
    except ConfigError as error:
        lines = [f"{options.config}: {fault}" for fault in error.faults]
        print("\n".join(lines), file=sys.stderr)
        return REFUSED
    except _Stop as error:
        print(error, file=sys.stderr)
        return error.code
    return DONE


def _run(config: Config, check: bool) -> None:
    credentials = _credentials(config.broker)
    outbox = _open_outbox(config)
    try:
        link = _open_bus(config)
        try:
            _serve(config, credentials, outbox, link, check)
        finally:
            link.close()
    finally:
        outbox.close()


def _serve(
    config: Config, credentials: Credentials, outbox: Outbox, link: CanLink, check: bool
) -> None:
    from gateway.agent import Agent, Rhythm, SystemClock
    from gateway.facts import Ignition
    from gateway.publisher import BrokerNotThere, Publisher

    clock = SystemClock()
    host, port = config.broker.address
    publisher = Publisher(
        outbox,
        config.gateway.id,
        host,
        port,
        tls=credentials if config.broker.tls else None,
        user=credentials.user,
        password=credentials.password,
        now=clock.now,
        monotonic=clock.seconds,
    )
    if check:
        try:
            publisher.check()
        except BrokerNotThere as error:
            raise _Stop(NOT_THERE, str(error)) from error
        finally:
            publisher.stop()
        return
    reading = config.reading
    agent = Agent(
        config.gateway.id,
        link.ask,
        outbox,
        publisher,
        clock,
        Rhythm(
            reading.periodic_s, reading.change_check_s, reading.sample_s, reading.parked_check_s
        ),
        Ignition.COMPRESSION if reading.compression else Ignition.SPARK,
    )
    publisher.on_ask = agent.on_ask
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    # Out of coverage is a gateway's daily life: it records on and the publisher keeps trying.
    publisher.start()
    agent.run(stop)
    now = clock.now()
    sleep = timedelta(seconds=contract.MAX_SLEEP_S)
    publisher.stop(wake_by=None if now is None else now + sleep)


def _credentials(broker: BrokerSettings) -> Credentials:
    from gateway.publisher import Credentials

    password = None
    if broker.password_file is not None:
        try:
            password = broker.password_file.read_text(encoding="utf-8").strip()
        except OSError as error:
            raise _Stop(REFUSED, f"broker.password_file: {error}") from error
    credentials = Credentials(
        broker.user, password, *map(_text, (broker.ca_file, broker.cert_file, broker.key_file))
    )
    if broker.tls:
        try:
            credentials.context()
        except OSError as error:  # ssl's own errors are OSErrors too
            raise _Stop(REFUSED, f"broker: certificate files: {error}") from error
    return credentials


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)


def _open_outbox(config: Config) -> Outbox:
    from gateway.outbox import NotAnOutbox, Outbox

    limit = config.gateway.outbox_limit_mib * 1024 * 1024
    try:
        return Outbox(config.gateway.outbox, lambda: datetime.now(UTC), limit)
    except (NotAnOutbox, OSError) as error:
        raise _Stop(REFUSED, f"gateway.outbox: {error}") from error


def _open_bus(config: Config) -> CanLink:
    from gateway.link import open_socketcan

    try:
        return open_socketcan(config.can.channel, config.can.bits29)
    except Exception as error:  # python-can's own errors have no base that we may import
        raise _Stop(NOT_THERE, f"can.channel: {config.can.channel!r}: {error}") from error


if __name__ == "__main__":
    sys.exit(main())
