"""Monitor test results of service 06 in words: names by id, and what the ECU's limits say."""

from __future__ import annotations

from gateway.contract import MonitorResult
from gateway.facts import MONITOR_TEST_NAMES, TEST_NAMES

PASSED = "passed"
FAILED = "failed"
NOT_RUN = "not run since codes were cleared"


def monitor_name(monitor_id: int) -> str:
    """The full name of an on-board monitor id, or the id in hex where it has none."""
    return MONITOR_TEST_NAMES.get(monitor_id) or f"monitor id {monitor_id:02X}"


def name_of_test(test_id: int) -> str:
    """The name of a test id; those from 80 on are the maker's own (SAE J1979, from memory)."""
    return TEST_NAMES.get(test_id) or f"test id {test_id:02X}"


def outcome(result: MonitorResult) -> str:
    """Whether a test passed, failed, or has not run since codes were cleared."""
    if result.passed is True:
        return PASSED
    return FAILED if result.passed is False else NOT_RUN
