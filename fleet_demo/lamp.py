"""When a code is pending, confirmed and permanent, and when the lamp is on.

Two-driving-cycle logic of 13 CCR 1968.2(d)(2), read from several makers' manuals (B) and from
memory; each rule names its part. One step is one driving cycle in which the caller says which
monitors ran and which faults were found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

GOOD_CYCLES = 3
"""Passing cycles of the monitor, one after another, that put the lamp out (d)(2.3); B."""
ERASING_WARM_UPS = 40
"""Warm-up cycles with the lamp out for it after which a code is erased (d)(2.4); B."""


@dataclass(slots=True)
class CodeState:
    """One code in one controller."""

    code: str
    monitor: str
    pending: bool = True
    confirmed: bool = False
    lamp: bool = False
    good_cycles: int = 0
    warm_ups: int = 0


@dataclass(slots=True)
class PermanentCode:
    """A code no tool can clear. `cleared` = somebody cleared the codes since it was stored."""

    code: str
    monitor: str
    continuous: bool
    cleared: bool = False
    failed_since_clear: bool = False
    counted_since_clear: bool = False


@dataclass(slots=True)
class CodeMemory:
    """The codes of one controller, and how a driving cycle changes them."""

    keeps_permanent: bool = True
    codes: dict[str, CodeState] = field(default_factory=dict)
    permanent: dict[str, PermanentCode] = field(default_factory=dict)

    def lamp_on(self) -> bool:
        """True while any confirmed code asks for the lamp."""
        return any(state.lamp for state in self.codes.values())

    def confirmed(self) -> list[str]:
        """Codes of service 03, in the order they were first seen."""
        return [state.code for state in self.codes.values() if state.confirmed]

    def pending(self) -> list[str]:
        """Codes of service 07, in the order they were first seen."""
        return [state.code for state in self.codes.values() if state.pending]

    def clear(self) -> None:
        """What a tool's clear does: all codes go, the permanent ones stay ((d)(2.2.5); C)."""
        self.codes.clear()
        for kept in self.permanent.values():
            kept.cleared = True
            kept.failed_since_clear = kept.counted_since_clear = False

    def end_cycle(
        self,
        ran: Mapping[str, bool],
        found: Iterable[tuple[str, str]],
        *,
        warm_up: bool,
        counted: bool,
    ) -> None:
        """Take in one driving cycle.

        `ran` maps the monitors that ran to whether they are continuous; `found` lists (code,
        monitor) of the faults those runs met; `counted` = the everyday 600 s pattern was met.
        """
        failing = dict(found)
        if warm_up:
            self._count_warm_up(failing)
        for code, monitor in failing.items():
            self._failed(code, monitor, continuous=ran[monitor])
        for state in list(self.codes.values()):
            if state.monitor in ran and state.code not in failing:
                self._passed(state)
        for kept in list(self.permanent.values()):
            self._judge_permanent(kept, ran, failing, counted=counted)

    def _failed(self, code: str, monitor: str, *, continuous: bool) -> None:
        state = self.codes.get(code)
        if state is None:
            self.codes[code] = CodeState(code, monitor)
            return
        if state.pending:  # the second consecutive cycle in which the monitor ran (d)(2.2.2)
            state.confirmed = state.lamp = True
            if self.keeps_permanent:  # stored anew: an earlier clear no longer matters
                self.permanent[code] = PermanentCode(code, monitor, continuous)
        state.pending = True
        state.good_cycles = state.warm_ups = 0

    def _passed(self, state: CodeState) -> None:
        state.pending = False
        if not state.confirmed:
            del self.codes[state.code]
            return
        if not state.lamp:
            return
        state.good_cycles += 1
        if state.good_cycles >= GOOD_CYCLES:
            state.lamp = False
            kept = self.permanent.get(state.code)
            if kept is not None and not kept.cleared:
                del self.permanent[state.code]  # (d)(2.5.1)

    def _count_warm_up(self, failing: Mapping[str, str]) -> None:
        for state in list(self.codes.values()):
            if state.confirmed and not state.lamp and state.code not in failing:
                state.warm_ups += 1
                if state.warm_ups >= ERASING_WARM_UPS:
                    del self.codes[state.code]

    def _judge_permanent(
        self,
        kept: PermanentCode,
        ran: Mapping[str, bool],
        failing: Mapping[str, str],
        *,
        counted: bool,
    ) -> None:
        if not kept.cleared:
            return
        kept.failed_since_clear |= kept.code in failing
        kept.counted_since_clear |= counted
        if kept.monitor not in ran or kept.code in failing:
            return
        state = self.codes.get(kept.code)
        if state is not None and state.lamp:
            return  # it asks for the lamp again: only the three good cycles help
        # (d)(2.5.2)(A) for a monitor with a ratio, (B) for one without (from memory)
        if not kept.continuous or (kept.counted_since_clear and not kept.failed_since_clear):
            del self.permanent[kept.code]
