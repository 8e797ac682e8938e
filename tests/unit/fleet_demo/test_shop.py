"""The demo's shop writes down what its stories repair, and forgets one repair in four."""

from __future__ import annotations

from datetime import date

from fleet_demo.scenarios import build_fleet
from fleet_demo.shop import written_down


def test_most_repairs_are_written_down_with_whether_codes_were_cleared() -> None:
    fleet = build_fleet(60, 28, 7, end=date(2026, 11, 20))
    done = [
        (member.vehicle.unit, step.code)
        for member in fleet.members
        for step in member.story.steps
        if step.act == "repair"
    ]
    told = written_down(fleet)
    assert len(told) == len(done) - len(done) // 4
    assert {(unit, entry.codes[0]) for unit, entry in told} < set(done)
    assert {entry.codes_cleared for _, entry in told} == {True, False}
    assert [entry.at for _, entry in told] == sorted(entry.at for _, entry in told)
