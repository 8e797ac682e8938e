"""The start-up check: what would lose data is named, each fault with what to do, all at once.

MQTT 3.1.1 (ISO/IEC 20922), sections 3.1.2.4 (clean session) and 3.2.2.2 (session present).
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from gateway import contract
from ingest.__main__ import main
from ingest.arrival import Arrival
from ingest.broker_check import Seen, all_loopback, judge, look
from ingest.config import BrokerTls, parse_broker
from ingest.handlers import store_batch
from ingest.lanes import ONE_LANE
from ingest.store.durability import check_database, file_system
from ingest.subscriber import BrokerNotThere
from tests.support.reports import NOW, opened
from tests.support.services import HOST, RunningBroker, running_mosquitto, running_postgres
from tests.support.shipped_broker import running_site

FILTERS = ("fleet/v1/+/+/report", "fleet/v1/+/+/presence")


def _look(url: str, tls: BrokerTls | None = None) -> Seen:
    return look(parse_broker(url), tls, ONE_LANE.client_name, FILTERS)


@contextmanager
def forgetful(broker: RunningBroker) -> Iterator[RunningBroker]:
    """The same broker, as if it kept no session: every CONNECT asks for a clean one on the way."""
    server = socket.create_server((HOST, 0))
    ends: list[socket.socket] = []

    def pump(source: socket.socket, sink: socket.socket) -> None:
        try:
            while body := source.recv(65536):
                sink.sendall(body)
        except OSError:
            pass
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            behind = socket.create_connection((broker.host, broker.port))
            ends.extend((client, behind))
            if not (first := bytearray(client.recv(65536))):
                continue
            first[9] |= 0x02  # connect flags, after a length of one byte (section 3.1.2.3)
            behind.sendall(first)
            for pair in ((client, behind), (behind, client)):
                threading.Thread(target=pump, args=pair, daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield RunningBroker(HOST, server.getsockname()[1])
    finally:
        server.shutdown(socket.SHUT_RDWR)
        server.close()
        for end in ends:
            end.close()


# -- the broker -----------------------------------------------------------------------------------


@pytest.mark.services
def test_an_open_broker_shows_everything_that_is_open(mosquitto: RunningBroker) -> None:
    seen = _look(mosquitto.url)

    assert seen.session_kept
    assert seen.anonymous
    assert len(seen.open_ways) == 3


@pytest.mark.services
def test_a_session_that_is_not_kept_is_seen(mosquitto: RunningBroker) -> None:
    with forgetful(mosquitto) as broker:
        assert not _look(broker.url).session_kept
    assert _look(mosquitto.url).session_kept


@pytest.mark.services
def test_the_shipped_broker_has_no_fault(tmp_path: Path) -> None:
    with running_site(tmp_path) as site:
        own = site.authority.ingest()
        files = {name: getattr(own, name) for name in ("ca_file", "cert_file", "key_file")}
        tls = BrokerTls.model_validate(files)
        seen = _look(f"mqtts://{HOST}:{site.port}", tls)

    assert seen == Seen(session_kept=True, anonymous=False, open_ways=())
    assert all(one.good for one in judge(seen, "somewhere", local=False))


@pytest.mark.services
def test_passwords_with_rules_are_enough_and_a_wrong_one_is_not_there(tmp_path: Path) -> None:
    rules = Path(__file__).parents[2] / "ingest" / "deploy" / "fleet.acl"
    secret = tmp_path / "passwords"
    # mosquitto_passwd's own form: $6$salt$SHA-512 of password and salt, in base 64.
    secret.write_text(_hashed("fleet.ingest", "right"))
    lines = ["allow_anonymous false", f"password_file {secret}", f"acl_file {rules}"]
    with running_mosquitto(tmp_path, lines) as broker:
        address = f"mqtt://fleet.ingest:right@{broker.host}:{broker.port}"
        assert _look(address) == Seen(session_kept=True, anonymous=False, open_ways=())
        with pytest.raises(BrokerNotThere, match=r"Not authorized|Bad user name"):
            _look(address.replace("right", "wrong"))


def _hashed(user: str, password: str) -> str:
    import base64
    import hashlib

    salt = b"twelve bytes"
    digest = hashlib.sha512(password.encode() + salt).digest()
    return f"{user}:$6${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}\n"


@pytest.mark.services
def test_what_is_open_is_seen_over_a_backlog_and_the_backlog_stays(
    mosquitto: RunningBroker,
) -> None:
    """Unacknowledged messages fill the broker's window of 20; the probes go past them."""
    from tests.integration.test_subscriber import sending

    _look(mosquitto.url)  # the session stands from here on
    with sending(mosquitto) as sender:
        for seq in range(1, 61):
            sender.report(1, seq)

    assert len(_look(mosquitto.url).open_ways) == 3

    from ingest.arrival import Arrival
    from ingest.clock import SystemClock
    from ingest.subscriber import Subscriber

    stop, heard = threading.Event(), list[Arrival]()

    def keep(batch: object) -> list[tuple[str, bytes]]:
        assert isinstance(batch, list)
        heard.extend(batch)
        if len({one.body for one in heard if one.topic.endswith("report")}) == 60:
            stop.set()
        return []

    runner = Subscriber(parse_broker(mosquitto.url), keep, SystemClock().now)
    thread = threading.Thread(target=runner.run, args=(stop,))
    thread.start()
    thread.join(15)
    assert not thread.is_alive()
    # What the probes left in the session is an empty presence, which ingest ignores.
    others = {one.body for one in heard if not one.topic.endswith("report")}
    assert others <= {b""}


def test_a_probe_that_reached_ingest_all_the_same_is_ignored(tmp_path: Path) -> None:
    with opened(f"sqlite:///{tmp_path}/store") as engine:
        topic = contract.topic("check-0123456789abcdef", "presence")
        outcomes = store_batch(engine, [Arrival(topic, b"", NOW)])
    assert [one.status for one in outcomes] == ["ignored"]


@pytest.mark.parametrize(
    "seen, faults",
    [
        pytest.param(Seen(True, False, ()), [], id="nothing"),
        pytest.param(Seen(False, False, ()), ["broker: session"], id="session"),
        pytest.param(Seen(True, True, ()), ["broker: anonymous access"], id="anonymous"),
        pytest.param(Seen(True, False, ("x",)), ["broker: rules"], id="rules"),
        pytest.param(
            Seen(False, True, ("x", "y")),
            ["broker: session", "broker: anonymous access", "broker: rules"],
            id="all at once",
        ),
    ],
)
def test_away_from_loopback_every_fault_counts_and_says_what_to_do(
    seen: Seen, faults: list[str]
) -> None:
    found = judge(seen, "broker:8883", local=False)
    assert [one.part for one in found if not one.good] == faults
    assert all("do: " in str(one) for one in found if not one.good)
    local = [one.part for one in judge(seen, "broker:8883", local=True) if not one.good]
    assert local == [name for name in faults if name == "broker: session"]


@pytest.mark.parametrize(
    "host, local",
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("192.0.2.1", False),
        ("0.0.0.0", False),
    ],
)
def test_loopback_is_told_from_the_network(host: str, local: bool) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737, from memory)."""
    assert all_loopback(host) is local


# -- the database ---------------------------------------------------------------------------------


def test_our_sqlite_has_no_fault_of_its_own(tmp_path: Path) -> None:
    with opened(f"sqlite:///{tmp_path}/store") as engine:
        found = {one.part: one for one in check_database(engine)}
    assert found["database: journal mode"].good
    assert found["database: synchronous"].good


MOUNTS = r"""
21 1 254:1 / / rw,relatime shared:1 - ext4 /dev/vda1 rw
22 21 0:20 / /run rw,nosuid shared:2 - tmpfs tmpfs rw,size=819200k
23 21 0:41 / /srv/share rw shared:3 - nfs4 store:/export rw,vers=4.2
24 21 0:42 / /srv/two\040words rw shared:4 - cifs //store/x rw
25 21 254:2 / /srv/fast rw - ext4 /dev/vdb rw,nobarrier
26 23 254:3 / /srv/share/disk rw - xfs /dev/vdc rw
27 21 254:4 / /srv/cover rw - tmpfs tmpfs rw
28 21 254:4 / /srv/cover rw - ext4 /dev/vdd rw
a line that is none
"""


@pytest.mark.parametrize(
    "path, good, words",
    [
        ("/srv/fleet/fleet.sqlite3", True, "ext4 at /"),
        ("/run/fleet.sqlite3", False, "gone after a restart"),
        ("/running/fleet.sqlite3", True, "ext4 at /"),
        ("/srv/share/fleet.sqlite3", False, "needs a local one"),
        ("/srv/two words/fleet.sqlite3", False, "cifs"),
        ("/srv/fast/fleet.sqlite3", False, "nobarrier"),
        ("/srv/share/disk/fleet.sqlite3", True, "xfs"),
        ("/srv/cover/fleet.sqlite3", True, "ext4 at /srv/cover"),
    ],
)
def test_the_file_system_under_the_file_is_judged(path: str, good: bool, words: str) -> None:
    """The form of the lines: proc(5), /proc/pid/mountinfo (from memory)."""
    found = file_system(Path(path), MOUNTS)
    assert found.good is good
    assert words in found.found


@pytest.mark.services
def test_a_postgresql_that_would_lose_commits_is_named_with_each_setting() -> None:
    with running_postgres(("fsync=off", "full_page_writes=off", "synchronous_commit=off")) as url:
        with opened(url) as engine:
            with engine.begin() as connection:
                connection.exec_driver_sql("ALTER TABLE notice SET UNLOGGED")
            bad = {one.part for one in check_database(engine) if not one.good}
            with engine.begin() as connection:
                connection.exec_driver_sql("ALTER TABLE notice SET LOGGED")
                connection.exec_driver_sql("ALTER ROLE postgres SET synchronous_commit = on")
        with opened(url) as engine:
            left = {one.part for one in check_database(engine) if not one.good}

    settings = {"database: fsync", "database: full_page_writes"}
    assert bad == {*settings, "database: synchronous_commit", "database: tables"}
    assert left == settings


@pytest.mark.services
def test_the_shipped_settings_of_postgresql_have_no_fault_and_are_taken_by_the_server() -> None:
    shipped = _shipped_settings()
    with (
        running_postgres(tuple(f"{name}={value}" for name, value in shipped.items())) as url,
        opened(url) as engine,
        engine.connect() as connection,
    ):
        rows = connection.exec_driver_sql("SELECT lower(name), source FROM pg_settings")
        sources = {row[0]: row[1] for row in rows}
        found = check_database(engine)

    assert [str(one) for one in found if not one.good] == []
    assert {sources[name] for name in shipped} == {"command line"}


def _shipped_settings() -> dict[str, str]:
    path = Path(__file__).parents[2] / "ingest" / "deploy" / "postgresql.conf"
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line[:1].isalpha()]
    return {
        name.strip(): value.strip().strip("'")
        for name, _, value in (line.partition("=") for line in lines)
    }


# -- the commands ---------------------------------------------------------------------------------


@pytest.mark.services
def test_check_says_good_of_each_part_and_exits_0(
    durable: Path, mosquitto: RunningBroker, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--data", str(durable), "--broker", mosquitto.url]) == 0
    told = capsys.readouterr().out
    assert "FAULT" not in told
    assert "let be: loopback only" in told


@pytest.mark.services
def test_faults_are_exit_code_1_of_check_and_4_of_run(
    durable: Path, mosquitto: RunningBroker, capsys: pytest.CaptureFixture[str]
) -> None:
    with forgetful(mosquitto) as broker:
        words = ["--data", str(durable), "--broker", broker.url]
        assert main(["check", *words]) == 1
        assert "FAULT  broker: session" in capsys.readouterr().out
        assert main(["run", *words]) == 4
        told = capsys.readouterr().err
    assert "FAULT  broker: session" in told
    assert "do: let the broker keep sessions" in told


def test_what_is_not_there_is_exit_code_4_and_the_rest_is_told_all_the_same(
    durable: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    broker = f"mqtt://{HOST}:{free_port}"
    database = "postgresql://nobody@127.0.0.1:1/none"
    words = ["check", "--data", str(durable), "--broker", broker]
    assert main(words) == 4
    told = capsys.readouterr().out
    assert "FAULT  broker: 127.0.0.1" in told
    assert "good   database: synchronous" in told
    assert main([*words, "--database", database]) == 4
    assert "FAULT  database: " in capsys.readouterr().out
