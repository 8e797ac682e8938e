"""How a bench tells what it measured: on the screen, and in its file of results."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "bench" / "results"


def keep(name: str, found: Mapping[str, object]) -> None:
    """Print the figures, and write them to `name`.json."""
    (FOLDER / f"{name}.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    for what, value in found.items():
        print(f"{what:>32}  {value}")
