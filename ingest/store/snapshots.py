"""What the two ways of taking a backup have in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from ingest.store.contents import TableSum


class BackupRefused(Exception):
    """A backup cannot be used, or would overwrite something; nothing was changed."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One state of a database: its data in a file, its edition, and the sums of its tables."""

    data: Path
    revision: str
    tables: Mapping[str, TableSum]


class Way(Protocol):
    """How one kind of database is taken into a file and put back."""

    MEMBER: str

    def take(self, url: str, folder: Path) -> Snapshot:
        """Copy the running database into a file called `MEMBER` in `folder`, and check the copy."""
        ...

    def workplace(self, url: str) -> Path | None:
        """Where the data of a restore is unpacked; None for the system's own place."""
        ...

    def put(self, url: str, snapshot: Snapshot, now: datetime, *, overwrite: bool) -> str | None:
        """Put a snapshot in the place of the database; return where the old one was put."""
        ...


def aside_mark(now: datetime) -> str:
    """What the name of a database put aside ends in."""
    return f"before_restore_{now:%Y%m%dt%H%M%Sz}"
