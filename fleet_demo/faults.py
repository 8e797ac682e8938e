"""The faults a simulated vehicle can have: code, the monitor that finds it, what it holds up.

Meanings are our own short wording, paraphrased from memory of SAE J2012 and not line-checked.
What a fault holds up: common practice, no source, except the catalyst part, which follows one
maker's workshop list of conditions (C).
"""

from __future__ import annotations

from dataclasses import dataclass

from fleet_demo import monitors as m

SPARK = "spark"
COMPRESSION = "compression"
BOTH = "both"
_SYSTEMS = {"P": 0, "C": 1, "B": 2, "U": 3}


@dataclass(frozen=True, slots=True)
class Fault:
    """One possible fault. `blocks` names the monitors that cannot run while its code stands."""

    code: str
    meaning: str
    monitor: str
    ignition: str
    blocks: tuple[str, ...] = ()

    def fits(self, ignition: str) -> bool:
        """True when a vehicle of this ignition type can have the fault."""
        return self.ignition in (BOTH, ignition)


FAULTS: dict[str, Fault] = {
    fault.code: fault
    for fault in (
        Fault(
            "P0101",
            "air flow reading implausible",
            m.COMPONENTS,
            BOTH,
            (m.CATALYST, m.EVAPORATIVE, m.OXYGEN_SENSOR, m.EXHAUST_SENSOR, m.EGR_VVT),
        ),
        Fault("P0128", "coolant warms too slowly", m.COMPONENTS, BOTH, (m.CATALYST,)),
        Fault("P0133", "upstream oxygen sensor slow", m.OXYGEN_SENSOR, SPARK, (m.CATALYST,)),
        Fault(
            "P0135",
            "upstream oxygen sensor heater weak",
            m.OXYGEN_SENSOR_HEATER,
            SPARK,
            (m.OXYGEN_SENSOR, m.CATALYST),
        ),
        Fault("P0171", "mixture too lean", m.FUEL_SYSTEM, SPARK, (m.CATALYST,)),
        Fault("P0299", "boost below target", m.BOOST, COMPRESSION),
        Fault("P0300", "misfire on changing cylinders", m.MISFIRE, BOTH, (m.CATALYST,)),
        Fault("P0401", "too little exhaust gas recirculated", m.EGR_VVT, BOTH),
        Fault("P0420", "catalyst stores too little oxygen", m.CATALYST, SPARK),
        Fault("P0442", "small fuel vapor leak", m.EVAPORATIVE, SPARK),
        Fault("P0455", "large fuel vapor leak", m.EVAPORATIVE, SPARK),
        Fault("P0715", "input shaft speed signal faulty", m.COMPONENTS, BOTH),
        Fault("P20EE", "catalyst converts too little nitrogen oxide", m.NOX, COMPRESSION),
        Fault(
            "P2201", "nitrogen oxide sensor implausible", m.EXHAUST_SENSOR, COMPRESSION, (m.NOX,)
        ),
        Fault("P2463", "particulate filter loaded with soot", m.PM_FILTER, COMPRESSION),
    )
}


def code_bytes(code: str) -> bytes:
    """Return the two bytes of a five-character code: letter, digit 0-3, three hex digits.

    SAE J1979 / J2012 coding (B): "P0143" is 01 43, "U0158" is C1 58.
    """
    value = _SYSTEMS[code[0]] << 14 | int(code[1]) << 12 | int(code[2:], 16)
    return value.to_bytes(2, "big")
