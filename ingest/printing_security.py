"""Security events for a terminal: what no well-behaved gateway does, and what to look at."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.printing import Answer, time
from ingest.queries import SecurityEvent

ADVICE = {
    "key conflict": (
        "two messages bear one number and differ; the first one counts. Either an outbox was "
        "copied to a second gateway, or somebody else sends in this gateway's name: see who holds "
        "its certificate, and give a copied gateway an empty outbox of its own."
    ),
    "wrong gateway": (
        "a message on one gateway's topic names another one. The broker should let each write its "
        "own topics only: compare its access list with ingest/deploy/fleet.acl, then look at the "
        "gateway of the topic."
    ),
    "wrong shard": (
        "the shard in the topic is not the gateway's. A gateway of ours works it out from its id: "
        "see who can publish at the broker, and by which certificate."
    ),
}


def security_events(found: Sequence[SecurityEvent]) -> Answer:
    """Each event, oldest first, and for each kind what it means and what to do."""
    items = [
        {"at": time(one.at), "kind": one.kind, "gateway": one.gateway, "detail": one.detail}
        for one in found
    ]
    lines = [f"{time(one.at)}  {one.gateway}  {one.kind}: {one.detail}" for one in found]
    kinds = dict.fromkeys(one.kind for one in found)
    lines += [f"{kind}: {ADVICE[kind]}" for kind in kinds]
    if found:
        lines.append("The messages themselves are kept: `python -m ingest dead-letters`.")
    return Answer(items, lines or ["no security events"])
