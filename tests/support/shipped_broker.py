"""Mosquitto as it is shipped: configuration, rules and certificates, with its paths in a folder."""

from __future__ import annotations

import os
import time
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from gateway import contract
from gateway.publisher import Credentials
from tests.support.certificates import Authority
from tests.support.services import HOST, _child, _listens, _wait_for, program, unused_port

DEPLOY = Path(__file__).parents[2] / "ingest" / "deploy"
INSTALLED = "/etc/mosquitto/fleet/"
PATIENCE_S = 20.0
GOOD, OTHER = "gw-0001", "gw-0002"


@dataclass(frozen=True)
class Site:
    """A broker from the shipped configuration, with the authority that vouches for its clients."""

    authority: Authority
    stranger: Authority
    port: int

    def settings(self, who: str) -> Credentials:
        """The credentials of a gateway that this site vouches for."""
        return self.authority.gateway(who)


class Client:
    """A plain MQTT client: says whether it got in, notes what it hears."""

    def __init__(
        self, site: Site, tls: Credentials | None, name: str = "attacker", user: str | None = None
    ) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.accepted = self.subscribed = False
        self._site = site
        self.raw = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311, clean_session=True
        )
        if tls is not None:
            self.raw.tls_set_context(tls.context())
        if user is not None:
            self.raw.username_pw_set(user, "guess")
        # No cycle with us: paho closes its own sockets when it goes, and in a cycle the garbage
        # collector may come to the sockets first.
        me = weakref.proxy(self)
        self.raw.on_connect = lambda _c, _u, _f, code, _p: setattr(
            me, "accepted", not code.is_failure
        )
        self.raw.on_subscribe = lambda *_: setattr(me, "subscribed", True)
        self.raw.on_message = lambda _c, _u, m: me.heard.append((m.topic, bytes(m.payload)))

    def enter(self) -> bool:
        """Try to connect; whether the broker's CONNACK said yes."""
        until = time.monotonic() + PATIENCE_S
        with suppress(OSError):
            self.raw.connect(HOST, self._site.port)
            while not self.accepted and time.monotonic() < until:
                if self.raw.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
        return self.accepted

    def listen(self, *filters: str) -> None:
        """Subscribe, and wait for the answer."""
        self.raw.subscribe([(one, 1) for one in filters])
        self.turn(lambda: self.subscribed)

    def turn(self, done: Callable[[], bool]) -> None:
        """Go on until `done`, or until the broker ends the connection."""
        until = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < until, "it never came"
            if self.raw.loop(0.05) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return

    def say(self, topic: str, body: bytes, retain: bool = False) -> None:
        """Publish at QoS 1 and wait for the acknowledgement, or the end of the connection."""
        info = self.raw.publish(topic, body, 1, retain)
        with suppress(RuntimeError):  # paho's word for a connection that was ended meanwhile
            self.turn(info.is_published)

    def leave(self) -> None:
        """Disconnect in good order."""
        self.raw.disconnect()


@contextmanager
def running_site(folder: Path) -> Iterator[Site]:
    """Run Mosquitto from the shipped files, everything of it in `folder`; gw-0666 is revoked."""
    executable = program(["mosquitto"], "Mosquitto", "mosquitto")
    authority = Authority.made(folder / "authority")
    stranger = Authority.made(folder / "stranger")
    authority.gateway("gw-0666")
    authority.run("revoke", "gw-0666")
    port = unused_port()
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    for line, own in {
        "listener 8883\n": f"listener {port} {HOST}\n",
        f"{INSTALLED}fleet.acl": str(DEPLOY / "fleet.acl"),
        INSTALLED: f"{authority.folder}/",
        "/var/lib/mosquitto/": f"{folder}/",
    }.items():
        assert line in text
        text = text.replace(line, own)
    if os.geteuid() == 0:
        text += "user root\n"
    (folder / "mosquitto.conf").write_text(text, encoding="utf-8")
    log = folder / "mosquitto.log"
    with _child([executable, "-c", str(folder / "mosquitto.conf")], log) as child:
        _wait_for(lambda: _listens(port), child, log)
        yield Site(authority, stranger, port)


def good_report(site: Site, text: bytes) -> None:
    """Send `text` as the report of a gateway in good standing."""
    client = Client(site, site.settings(GOOD), GOOD)
    assert client.enter()
    client.say(contract.topic(GOOD, "report"), text)
    client.leave()


def heard_before(site: Site, ingest: Client, mark: bytes) -> list[tuple[str, bytes]]:
    """What ingest heard before a good report that is sent now."""
    good_report(site, mark)
    ingest.turn(lambda: bool(ingest.heard) and ingest.heard[-1][1] == mark)
    return ingest.heard[:-1]
