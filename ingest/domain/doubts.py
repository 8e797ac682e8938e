"""What a doubt about a vehicle says: one thing that does not fit, and what to look at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "software",
    "vin",
    "unrecorded_clear",
    "odometer",
    "counter",
    "fuel",
    "gvwr",
    "obd_type",
    "clock",
]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that does not fit. `at` (epoch ms) is when it was seen; None: it stands now."""

    kind: Kind
    at: int | None
    text: str
    look_at: str
