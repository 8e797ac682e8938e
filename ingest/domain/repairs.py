"""A recorded repair: what the shop says it did, when, by whom, and for which codes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Repair:
    """One recorded repair. `at` (epoch ms) is when the work was done; `codes` are what it was for.

    `codes_cleared` is what the technician says; None where it was not said.
    """

    at: int
    technician: str
    done: str
    codes: tuple[str, ...]
    codes_cleared: bool | None = None
    id: int | None = None
