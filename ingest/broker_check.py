"""Whether the broker would lose what gateways send, or let anybody in.

Only what a client can see is judged. Whether sessions survive a restart of the broker itself
cannot be seen from outside: the settings in `ingest/deploy/mosquitto.conf` see to it.
MQTT 3.1.1 (ISO/IEC 20922): session present is section 3.2.2.2, clean session 3.1.2.4.
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
from collections.abc import Sequence
from dataclasses import dataclass

from gateway import contract
from ingest.config import BrokerAddress, BrokerTls
from ingest.findings import Finding
from ingest.subscriber import BrokerNotThere, tls_context
from ingest.visit import Visit, enter_session

ECHO_S = 1.0
"""How long a message that should not come back is waited for, after all is acknowledged."""
ELSEWHERE = "fleet-check"

_ANONYMOUS = (
    "set allow_anonymous false, and passwords or certificates: ingest/deploy/mosquitto.conf"
)
_RULES = "refuse what is not named: acl_file as in ingest/deploy/fleet.acl"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a visit to the broker showed. `open_ways`: what its rules should refuse and do not."""

    session_kept: bool
    anonymous: bool
    open_ways: tuple[str, ...]


def check_broker(
    broker: BrokerAddress, tls: BrokerTls | None, session: str, filters: Sequence[str]
) -> list[Finding]:
    """Look at the broker as ingest would use it: `session` is ingest's client id.

    The very session of the service is used, and left standing: a broker may take the client id
    from the certificate, so another id would be no other session. Nothing is acknowledged that
    waits in it. A running service of the same id is interrupted for a moment.
    """
    where = f"{broker.host}:{broker.port}"
    try:
        local = all_loopback(broker.host)
        seen = look(broker, tls, session, filters)
    except BrokerNotThere as error:
        todo = "start the broker, or mend --broker, user, password or certificate"
        return [Finding("broker", False, str(error), todo, there=False)]
    return judge(seen, where, local=local)


def look(
    broker: BrokerAddress, tls: BrokerTls | None, session: str, filters: Sequence[str]
) -> Seen:
    """Visit the broker; raises `BrokerNotThere`."""
    return Seen(
        _session_kept(broker, tls, session, filters),
        _anonymous(broker, tls),
        tuple(_open_ways(broker, tls, session)),
    )


def judge(seen: Seen, where: str, *, local: bool) -> list[Finding]:
    """What was seen, as findings; on loopback everybody who can connect is on the machine."""
    aside = " (let be: loopback only)" if local else ""
    anonymous = f"let in{aside}" if seen.anonymous else "refused"
    rules = f"{'; '.join(seen.open_ways)}{aside}" if seen.open_ways else "all else is refused"
    return [
        Finding("broker", True, f"answers at {where}"),
        Finding(
            "broker: session",
            seen.session_kept,
            "kept across a reconnect" if seen.session_kept else "not kept across a reconnect",
            "let the broker keep sessions: reports sent while ingest is away would be lost",
        ),
        Finding("broker: anonymous access", local or not seen.anonymous, anonymous, _ANONYMOUS),
        Finding("broker: rules", local or not seen.open_ways, rules, _RULES),
    ]


def all_loopback(host: str) -> bool:
    """Whether every address of the host is of this machine alone."""
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except OSError as error:
        raise BrokerNotThere(f"{host}: {error.strerror or error}") from error
    return all(ipaddress.ip_address(one[4][0]).is_loopback for one in found)


def _session_kept(
    broker: BrokerAddress, tls: BrokerTls | None, session: str, filters: Sequence[str]
) -> bool:
    """Connect, subscribe, drop the line, come back: is the session still there?"""
    first = enter_session(broker, tls, session)
    first.ask(lambda: first.client.subscribe([(one, 1) for one in filters]))
    first.drop()
    again = enter_session(broker, tls, session)
    again.leave()
    return again.session_present


def _anonymous(broker: BrokerAddress, tls: BrokerTls | None) -> bool:
    """Whether somebody without name, password or certificate is let in."""
    context = None
    if broker.scheme == "mqtts":
        context = tls_context(None if tls is None else tls.model_copy(update={"cert_file": None}))
    visit = Visit(broker, context, f"{ELSEWHERE}-{secrets.token_hex(4)}", clean=True)
    try:
        visit.enter()
    except BrokerNotThere:
        return False
    visit.leave()
    return True


def _open_ways(broker: BrokerAddress, tls: BrokerTls | None, session: str) -> list[str]:
    """What ingest's own identity may do beyond its part, seen by what comes back to it.

    A broker acknowledges what its rules refuse (section 3.3.5), so an echo is the only proof. The
    gateway named does not exist, and all messages are empty: who hears one makes nothing of it.
    """
    nobody = f"check-{secrets.token_hex(8)}"
    ways = {
        f"{ELSEWHERE}/{nobody}": "topics of others can be read and written",
        contract.topic(nobody, "presence"): "ingest can write what only gateways may",
        contract.topic(nobody, "receipt"): "ingest can read what only gateways may",
    }
    visit = enter_session(broker, tls, session)
    # At QoS 0, so that no backlog of the session stands before them.
    visit.ask(lambda: visit.client.subscribe([(topic, 0) for topic in ways]))
    for topic in ways:
        visit.say(topic)
    visit.linger(ECHO_S)
    visit.ask(lambda: visit.client.unsubscribe(list(ways)))
    visit.leave()
    return [words for topic, words in ways.items() if topic in visit.heard]
