"""Real services for tests: each is started on 127.0.0.1, and stopped by its own process.

Where a service is not installed the test is skipped with the reason; with `REQUIRE_SERVICES=1` in
the environment it fails instead.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import pytest

from gateway.contract import BROKER_LIMIT

HOST = "127.0.0.1"
START_S = 30.0
STOP_S = 20.0


@dataclass(frozen=True)
class RunningBroker:
    """A broker that accepts connections; `pid` is None where it runs inside this process."""

    host: str
    port: int
    pid: int | None = None

    @property
    def url(self) -> str:
        """The address as the commands take it after `--broker`."""
        return f"mqtt://{self.host}:{self.port}"


def absent(what: str, package: str) -> NoReturn:
    """Skip the test because `what` is not installed; fail it where services are required."""
    reason = f"{what} is not installed (apt-get install {package})"
    if os.environ.get("REQUIRE_SERVICES") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


def unused_port() -> int:
    """Return a TCP port of 127.0.0.1 that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def program(names: Sequence[str], what: str, package: str) -> str:
    """Return the path of the first of `names` that is installed, the system folders included."""
    path = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))
    for name in names:
        found = shutil.which(name, path=path)
        if found:
            return found
    absent(what, package)


@contextmanager
def running_mosquitto(folder: Path, lines: Sequence[str] = ()) -> Iterator[RunningBroker]:
    """Run Mosquitto with its files in `folder`.

    `lines` are added to its configuration. Without an `allow_anonymous` among them anybody may
    connect.
    """
    executable = program(["mosquitto"], "Mosquitto", "mosquitto")
    port = unused_port()
    config = [
        f"listener {port} {HOST}",
        f"message_size_limit {BROKER_LIMIT}",
        "max_queued_messages 0",
        "persistence false",
        *lines,
    ]
    if not any(line.startswith("allow_anonymous") for line in lines):
        config.append("allow_anonymous true")
    if os.geteuid() == 0:
        # Otherwise it changes to a user of its own, which cannot read the test's folder.
        config.append("user root")
    path = folder / "mosquitto.conf"
    path.write_text("\n".join(config) + "\n", encoding="utf-8")
    with _child([executable, "-c", str(path)], folder / "mosquitto.log") as child:
        _wait_for(lambda: _listens(port), child, folder / "mosquitto.log")
        yield RunningBroker(HOST, port, child.pid)


@contextmanager
def running_postgres(settings: Sequence[str] = ("fsync=off",)) -> Iterator[str]:
    """Run a PostgreSQL cluster of its own; yield the URL of its database `postgres`.

    `settings` are `name=value`; without any the cluster is made for tests that never lose power.

    The server refuses to run as root: then its programs run as the user `postgres`, in a folder
    of that user.
    """
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: path.parent.name)
    folders = [str(path) for path in reversed(found)]
    binaries = os.pathsep.join((*folders, os.environ.get("PATH", "")))
    initdb, server = (shutil.which(name, path=binaries) for name in ("initdb", "postgres"))
    user = _server_user()
    if initdb is None or server is None or user is None:
        absent("PostgreSQL", "postgresql")
    with tempfile.TemporaryDirectory(prefix="fleet-postgres-") as name:
        folder = Path(name)
        os.chown(folder, user.pw_uid, user.pw_gid)
        data = folder / "data"
        log = folder / "server.log"
        made = [initdb, "-D", str(data), "-U", "postgres", "-A", "trust", "-E", "UTF8"]
        with _child([*made, "--locale=C", "--no-sync"], log, user) as child:
            if child.wait(START_S) != 0:
                raise RuntimeError(f"initdb failed:\n{log.read_text(encoding='utf-8')}")
        port = unused_port()
        options = ["-c", f"listen_addresses={HOST}", "-c", f"unix_socket_directories={folder}"]
        options += [word for setting in settings for word in ("-c", setting)]
        run = [server, "-D", str(data), "-p", str(port), *options]
        # SIGINT is its fast stop: it does not wait for clients to leave.
        with _child(run, log, user, stop=signal.SIGINT) as child:
            # It listens before it answers.
            _wait_for(lambda: b"ready to accept connections" in log.read_bytes(), child, log)
            yield f"postgresql+psycopg://postgres@{HOST}:{port}/postgres"


def _server_user() -> pwd.struct_passwd | None:
    if os.geteuid() != 0:
        return pwd.getpwuid(os.geteuid())
    try:
        return pwd.getpwnam("postgres")
    except KeyError:
        return None


@contextmanager
def _child(
    arguments: Sequence[str],
    log: Path,
    user: pwd.struct_passwd | None = None,
    stop: signal.Signals = signal.SIGTERM,
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a program with its output in `log`; stop it, by its own id, on leaving."""
    other = user if user is not None and user.pw_uid != os.geteuid() else None
    with log.open("ab") as output:
        child = subprocess.Popen(
            arguments,
            cwd=log.parent,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            user=other.pw_uid if other else None,
            group=other.pw_gid if other else None,
            extra_groups=[] if other else None,
        )
    try:
        yield child
    finally:
        if child.poll() is None:
            child.send_signal(stop)
        try:
            child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _listens(port: int) -> bool:
    try:
        socket.create_connection((HOST, port), 0.5).close()
    except OSError:
        return False
    return True


def _wait_for(ready: Callable[[], bool], child: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline and child.poll() is None:
        if ready():
            return
        time.sleep(0.02)
    raise RuntimeError(f"{child.args!r} did not start:\n{log.read_text(encoding='utf-8')}")
