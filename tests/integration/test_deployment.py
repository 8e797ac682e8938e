"""The shipped broker configuration, started as it stands (its paths aside): who gets in.

MQTT 3.1.1 (ISO/IEC 20922) over TLS 1.2 or later (RFC 8446 and RFC 5246, from memory).
"""

from __future__ import annotations

import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway import contract
from gateway.outbox import Outbox
from gateway.publisher import BrokerNotThere, Credentials, Publisher
from tests.support.certificates import FUTURE, PAST
from tests.support.services import HOST, program
from tests.support.shipped_broker import (
    DEPLOY,
    GOOD,
    PATIENCE_S,
    Client,
    Site,
    good_report,
    running_site,
)

NOW = datetime(2026, 11, 2, 14, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """One broker for the whole file: what an attack breaks, the next test finds broken."""
    with running_site(tmp_path_factory.mktemp("site")) as one:
        yield one


@pytest.fixture
def ingest(site: Site) -> Iterator[Client]:
    """Ingest, listening to everything that it may hear."""
    client = Client(site, site.authority.ingest(), "ingest")
    assert client.enter()
    client.listen("fleet/v1/+/+/report", "fleet/v1/+/+/presence", "#", "$SYS/#")
    yield client
    client.leave()


# -- the good way ---------------------------------------------------------------------------------


def test_a_good_gateways_report_arrives_and_its_receipt_comes_back(
    site: Site, ingest: Client, tmp_path: Path
) -> None:
    outbox = Outbox(tmp_path / "box", lambda: NOW)
    publisher = Publisher(outbox, GOOD, HOST, site.port, site.settings(GOOD), now=lambda: NOW)

    def build(seq: int, _: object) -> list[contract.Report]:
        return [
            contract.Report(
                schema="report/1",
                gateway=GOOD,
                journal=outbox.journal,
                journal_created_at=outbox.journal_created_at,
                seq=seq,
                boot_no=1,
                taken_at=contract.format_time(NOW),
                clock="synced",
                uptime_ms=1,
                reason="key_on",
                ecus={},
            )
        ]

    outbox.append(build)
    body = outbox.due(0.0)[0].body
    topic = contract.topic(GOOD, "report")

    def both() -> None:
        publisher.loop()
        ingest.raw.loop(0.01)

    until = time.monotonic() + PATIENCE_S
    while (topic, body) not in ingest.heard:
        assert time.monotonic() < until
        both()
    receipt = contract.Receipt(
        schema="receipt/1",
        gateway=GOOD,
        journal=outbox.journal,
        through=1,
        also=[],
        aside=[],
        at=contract.format_time(NOW),
    )
    ingest.raw.publish(contract.topic(GOOD, "receipt"), contract.encode(receipt), 1)
    while outbox.pending():
        assert time.monotonic() < until
        both()
    assert any(topic.endswith("/presence") for topic, _ in ingest.heard)
    publisher.stop()
    outbox.close()


# -- attacks on the door --------------------------------------------------------------------------


def _nobody(site: Site) -> Credentials:
    return Credentials(ca_file=site.settings(GOOD).ca_file)


def _of_a_stranger(site: Site) -> Credentials:
    site.stranger.gateway(GOOD)
    return site.stranger.credentials(GOOD, site.authority.folder / "authority.pem")


def _key_of_another(site: Site) -> Credentials:
    return replace(site.stranger.gateway("gw-0005"), ca_file=site.settings(GOOD).ca_file)


DOOR: dict[str, Callable[[Site], Credentials | None]] = {
    "plain TCP": lambda site: None,
    "no certificate": _nobody,
    "certificate of another authority with a good name": _of_a_stranger,
    "certificate of another authority with a new name": _key_of_another,
    "self-signed with a good name": lambda site: site.authority.self_signed("own", GOOD),
    "expired": lambda site: site.authority.gateway("gw-0007", PAST),
    "not valid yet": lambda site: site.authority.gateway("gw-0008", FUTURE),
    "revoked": lambda site: site.authority.credentials("gw-0666"),
    "the broker's own certificate": lambda site: site.authority.credentials("server"),
}


@pytest.mark.parametrize("user", [None, GOOD], ids=["no user name", "a good user name"])
@pytest.mark.parametrize("who", DOOR.values(), ids=DOOR.keys())
def test_at_the_door_it_is_refused(
    site: Site, who: Callable[[Site], Credentials | None], user: str | None
) -> None:
    assert not Client(site, who(site), GOOD, user).enter()
    good_report(site, b"the broker still serves the good")


ALERTS = {  # RFC 8446, 6.2 (from memory): refused for the reason it is meant to be refused for
    "no certificate": "CERTIFICATE_REQUIRED",
    "certificate of another authority with a good name": "UNKNOWN_CA",
    "self-signed with a good name": "UNKNOWN_CA",
    "expired": "CERTIFICATE_EXPIRED",
    "not valid yet": "BAD_CERTIFICATE",
    "revoked": "CERTIFICATE_REVOKED",
    "the broker's own certificate": "UNSUPPORTED_CERTIFICATE",
}


@pytest.mark.parametrize("who, alert", ALERTS.items(), ids=ALERTS.keys())
def test_the_brokers_alert_names_the_reason(site: Site, who: str, alert: str) -> None:
    tls = DOOR[who](site)
    assert tls is not None
    with (
        socket.create_connection((HOST, site.port), PATIENCE_S) as raw,
        pytest.raises(ssl.SSLError) as caught,
        tls.context().wrap_socket(raw, server_hostname=HOST) as spoken,
    ):
        spoken.recv(1)  # in TLS 1.3 the refusal comes after the client's own last word
    assert alert in str(caught.value.reason)


@pytest.mark.parametrize("who", ["nobody", "revoked"])
def test_the_gateways_own_check_says_that_the_broker_refuses(
    site: Site, tmp_path: Path, who: str
) -> None:
    tls = _nobody(site) if who == "nobody" else site.authority.credentials("gw-0666")
    outbox = Outbox(tmp_path / "box", lambda: NOW)
    publisher = Publisher(outbox, "gw-0666", HOST, site.port, tls, now=lambda: NOW)
    with pytest.raises(BrokerNotThere, match=str(site.port)):
        publisher.check(PATIENCE_S)
    publisher.stop()
    outbox.close()


def test_a_broker_of_another_authority_is_refused_by_the_gateway(site: Site) -> None:
    trusting_the_stranger = replace(
        site.settings(GOOD), ca_file=str(site.stranger.folder / "authority.pem")
    )
    context = trusting_the_stranger.context()
    with (
        socket.create_connection((HOST, site.port), PATIENCE_S) as raw,
        pytest.raises(ssl.SSLCertVerificationError, match="certificate verify failed"),
    ):
        context.wrap_socket(raw, server_hostname=HOST)


@pytest.mark.parametrize("name", ["localhost", HOST, "broker.example"])
def test_the_broker_is_taken_for_nobody_else(site: Site, name: str) -> None:
    context = site.settings(GOOD).context()
    with socket.create_connection((HOST, site.port), PATIENCE_S) as raw:
        if name == "broker.example":
            with pytest.raises(ssl.SSLCertVerificationError, match="Hostname mismatch"):
                context.wrap_socket(raw, server_hostname=name)
        else:
            context.wrap_socket(raw, server_hostname=name).close()


@pytest.mark.parametrize("version", ["-tls1", "-tls1_1"])
def test_older_tls_is_refused(site: Site, version: str) -> None:
    """RFC 8996 (from memory): TLS 1.0 and 1.1 must not be used."""
    openssl = program(["openssl"], "openssl", "openssl")
    own = site.settings(GOOD)
    keys = ["-cert", str(own.cert_file), "-key", str(own.key_file), "-CAfile", str(own.ca_file)]
    asked = [openssl, "s_client", "-connect", f"{HOST}:{site.port}", *keys]
    # Level 0, or our own side would refuse before the broker is asked.
    old = [*asked, version, "-cipher", "DEFAULT@SECLEVEL=0"]
    spoken = [
        subprocess.run(one, input=b"", capture_output=True, check=False, timeout=PATIENCE_S)
        for one in (old, [*asked, "-tls1_2"])
    ]
    assert [done.returncode == 0 for done in spoken] == [False, True]
    assert b"alert protocol version" in spoken[0].stderr


def test_bytes_that_are_no_tls_at_all_do_no_harm(site: Site) -> None:
    with socket.create_connection((HOST, site.port), PATIENCE_S) as raw:
        raw.sendall(b"\x00\xff" * 5000)
    good_report(site, b"the broker still serves the good")


# -- the files themselves -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(("gateway", "+"), id="a wildcard"),
        pytest.param(("gateway", "#"), id="the other wildcard"),
        pytest.param(("gateway", "gw/1"), id="two levels"),
        pytest.param(("gateway", "GW-1"), id="upper case"),
        pytest.param(("gateway", "-gw"), id="a hyphen first"),
        pytest.param(("gateway", ""), id="no name"),
        pytest.param(("gateway", "g" * 33), id="33 characters"),
        pytest.param(("gateway", "fleet.ingest"), id="the name of ingest"),
        pytest.param(("gateway", "server"), id="a name of the folder's own"),
        pytest.param(("gateway", "gw-0666"), id="one that is there already"),
        pytest.param(("gateway",), id="nothing"),
        pytest.param(("authority",), id="a second authority"),
        pytest.param(("revoke", "../gw"), id="a path"),
        pytest.param(("revoke", "gw-9999"), id="nobody's"),
        pytest.param(("revoke", "gw-0666"), id="revoked twice"),
        pytest.param(("server", "a name"), id="no host name"),
        pytest.param(("destroy",), id="no command"),
    ],
)
def test_the_script_refuses_and_changes_nothing(site: Site, words: tuple[str, ...]) -> None:
    folder = site.authority.folder

    def keys() -> dict[str, bytes]:
        found = [*folder.glob("*.key"), *folder.glob("*.pem"), folder / "issued.txt"]
        return {path.name: path.read_bytes() for path in found}

    before = keys()
    with pytest.raises(subprocess.CalledProcessError) as caught:
        site.authority.run(*words)
    assert caught.value.returncode in (2, 3)
    assert caught.value.stderr
    assert keys() == before


def test_the_longest_gateway_id_gets_a_certificate_and_keys_are_for_their_owner_alone(
    site: Site,
) -> None:
    site.authority.run("gateway", "g" * 32)
    for path in site.authority.folder.glob("*.key"):
        assert path.stat().st_mode & 0o077 == 0, path.name


def test_every_setting_of_the_broker_has_its_reason_above_it_or_stands_with_its_kind() -> None:
    groups = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8").split("\n\n")
    for group in groups:
        settings = [line for line in group.splitlines() if line and not line.startswith("#")]
        assert not settings or group.startswith("#") or settings == ["listener 8883"]


@pytest.mark.parametrize(
    "line",
    [
        "User=fleet-gateway",
        "NoNewPrivileges=true",
        "CapabilityBoundingSet=",
        "ProtectSystem=strict",
        "RestrictAddressFamilies=AF_CAN AF_INET AF_INET6 AF_UNIX",
        "SystemCallFilter=@system-service",
        "RestartPreventExitStatus=2 3",
    ],
)
def test_the_gateways_unit_takes_no_more_than_it_needs(line: str) -> None:
    unit = DEPLOY.parents[1] / "gateway" / "deploy" / "fleet-gateway.service"
    assert line in unit.read_text(encoding="utf-8").splitlines()
