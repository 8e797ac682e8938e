"""How a bench tells what it measured: on the screen, and in its file of results."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "bench" / "results"


def file_of(name: str, database: str = "sqlite") -> Path:
    """Where the results of `name` are kept, for each kind of database its own."""
    return FOLDER / f"{name}{'' if database == 'sqlite' else f'-{database}'}.json"


def keep(name: str, found: Mapping[str, object], database: str = "sqlite") -> None:
    """Print the figures, and write them to their file."""
    text = json.dumps(found, indent=1) + "\n"
    file_of(name, database).write_text(text, encoding="utf-8")
    for what, value in found.items():
        print(f"{what:>32}  {value}")
