"""How much of one gateway is taken at once: a burst, then a steady rate. Time is an argument."""

from __future__ import annotations

from dataclasses import dataclass, field

REPORTS_A_SECOND = 1.0
BURST = 600
"""A month without coverage, at 18 reports a day, is 540: a gateway that comes back is not slowed
down (6 ignition cycles a day with 3 reports each; an assumption of this project)."""
REMEMBERED = 10_000


@dataclass(slots=True)
class RateLimit:
    """One allowance a gateway; one that was not heard of for long has all of it."""

    rate: float = REPORTS_A_SECOND
    burst: int = BURST
    _left: dict[str, tuple[float, float]] = field(default_factory=dict)  # allowance, as of seconds

    def take(self, name: str, now_s: float) -> bool:
        """Whether one more of `name` is within its allowance at `now_s`; if so, it is used."""
        left = self._allowance(name, now_s)
        within = left >= 1
        self._left[name] = (left - 1 if within else left, now_s)
        if len(self._left) > REMEMBERED:
            self._forget(now_s)
        return within

    def _allowance(self, name: str, now_s: float) -> float:
        left, then_s = self._left.get(name, (float(self.burst), now_s))
        return min(float(self.burst), left + max(0.0, now_s - then_s) * self.rate)

    def _forget(self, now_s: float) -> None:
        """Whoever has nearly all of the allowance back is as good as new."""
        known = sorted(self._left, key=lambda name: self._allowance(name, now_s))
        self._left = {name: self._left[name] for name in known[: REMEMBERED // 2]}
