"""The stored codes of a vehicle for a terminal, each with its range, its meaning and its source."""

from __future__ import annotations

from typing import Any

from ingest.domain.dictionary import Explain, Explained
from ingest.domain.picture import Picture

KINDS = ("confirmed", "pending", "permanent")


def meaning(found: Explained) -> dict[str, Any]:
    """What is known of a code as plain data; null where nothing is known."""
    return {
        "code": found.code,
        "range": found.kind.value,
        "meaning": found.text,
        "meaning_source": found.source,
    }


def codes(picture: Picture | None, said: Explain) -> dict[str, list[dict[str, Any]] | None]:
    """The codes of each kind; null for a kind of which no ECU ever answered."""
    found = {kind: picture.codes(kind) if picture is not None else None for kind in KINDS}
    return {
        kind: None if stored is None else [meaning(said(code)) for code in sorted(stored)]
        for kind, stored in found.items()
    }


def code_lines(picture: Picture | None, said: Explain) -> list[str]:
    """One line a code; a kind that was never answered says so."""
    if picture is None or picture.unread() is not None:
        return []
    lines = []
    for kind in KINDS:
        stored = picture.codes(kind)
        if stored is None:
            lines.append(f"{'':>10}{kind} codes: not answered")
        lines += [f"{'':>10}{kind} code {code}: {said(code)}" for code in sorted(stored or ())]
    return lines
