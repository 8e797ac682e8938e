"""Which driving cycles count: the general denominator, the warm-up and the evaporative start.

Conditions of 13 CCR 1968.2 (d)(4.3) and (d)(2.4), from memory unless a constant says otherwise;
Fahrenheit, miles and feet of the rule are converted once, here. Each judgment is met, not met or
cannot tell (None): a figure that the vehicle did not give never counts against it or for it, and a
sum over a cycle that was observed in part is at least so much: it can be met, and where the rest of
the cycle could have met it, it is not said to have failed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gateway.facts import Monitor
from ingest.domain.cycles import Cycle


def _c(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


RUN_S = 600.0  # (d)(4.3.2)(B); M
FAST_S = 300.0  # at 25 mph or more; M. The gateway counts from 40 km/h, 0.2 km/h below it.
IDLE_S = 30.0  # M
COLDEST_C = _c(20)  # M
LOWEST_KPA = 75.26  # 8,000 ft (M) in the US Standard Atmosphere 1976; X
MILD_C = (_c(40), _c(95))  # ambient and coolant at start, evaporative denominator; M
COLD_START_K = 12 / 1.8  # coolant above ambient; M. UN R83 2.27 has 7 K (A*, proposal)
WARM_UP_RISE_K = 22.0  # 40 degF; B
WARM_UP_PEAK_C = {False: 71.0, True: 60.0}  # spark: 160 degF, B; compression: 140 degF, M


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition judged: its name, whether it was met, and the figures in words."""

    name: str
    met: bool | None
    words: str


@dataclass(frozen=True, slots=True)
class Judgment:
    """Whether a driving cycle counts, with every condition it was judged by."""

    conditions: tuple[Condition, ...]

    @property
    def met(self) -> bool | None:
        """False if any condition failed, None if one cannot be told, else True."""
        said = [condition.met for condition in self.conditions]
        return False if False in said else None if None in said else True

    @property
    def failed(self) -> tuple[str, ...]:
        """The names of the conditions that were not met."""
        return tuple(one.name for one in self.conditions if one.met is False)


def _judge(
    name: str, value: float | None, test: Callable[[float], bool], wanted: str, unit: str
) -> Condition:
    if value is None:
        return Condition(name, None, f"not given (wanted {wanted} {unit})")
    return Condition(name, test(value), f"{value:g} {unit} (wanted {wanted} {unit})")


def _at_least(
    name: str, value: float | None, limit: float, unit: str, unseen: float | None = None
) -> Condition:
    """`unseen` is by how much the value may be too low, None where it is exact."""
    wanted = f"{limit:.4g} or more"
    if value is not None and unseen and value < limit <= value + unseen:
        words = f"at least {value:g} {unit}, observed in part (wanted {wanted} {unit})"
        return Condition(name, None, words)
    return _judge(name, value, lambda one: one >= limit, wanted, unit)


def _within(name: str, value: float | None, span: tuple[float, float], unit: str) -> Condition:
    low, high = span
    return _judge(name, value, lambda one: low <= one <= high, f"{low:.3g} to {high:.3g}", unit)


def general_denominator(cycle: Cycle) -> Judgment:
    """Whether the cycle moves the general denominator of the in-use ratio.

    Altitude is judged by barometric pressure. Where the vehicle itself said that its denominator
    moved (or did not), that is the answer and nothing else is judged.
    """
    if cycle.denominator_moved is not None:
        said = Condition("denominator", cycle.denominator_moved, "as the vehicle's counter says")
        return Judgment((said,))
    return Judgment(general_conditions(cycle))


def general_conditions(cycle: Cycle) -> tuple[Condition, ...]:
    """The conditions of the general denominator, each judged by the cycle's figures."""
    unseen = cycle.unobserved_s
    return (
        _at_least("run time", cycle.engine_on_s, RUN_S, "s", unseen),
        _at_least("time at speed", cycle.seconds_at_or_above_40_kmh, FAST_S, "s", unseen),
        _at_least("idle", cycle.longest_idle_s, IDLE_S, "s", unseen),
        _at_least("ambient", cycle.ambient_c, COLDEST_C, "°C"),
        _at_least("pressure", cycle.barometric_kpa, LOWEST_KPA, "kPa"),
    )


def warm_up(cycle: Cycle, *, compression: bool = False) -> Judgment:
    """Whether the cycle is a warm-up cycle: coolant rises 22 K and reaches 71 degC (60 diesel)."""
    if cycle.warm_up is False and cycle.unobserved_s:
        words = "not as far as the cycle was observed"
        return Judgment((Condition("warm-up", None, words),))
    if cycle.warm_up is not None:
        return Judgment((Condition("warm-up", cycle.warm_up, "as the gateway saw it"),))
    start, peak = cycle.coolant_start_c, cycle.coolant_peak_c
    rise = None if start is None or peak is None else peak - start
    return Judgment(
        (
            _at_least("coolant rise", rise, WARM_UP_RISE_K, "K"),
            _at_least("coolant peak", peak, WARM_UP_PEAK_C[compression], "°C"),
        )
    )


def evaporative_start(cycle: Cycle) -> Judgment:
    """Whether the start suits the evaporative monitor: mild ambient, cold and mild coolant."""
    start, ambient = cycle.coolant_start_c, cycle.ambient_c
    above = None if start is None or ambient is None else start - ambient
    return Judgment(
        (
            _within("ambient", ambient, MILD_C, "°C"),
            _within("coolant at start", start, MILD_C, "°C"),
            _judge(
                "cold soak",
                above,
                lambda one: one <= COLD_START_K,
                f"at most {COLD_START_K:.3g} above ambient,",
                "K",
            ),
        )
    )


def evaporative_denominator(cycle: Cycle) -> Judgment:
    """Whether the cycle moves the evaporative denominator: the general one and a suited start."""
    return Judgment((*general_conditions(cycle), *evaporative_start(cycle).conditions))


def counts_for(monitor: Monitor, cycle: Cycle) -> Judgment:
    """Whether the cycle is an opportunity for a monitor, by the rule's own denominators."""
    if monitor is Monitor.EVAPORATIVE_SYSTEM:
        return evaporative_denominator(cycle)
    return general_denominator(cycle)


def opportunities(monitor: Monitor, cycles: Iterable[Cycle]) -> tuple[int, int, int]:
    """(met, not met, cannot tell) over cycles: three counts, never folded into two."""
    said = [counts_for(monitor, cycle).met for cycle in cycles]
    return said.count(True), said.count(False), said.count(None)
