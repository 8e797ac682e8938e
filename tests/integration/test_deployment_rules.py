"""The shipped rules, attacked from inside: a gateway with a good certificate of its own.

Who may say and hear what: wire contract, version 1. What must never arrive is followed by a good
report that does: what came before it was refused, and nobody waits for nothing.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from gateway import contract
from tests.support.shipped_broker import (
    GOOD,
    OTHER,
    Client,
    Site,
    heard_before,
    running_site,
)


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


SAID = {
    "another's report": contract.topic(GOOD, "report"),
    "another's presence": contract.topic(GOOD, "presence"),
    "a receipt to itself": contract.topic(OTHER, "receipt"),
    "a receipt to another": contract.topic(GOOD, "receipt"),
    "an ask to another": contract.topic(GOOD, "ask"),
    "an ask to itself": contract.topic(OTHER, "ask"),
    "below its own report": f"{contract.topic(OTHER, 'report')}/more",
    "a kind that is not": f"fleet/v1/3a/{OTHER}/order",
    "another version": f"fleet/v2/3a/{OTHER}/report",
    "a shard too many": f"fleet/v1/3a/3a/{OTHER}/report",
    "outside": "news",
    "the broker's own": "$SYS/broker/uptime",
}


@pytest.mark.parametrize("retain", [False, True], ids=["", "retained"])
@pytest.mark.parametrize("topic", SAID.values(), ids=SAID.keys())
def test_what_a_gateway_may_not_say_never_arrives(
    site: Site, ingest: Client, topic: str, retain: bool
) -> None:
    victim = Client(site, site.settings(GOOD), GOOD)
    assert victim.enter()
    victim.listen(contract.topic(GOOD, "receipt"), contract.topic(GOOD, "ask"))
    attacker = Client(site, site.settings(OTHER), OTHER)
    assert attacker.enter()
    attacker.say(topic, b"forged", retain)
    attacker.leave()
    ingest.say(contract.topic(GOOD, "ask"), b"from ingest")
    victim.turn(lambda: bool(victim.heard))
    victim.leave()

    assert [body for _, body in victim.heard] == [b"from ingest"]
    assert b"forged" not in [body for _, body in heard_before(site, ingest, b"mark")]
    late = Client(site, site.authority.ingest(), "ingest")  # a retained copy would come now
    assert late.enter()
    late.listen("fleet/v1/+/+/report", "fleet/v1/+/+/presence")
    assert b"forged" not in [body for _, body in heard_before(site, late, b"mark again")]
    late.leave()


HEARD = ["#", "fleet/#", "fleet/v1/+/+/report", "fleet/v1/+/+/presence", "fleet/v1/+/+/receipt"]
HEARD += ["fleet/v1/+/+/ask", "+/+/+/+/+", "$SYS/#", contract.topic(GOOD, "report")]
HEARD += [contract.topic(GOOD, kind) for kind in ("presence", "receipt", "ask")]


@pytest.mark.parametrize("asked", HEARD)
def test_a_gateway_hears_nothing_of_others_whatever_it_subscribes_to(
    site: Site, ingest: Client, asked: str
) -> None:
    spy = Client(site, site.settings(OTHER), OTHER)
    assert spy.enter()
    spy.listen(asked, contract.topic(OTHER, "ask"))
    good = Client(site, site.settings(GOOD), GOOD)
    assert good.enter()
    good.say(contract.topic(GOOD, "report"), b"secret")
    good.say(contract.topic(GOOD, "presence"), b"secret", retain=True)
    good.leave()
    ingest.say(contract.topic(GOOD, "receipt"), b"secret")
    ingest.say(contract.topic(GOOD, "ask"), b"secret")
    ingest.say(contract.topic(OTHER, "ask"), b"its own")
    spy.turn(lambda: any(body == b"its own" for _, body in spy.heard))
    spy.leave()

    assert {body for _, body in spy.heard} == {b"its own"}


def test_a_will_on_anothers_presence_never_arrives(site: Site, ingest: Client) -> None:
    attacker = Client(site, site.settings(OTHER), OTHER)
    attacker.raw.will_set(contract.topic(GOOD, "presence"), b"forged", 1, retain=True)
    attacker.enter()
    connection = attacker.raw.socket()
    if isinstance(connection, socket.socket):
        connection.shutdown(socket.SHUT_RDWR)
    assert b"forged" not in [body for _, body in heard_before(site, ingest, b"mark")]


@pytest.mark.parametrize("what", ["client id", "user name"])
def test_calling_itself_by_anothers_name_changes_nothing(
    site: Site, ingest: Client, what: str
) -> None:
    victim = Client(site, site.settings(GOOD), GOOD)
    assert victim.enter()
    victim.listen(contract.topic(GOOD, "ask"))
    names = (GOOD, None) if what == "client id" else (OTHER, GOOD)
    attacker = Client(site, site.settings(OTHER), *names)
    assert attacker.enter()
    attacker.say(contract.topic(GOOD, "report"), b"forged")
    ingest.say(contract.topic(GOOD, "ask"), b"still there")
    victim.turn(lambda: bool(victim.heard))

    assert [body for _, body in victim.heard] == [b"still there"]
    victim.leave()
    assert b"forged" not in [body for _, body in heard_before(site, ingest, b"mark")]


@pytest.mark.parametrize("name", ["+", "#", f"{GOOD}/report", f"+/{GOOD}"])
def test_a_name_with_a_wildcard_in_it_opens_nothing(site: Site, ingest: Client, name: str) -> None:
    """The script refuses such a name; here somebody signed it by hand."""
    odd = site.authority.by_hand("odd", name)
    attacker = Client(site, odd, "odd")
    if attacker.enter():
        attacker.listen("fleet/#", contract.topic(GOOD, "ask"))
        attacker.say(contract.topic(GOOD, "report"), b"forged")
    ingest.say(contract.topic(GOOD, "ask"), b"secret")
    assert b"forged" not in [body for _, body in heard_before(site, ingest, b"mark")]
    assert attacker.heard == []


@pytest.mark.parametrize(
    "size, comes",
    [(32 * 1024, True), (255 * 1024, True), (257 * 1024, False)],
    ids=["the largest report", "below 256 KiB", "above 256 KiB"],
)
def test_an_oversized_message_below_256_kib_reaches_ingest(
    site: Site, ingest: Client, size: int, comes: bool
) -> None:
    sender = Client(site, site.settings(OTHER), OTHER)
    assert sender.enter()
    sender.say(contract.topic(OTHER, "report"), b"x" * size)
    assert (size in [len(body) for _, body in heard_before(site, ingest, b"mark")]) is comes
