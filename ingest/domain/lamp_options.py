"""After a repair: clear the codes, or let the MIL go out on its own? Both, with dates and chances.

Clearing puts the MIL out at once, sets every monitor back and leaves permanent codes. Not clearing
keeps what is complete and needs three driving cycles in which the code's own monitor ran and
passed (13 CCR 1968.2 (d)(2.3); B / from memory); for misfire and fuel-system codes under conditions
similar to the freeze frame (375 rpm, 20 % load, same warm-up state; from memory). Waits are
beta-binomial (`completion`), driving cycles by a date negative binomial (`driving_rate`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from gateway.facts import FULL_NAMES, Monitor
from ingest.domain.completion import Beta
from ingest.domain.driving_rate import Outlook
from ingest.domain.forecast import chance_words
from ingest.domain.order_statistics import chance_of_enough

Floats = npt.NDArray[np.float64]
GOOD_CYCLES = 3
MOST_CYCLES = 400
MISSES = 0.5
"""An option with less than this chance by the due date is taken to miss it (X)."""
CLOSE = 0.05
"""Chances so near each other: keep what is complete, do not clear (X)."""
SIMILAR = Beta(2, 4, "similar conditions in a driving cycle: assumption, no source")


@dataclass(frozen=True, slots=True)
class Option:
    """One way: days from now to ready with lamp out at 50 % and 90 % (None: not within the
    outlook), the chance by the due date, and what it brings with it.
    """

    name: str
    days_50: float | None
    days_90: float | None
    chance: float
    brings: tuple[str, ...]

    @property
    def chance_words(self) -> str:
        """The chance in percent."""
        return chance_words(self.chance)


@dataclass(frozen=True, slots=True)
class Advice:
    """Both options and the recommendation: 'clear', 'wait' or none, with its reason."""

    options: tuple[Option, Option]
    recommended: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class AfterClear:
    """What a program asks of a vehicle whose codes were cleared, beside its monitors.

    `permanent_counts`: a permanent code fails it, and stays until its monitor has run and passed.
    `warm_ups`: the least since the clear, at most one in a driving cycle. `words` say both.
    """

    permanent_counts: bool = False
    warm_ups: int = 0
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Situation:
    """What the choice rests on. `waiting` are the monitors not complete; `all_monitors` those the
    program counts. `code_monitor` is the code's own; None for one that runs all the time.
    """

    chances: Mapping[Monitor, Beta]
    all_monitors: Sequence[Monitor]
    waiting: Sequence[Monitor]
    allowed: int
    code_monitor: Monitor | None
    repaired: bool
    frame_saved: bool
    after_clear: AfterClear = AfterClear()


def choose(at_hand: Situation, outlook: Outlook, shape: float, due_days: float) -> Advice:
    """Weigh both for an inspection `due_days` ahead; `shape` is that of the driving rate's level.

    Raises ValueError for a monitor without a chance.
    """
    missing = [one for one in at_hand.all_monitors if one not in at_hand.chances]
    if missing:
        raise ValueError(f"chances: none of {', '.join(missing)}, expected one for each monitor")
    ready = _ready_after_clear(at_hand)
    waiting = _ready(at_hand, at_hand.waiting) * _lamp_out(at_hand)
    names = ", ".join(FULL_NAMES[one] for one in at_hand.all_monitors)
    clear = _option(
        "clear the codes", ready, outlook, shape, due_days,
        ("The MIL goes out at once.", f"Set back to not complete: {names}.",
         "Permanent codes stay until the ECU erases them.", *at_hand.after_clear.words),
    )  # fmt: skip
    like = "" if at_hand.code_monitor else " under conditions like those of the freeze frame"
    wait = _option(
        "let the MIL go out on its own", waiting, outlook, shape, due_days,
        ("Complete monitors stay complete.",
         f"Needs {GOOD_CYCLES} driving cycles in which the monitor runs and passes{like}."),
    )  # fmt: skip
    return Advice((clear, wait), *_recommend(at_hand, clear, wait))


def _ready(at_hand: Situation, monitors: Sequence[Monitor]) -> Floats:
    """Chance that all but the allowed are complete after 0, 1, ... driving cycles."""
    steps = np.arange(MOST_CYCLES + 1)
    done = [1 - at_hand.chances[one].survival(steps) for one in monitors]
    return np.array(
        [chance_of_enough([float(one[n]) for one in done], at_hand.allowed) for n in steps]
    )


def _ready_after_clear(at_hand: Situation) -> Floats:
    """The same with every monitor set back; the code's own cannot be one of those allowed where
    its permanent code counts (erased once it has run and passed: 13 CCR 1968.2 (d)(2.5); A* / M).
    """
    rule, monitor = at_hand.after_clear, at_hand.code_monitor
    others = [one for one in at_hand.all_monitors if one != monitor]
    if not rule.permanent_counts:
        ready = _ready(at_hand, at_hand.all_monitors)
    else:
        erased = SIMILAR if monitor is None else at_hand.chances[monitor]
        ready = _ready(at_hand, others) * (1 - erased.survival(np.arange(MOST_CYCLES + 1)))
    ready[: rule.warm_ups] = 0.0
    return ready


def _lamp_out(at_hand: Situation) -> Floats:
    """Chance of three good driving cycles of the code's monitor after 0, 1, ... cycles."""
    monitor = at_hand.code_monitor
    one = SIMILAR if monitor is None else at_hand.chances[monitor]
    steps = np.arange(MOST_CYCLES + 1)
    return np.asarray(stats.betabinom.sf(GOOD_CYCLES - 1, steps, one.a, one.b), dtype=np.float64)


def _by(days: float, ready: Floats, outlook: Outlook, shape: float) -> float:
    """Chance of being ready by so many days: over the driving cycles done by then."""
    mean = float(outlook.done(days))
    if mean <= 0:
        return float(ready[0])
    steps = np.arange(MOST_CYCLES + 1)
    weights = stats.nbinom.pmf(steps, shape, shape / (shape + mean))
    beyond = max(0.0, 1 - float(weights.sum()))
    return float(np.sum(weights * ready) + beyond * ready[-1])


def _option(
    name: str,
    ready: Floats,
    outlook: Outlook,
    shape: float,
    due_days: float,
    brings: tuple[str, ...],
) -> Option:
    days = np.arange(0.0, float(outlook.at[-1]) + 0.5, 0.5)
    chances = [_by(float(day), ready, outlook, shape) for day in days]

    def first(chance: float) -> float | None:
        return next((float(d) for d, c in zip(days, chances, strict=True) if c >= chance), None)

    return Option(name, first(0.5), first(0.9), _by(due_days, ready, outlook, shape), brings)


def _recommend(at_hand: Situation, clear: Option, wait: Option) -> tuple[str | None, str]:
    if not at_hand.repaired:
        return None, "No repair is recorded: repair first, and do not clear codes."
    if max(clear.chance, wait.chance) < MISSES:
        return None, (
            "Neither way is likely to make the due date: ask the inspection authority for more "
            "time, or test later."
        )
    said = f"{clear.chance_words} with clearing, {wait.chance_words} without, by the due date"
    if wait.chance >= clear.chance - CLOSE:
        return "wait", f"Do not clear: {said}; complete monitors stay complete."
    if not at_hand.frame_saved:
        return None, f"{said}; but no freeze frame is saved, and clearing would erase it."
    return "clear", f"Clear after the repair: {said}."
