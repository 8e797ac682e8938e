"""Values that make no sense: rules as data, each with its basis.

A rule judges a `View`: the values of one reading by name (`ReadResult.values` and
`ReadResult.live` together), earlier readings of the same driving cycle, and how long the vehicle
stood before. A rule whose values are missing says nothing. None of this is a diagnosis: it says
where to look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from gateway.contract import Implausible

PRACTICE = "common practice, no source"
ENDS_OF_RANGE = "SAE J1979 as tabulated (B): the ends of the range; their cause is common practice"
WARM_UP = "71 degC from workshop manuals' warm-up cycle (B); 20 minutes are common practice"

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class View:
    """What a rule may look at. `earlier` is oldest first; `soak_s` None = not known."""

    now: Values
    earlier: Sequence[Values] = ()
    soak_s: float | None = None

    def latest(self, readings: int, *names: str) -> list[Values]:
        """The last readings that hold all these values, now included; at most so many."""
        held = [
            values for values in (*self.earlier, self.now) if all(name in values for name in names)
        ]
        return held[-readings:]


@dataclass(frozen=True, slots=True)
class Rule:
    """`judge` returns what makes no sense, None where all is well; `needs` must be present."""

    name: str
    needs: tuple[str, ...]
    basis: str
    judge: Callable[[View], str | None]


def implausible(
    now: Values, earlier: Sequence[Values] = (), soak_s: float | None = None
) -> list[Implausible]:
    """Judge one reading by every rule; `earlier` are readings of this driving cycle."""
    view = View(now, earlier, soak_s)
    return [
        Implausible(rule=rule.name, text=text, basis=rule.basis)
        for rule in RULES
        if all(name in now for name in rule.needs) and (text := rule.judge(view)) is not None
    ]


# ------------------------------------------------------------------------------------ the rules

COLD_SOAK_S = 8 * 3600
"""After this long without running, coolant and air have come to one temperature."""
COLD_SOAK_DIFFERENCE_C = 20.0
JUST_STARTED_S = 60.0
WARM_AFTER_S, WARM_C, TOO_COLD_TO_JUDGE_C = 20 * 60, 71.0, -10.0
STUCK_READINGS = 20
"""Readings that must be the same to call a sensor stuck, while the engine speed moves."""
STUCK_ENGINE_SPAN_RPM = 1000.0
RUNNING_RPM = 400.0
COLDEST_C, HOTTEST_C = -40.0, 140.0
STANDING_PRESSURE_KPA = 10.0


def _cold_soak(other: str, title: str) -> Rule:
    def judge(view: View) -> str | None:
        if view.soak_s is None or view.soak_s < COLD_SOAK_S:
            return None
        if view.now.get("engine_run_s", 0.0) > JUST_STARTED_S:
            return None
        coolant, air = view.now["coolant_c"], view.now[other]
        if abs(coolant - air) <= COLD_SOAK_DIFFERENCE_C:
            return None
        hours = view.soak_s / 3600
        return (
            f"Coolant {coolant:.0f} degC against {title} {air:.0f} degC after {hours:.0f} h "
            "standing. A block heater explains it too."
        )

    return Rule(f"cold_soak_coolant_{other}", ("coolant_c", other), PRACTICE, judge)


def _stuck(name: str, title: str) -> Rule:
    def judge(view: View) -> str | None:
        readings = view.latest(STUCK_READINGS, name, "engine_speed_rpm")
        speeds = [values["engine_speed_rpm"] for values in readings]
        moved = max(speeds) - min(speeds)
        if len(readings) < STUCK_READINGS or moved < STUCK_ENGINE_SPAN_RPM:
            return None
        if len({values[name] for values in readings}) > 1:
            return None
        return (
            f"{title} has read {view.now[name]:g} for {STUCK_READINGS} readings while the engine "
            f"speed moved by {moved:.0f} rpm: the sensor may be stuck."
        )

    return Rule(f"stuck_{name}", (name, "engine_speed_rpm"), PRACTICE, judge)


def _at_ends(name: str, title: str, hottest: float) -> Rule:
    def judge(view: View) -> str | None:
        value = view.now[name]
        if value <= COLDEST_C:
            return (
                f"{title} reads {value:.0f} degC, the lowest there is: as if the signal stood at "
                "its reference voltage or the wire were open."
            )
        if value >= hottest:
            return f"{title} reads {value:.0f} degC: as if the signal were shorted to ground."
        return None

    return Rule(f"ends_{name}", (name,), ENDS_OF_RANGE, judge)


def _outside(name: str, title: str, low: float, high: float, unit: str) -> Rule:
    def judge(view: View) -> str | None:
        value = view.now[name]
        if low <= value <= high:
            return None
        return f"{title} reads {value:g} {unit}, outside {low:g} to {high:g} {unit}."

    return Rule(f"outside_{name}", (name,), PRACTICE, judge)


def _thermostat(view: View) -> str | None:
    run_s, coolant = view.now["engine_run_s"], view.now["coolant_c"]
    outside = view.now.get("ambient_c", view.now.get("intake_air_c", 0.0))
    if run_s < WARM_AFTER_S or outside < TOO_COLD_TO_JUDGE_C or coolant >= WARM_C:
        return None
    if any(values.get("coolant_c", coolant) >= WARM_C for values in view.earlier):
        return None
    return (
        f"Coolant is still {coolant:.0f} degC after {run_s / 60:.0f} min of running: "
        "the thermostat may be stuck open, or the sensor reads low."
    )


def _system_voltage(view: View) -> str | None:
    volts = view.now["module_v"]
    if view.now["engine_speed_rpm"] < RUNNING_RPM:
        return None
    # 12 V and 24 V systems charge in two bands; what lies in neither is neither.
    if 12.0 <= volts <= 15.5 or 24.0 <= volts <= 31.0:
        return None
    return f"{volts:.1f} V with the engine running: charging, ground or supply wire."


def _standing_pressure(view: View) -> str | None:
    manifold, outside = view.now["manifold_pressure_kpa"], view.now["barometric_kpa"]
    if view.now["engine_speed_rpm"] > 0 or abs(manifold - outside) <= STANDING_PRESSURE_KPA:
        return None
    return (
        f"Manifold {manifold:.0f} kPa against {outside:.0f} kPa outside with the engine standing: "
        "one of the two sensors is off, or its reference voltage or ground."
    )


def _no_air(view: View) -> str | None:
    if view.now["engine_speed_rpm"] < RUNNING_RPM or view.now["mass_air_flow_g_s"] > 0:
        return None
    return "No air flow while the engine runs: as if the signal were at ground."


RULES: tuple[Rule, ...] = (
    _cold_soak("intake_air_c", "intake air"),
    _cold_soak("ambient_c", "ambient air"),
    _stuck("mass_air_flow_g_s", "Mass air flow"),
    _stuck("manifold_pressure_kpa", "Manifold pressure"),
    _stuck("engine_load_pct", "Engine load"),
    _stuck("oxygen_sensor_bank_1_sensor_1_v", "Oxygen sensor, bank 1 sensor 1,"),
    _stuck("oxygen_sensor_bank_2_sensor_1_v", "Oxygen sensor, bank 2 sensor 1,"),
    _at_ends("coolant_c", "Coolant", HOTTEST_C),
    _at_ends("intake_air_c", "Intake air", HOTTEST_C),
    _at_ends("ambient_c", "Ambient air", 80.0),
    _at_ends("oil_c", "Oil", 180.0),
    # The lowest and highest pressure of any road: about 5,500 m up, and a strong high.
    _outside("barometric_kpa", "Barometric pressure", 50.0, 110.0, "kPa"),
    Rule("thermostat_never_warm", ("engine_run_s", "coolant_c"), WARM_UP, _thermostat),
    Rule("system_voltage", ("module_v", "engine_speed_rpm"), PRACTICE, _system_voltage),
    Rule(
        "manifold_against_barometric",
        ("manifold_pressure_kpa", "barometric_kpa", "engine_speed_rpm"),
        PRACTICE,
        _standing_pressure,
    ),
    Rule("no_air_flow", ("mass_air_flow_g_s", "engine_speed_rpm"), PRACTICE, _no_air),
)
