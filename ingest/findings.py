"""What a start-up check found of one part."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found of one part; `todo` says what to do where it is not good.

    `there` is False where the part could not be reached at all, so that nothing else is known.
    """

    part: str
    good: bool
    found: str
    todo: str = ""
    there: bool = True

    def __str__(self) -> str:
        line = f"{'good' if self.good else 'FAULT':5}  {self.part}: {self.found}"
        return f"{line}\n       do: {self.todo}" if self.todo and not self.good else line
