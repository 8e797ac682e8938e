"""The two-driving-cycle logic as a table of cycles.

Rules: 13 CCR 1968.2(d)(2.2) to (2.5): two cycles and three good cycles read in several makers'
manuals (B), 40 warm-ups in manuals (B), permanent codes partly from memory.
"""

from __future__ import annotations

import pytest

from fleet_demo.lamp import CodeMemory

CODE, MONITOR = "P0420", "catalyst"


def drive(
    memory: CodeMemory,
    cycles: str,
    *,
    continuous: bool = False,
    warm_up: bool = False,
    counted: bool = True,
) -> None:
    """B = the monitor ran and failed, G = ran and passed, - = did not run."""
    for cycle in cycles:
        ran = {} if cycle == "-" else {MONITOR: continuous}
        found = [(CODE, MONITOR)] if cycle == "B" else []
        memory.end_cycle(ran, found, warm_up=warm_up, counted=counted)


TABLE = [
    # cycles, pending, confirmed, permanent, lamp
    ("", False, False, False, False),
    ("B", True, False, False, False),
    ("BG", False, False, False, False),
    ("B-", True, False, False, False),
    ("BGB", True, False, False, False),
    ("BB", True, True, True, True),
    ("B--B", True, True, True, True),
    ("BBG", False, True, True, True),
    ("BBGG", False, True, True, True),
    ("BBGGG", False, True, False, False),
    ("BBGG-G", False, True, False, False),
    ("BBGGBG", False, True, True, True),
    ("BBGGBGG", False, True, True, True),
    ("BBGGBGGG", False, True, False, False),
    ("BBGGGB", True, True, False, False),
    ("BBGGGBB", True, True, True, True),
]


@pytest.mark.parametrize(
    "cycles, pending, confirmed, permanent, lamp", TABLE, ids=[row[0] or "new" for row in TABLE]
)
def test_lamp_logic(
    cycles: str, pending: bool, confirmed: bool, permanent: bool, lamp: bool
) -> None:
    memory = CodeMemory()
    drive(memory, cycles)
    assert (CODE in memory.pending()) is pending
    assert (CODE in memory.confirmed()) is confirmed
    assert (CODE in memory.permanent) is permanent
    assert memory.lamp_on() is lamp


@pytest.mark.parametrize("warm_ups, stays", [(39, True), (40, False), (41, False)])
def test_a_code_is_erased_after_forty_warm_ups_with_the_lamp_out(
    warm_ups: int, stays: bool
) -> None:
    memory = CodeMemory()
    drive(memory, "BBGGG", warm_up=True)
    drive(memory, "-" * warm_ups, warm_up=True)
    assert (CODE in memory.confirmed()) is stays


def test_warm_ups_do_not_count_while_the_lamp_is_on_or_the_cycle_is_none() -> None:
    memory = CodeMemory()
    drive(memory, "BB")
    drive(memory, "-" * 60, warm_up=True)
    assert memory.lamp_on()
    drive(memory, "GGG" + "G" * 60, warm_up=False)
    assert memory.confirmed() == [CODE]


AFTER_CLEAR = [
    # cycles after a clear, continuous monitor, everyday pattern met, permanent code stays
    pytest.param("", False, True, True, id="at once"),
    pytest.param("---", False, True, True, id="monitor has not run"),
    pytest.param("G", False, False, False, id="ran and passed once"),
    pytest.param("B", False, True, True, id="ran and failed"),
    pytest.param("BBGG", False, True, True, id="lamp back: two good cycles are not enough"),
    pytest.param("BBGGG", False, True, False, id="lamp back: three good cycles"),
    pytest.param("G", True, False, True, id="continuous: passed, pattern not met"),
    pytest.param("G", True, True, False, id="continuous: passed and pattern met"),
    pytest.param("BG", True, True, True, id="continuous: a failing result since the clear"),
]


@pytest.mark.parametrize("cycles, continuous, counted, stays", AFTER_CLEAR)
def test_a_permanent_code_leaves_only_by_its_monitor(
    cycles: str, continuous: bool, counted: bool, stays: bool
) -> None:
    memory = CodeMemory()
    drive(memory, "BB", continuous=continuous)
    memory.clear()
    assert memory.confirmed() == []
    assert memory.pending() == []
    drive(memory, cycles, continuous=continuous, counted=counted)
    assert (CODE in memory.permanent) is stays


def test_a_vehicle_before_permanent_codes_keeps_none() -> None:
    memory = CodeMemory(keeps_permanent=False)
    drive(memory, "BB")
    assert memory.lamp_on()
    assert not memory.permanent
