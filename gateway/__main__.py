"""`python -m gateway run|check|read --config FILE`: one gateway on a real bus.

Exit codes: 0 done, 1 done but faults found, 2 usage, 3 configuration or outbox refused, 4 bus or
broker not there.
"""

from __future__ import annotations

import argparse
import json
import logging
import signal
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gateway import contract
from gateway.config import Config, ConfigError, load_config

if TYPE_CHECKING:
    from gateway.link import CanLink
    from gateway.outbox import Outbox
    from gateway.protocol.guard import Guard
    from gateway.publisher import Credentials, Publisher

DONE, FAULTS, REFUSED, NOT_THERE = 0, 1, 3, 4


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
    run = _command(commands, "run", "run one gateway on a CAN interface")
    run.add_argument(
        "--check",
        action="store_true",
        help="try configuration, outbox, bus and broker, then exit; nothing is read",
    )
    _command(
        commands,
        "check",
        "for the installer: bus, ECUs, what is supported, broker, clock, outbox, each with "
        "what to do where it fails",
    )
    read = _command(commands, "read", "read the vehicle once and print it; nothing is published")
    read.add_argument("--json", action="store_true", help="one object on standard output")
    return parser


def _command(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=text, description=text)
    command.add_argument("--config", type=Path, required=True, metavar="FILE", help="a TOML file")
    command.add_argument("--verbose", action="store_true", help="log every step")
    return command


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    options = build_parser().parse_args(arguments)
    quietly = logging.INFO if options.command == "run" else logging.ERROR
    logging.basicConfig(
        level=logging.DEBUG if options.verbose else quietly,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    try:
        config = load_config(options.config)
        if options.command == "check":
            return _check(config)
        if options.command == "read":
            return _read(config, as_json=options.json)
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
    credentials = _credentials(config)
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
    config: Config, credentials: Credentials | None, outbox: Outbox, link: CanLink, check: bool
) -> None:
    from gateway.agent import Agent
    from gateway.driving import Rhythm
    from gateway.facts import Ignition
    from gateway.fitting import Fitting
    from gateway.publisher import BrokerNotThere
    from gateway.wall_clock import SystemClock

    clock = SystemClock()
    publisher = _publisher(config, credentials, outbox)
    if check:
        try:
            publisher.check()
        except BrokerNotThere as error:
            raise _Stop(NOT_THERE, str(error)) from error
        finally:
            publisher.stop()
        print(f"configuration, outbox, bus and broker are good: {config.gateway.id}")
        return
    reading = config.reading
    agent = Agent(
        config.gateway.id,
        link,
        outbox,
        publisher,
        clock,
        Rhythm(
            reading.periodic_s,
            reading.change_check_s,
            reading.sample_s,
            reading.parked_check_s,
            reading.stop_below_v,
        ),
        Ignition.COMPRESSION if reading.compression else Ignition.SPARK,
        Fitting(_mark(config)),
    )
    publisher.on_ask = agent.on_ask
    _keep_quiet(config, link, clock.now())
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    # Out of coverage is a gateway's daily life: it records on and the publisher keeps trying.
    publisher.start()
    agent.run(stop)
    now = clock.now()
    sleep = timedelta(seconds=contract.MAX_SLEEP_S)
    publisher.stop(wake_by=None if now is None else now + sleep)


def _check(config: Config) -> int:
    from gateway.checkup import Finding, check_clock, check_part, check_vehicle
    from gateway.wall_clock import SystemClock

    found = [check_clock(SystemClock().moment())]
    todo = "stop a gateway that runs on it; give this user the right to write its folder"
    found.append(check_part("outbox", todo, lambda: _outbox_state(config)))
    try:
        link = _open_bus(config)
    except _Stop as error:
        todo = "bring the interface up at the vehicle's bit rate: see can0.network"
        found.append(Finding("bus", False, str(error), todo))
    else:
        try:
            _keep_quiet(config, link, SystemClock().now())
            found += check_vehicle(link)
        finally:
            link.close()
    todo = "check address, network and firewall; certificate and rights at the broker"
    found.append(check_part("broker", todo, lambda: _broker_state(config)))
    print("\n".join(map(str, found)))
    return DONE if all(one.good for one in found) else FAULTS


def _outbox_state(config: Config) -> str:
    outbox = _open_outbox(config)
    try:
        return f"{config.gateway.outbox}: {outbox.pending()} reports wait for a receipt"
    finally:
        outbox.close()


def _broker_state(config: Config) -> str:
    """Connect under the gateway's own name, with an outbox in memory: nothing is published."""
    from gateway.publisher import try_broker

    credentials = _credentials(config)
    host, port = config.broker.address
    try_broker(config.gateway.id, host, port, credentials)
    return f"{config.broker.url} accepts {config.gateway.id}"


def _read(config: Config, as_json: bool) -> int:
    from gateway.checkup import check_quiet
    from gateway.link import BusQuiet
    from gateway.protocol.session import read_vehicle
    from gateway.show import as_lines, as_object
    from gateway.wall_clock import SystemClock

    link = _open_bus(config)
    try:
        now = SystemClock().now()
        _keep_quiet(config, link, now)
        result = read_vehicle(link.ask, depth="full")
        heard = link.heard
    except BusQuiet as error:
        raise _Stop(NOT_THERE, str(check_quiet(error))) from error
    finally:
        link.close()
    if as_json:
        print(json.dumps(as_object(result, heard, now)))
    else:
        print("\n".join(as_lines(result, heard)))
    return DONE if result.ecus else FAULTS


def _publisher(config: Config, credentials: Credentials | None, outbox: Outbox) -> Publisher:
    from gateway.publisher import Publisher
    from gateway.wall_clock import SystemClock

    clock = SystemClock()
    host, port = config.broker.address
    return Publisher(
        outbox,
        config.gateway.id,
        host,
        port,
        credentials,
        now=clock.now,
        monotonic=clock.seconds,
    )


def _keep_quiet(config: Config, link: CanLink, now: datetime | None) -> None:
    """Set the silences ahead; without a clock they start at once, to be on the safe side."""
    for silence in config.quiet:
        span = silence.seconds_from(silence.start if now is None else now)
        if span is not None:
            starts_in_s, seconds = span
            link.keep_quiet(silence.reason, seconds, starts_in_s)


def _mark(config: Config) -> Path:
    """Beside the outbox: what this fitting knows of its vehicle's protocol."""
    return config.gateway.outbox.with_name(config.gateway.outbox.name + ".identified")


def _guard(config: Config) -> Guard:
    from gateway.fitting import Fitting
    from gateway.protocol.guard import Guard

    return Guard(identified=Fitting(_mark(config)).identified)


def _credentials(config: Config) -> Credentials | None:
    """None without TLS; stops with every fault of the certificate files."""
    from gateway.publisher import Credentials

    broker = config.broker
    if not broker.tls:
        return None
    credentials = Credentials(*map(_text, (broker.ca_file, broker.cert_file, broker.key_file)))
    faults = _file_faults(config)
    if not faults:
        faults = _name_faults(config)
        try:
            credentials.context()
        except OSError as error:  # ssl's own errors are OSErrors too
            faults.append(f"broker: certificate files: {error}")
    if faults:
        raise _Stop(REFUSED, "\n".join(faults))
    return credentials


def _file_faults(config: Config) -> list[str]:
    """ssl does not say which of its files it cannot read."""
    faults = []
    for name in ("ca_file", "cert_file", "key_file"):
        path: Path | None = getattr(config.broker, name)
        try:
            if path is not None:
                path.open("rb").close()
        except OSError as error:
            faults.append(f"broker.{name}: {path}: {error.strerror}, expected a readable file")
    return faults


def _name_faults(config: Config) -> list[str]:
    """The broker takes the certificate's common name for the gateway's: they must be one."""
    from gateway.certificate import NotACertificate, common_name

    path, wanted = config.broker.cert_file, config.gateway.id
    if path is None:
        return []
    try:
        name = common_name(path.read_text(encoding="ascii"))
    except (OSError, UnicodeDecodeError, NotACertificate) as error:
        return [f"broker.cert_file: {error}"]
    if name != wanted:
        return [f"broker.cert_file: common name {name!r}, expected {wanted!r}"]
    return []


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
    from gateway.link import open_bus

    can = config.can
    try:
        return open_bus(can.interface, can.channel, can.bits29, _guard(config))
    except Exception as error:  # python-can's own errors have no base that we may import
        raise _Stop(NOT_THERE, f"can.channel: {can.channel!r}: {error}") from error


if __name__ == "__main__":
    sys.exit(main())
