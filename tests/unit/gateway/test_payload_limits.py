"""The limits of a report: size, depth, and the count of everything that can be many.

Each limit of the JSON Schema is tried at itself and one above; both readers must agree, and the
slow one must name the field.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from gateway import contract
from ingest.faults import report_faults
from tests.support.reports import report


def _plain() -> dict[str, Any]:
    whole: dict[str, Any] = json.loads(contract.encode(report(1, 1)))
    return whole


def _in_ecu(name: str, one: Any, change: Callable[[int], Any] = lambda _: None) -> Any:
    def build(count: int) -> dict[str, Any]:
        whole = _plain()
        whole["ecus"] = {"7E8": {name: [change(n) or one for n in range(count)]}}
        return whole

    return build


def _at_top(name: str, one: Any) -> Any:
    return lambda count: _plain() | {name: [one] * count}


_TEST = {"monitor_id": 1, "test_id": 1, "scaling_id": 1, "value": 1, "low": 0, "high": 2}
_ODD = {"rule": "a", "text": "", "basis": ""}
_LAMP = {"source": 0, "malfunction": "off", "stop": "off", "warning": "off", "protect": "off",
         "codes": []}  # fmt: skip
_COUNTS = [
    ("ecus.7E8.confirmed", 255, _in_ecu("confirmed", "P0420")),
    ("ecus.7E8.pending", 255, _in_ecu("pending", "P0420")),
    ("ecus.7E8.permanent", 255, _in_ecu("permanent", "P0420")),
    ("ecus.7E8.freeze_frames", 64, _in_ecu("freeze_frames",
                                           {"frame": 0, "code": "P0420", "values": {}})),
    ("ecus.7E8.calibrations", 16, _in_ecu("calibrations", {"id": "A"})),
    ("dropped", 1024, _at_top("dropped", [1, 1])),
    ("implausible", 64, _at_top("implausible", _ODD)),
    ("lamp_broadcasts", 64, _at_top("lamp_broadcasts", _LAMP)),
    ("evidence", 512, _at_top("evidence", {"ecu": "7E8", "request": "01", "answer": "41"})),
]  # fmt: skip


def _refused(body: bytes) -> list[str]:
    try:
        contract.decode_report(body)
    except contract.ContractError:
        return report_faults(body)
    assert report_faults(body) == []
    return []


@pytest.mark.parametrize(("field", "limit", "build"), _COUNTS, ids=[row[0] for row in _COUNTS])
def test_a_count_is_taken_at_its_limit_and_refused_one_above(
    field: str, limit: int, build: Callable[[int], dict[str, Any]]
) -> None:
    for count in (0, limit - 1, limit):
        assert _refused(json.dumps(build(count), separators=(",", ":")).encode()) == []
    (fault,) = _refused(json.dumps(build(limit + 1), separators=(",", ":")).encode())
    assert fault.startswith(field)
    assert f"at most {limit} entries" in fault


def test_every_list_of_a_report_has_a_limit() -> None:
    """A list without one could not be in the table above."""
    unlimited = []

    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            if node.get("type") == "array" and "maxItems" not in node:
                unlimited.append(path)
            for name, inner in node.items():
                walk(inner, f"{path}.{name}")
        elif isinstance(node, list):
            for number, inner in enumerate(node):
                walk(inner, f"{path}[{number}]")

    walk(contract.json_schema("report"), "report")
    assert unlimited == []


@pytest.mark.parametrize("depth", [1, 15, 16, 17, 200, 5_000, 16_000])
@pytest.mark.parametrize("field", ["not_in_the_contract", "ecus", "vin"])
def test_any_depth_is_stored_or_refused_with_a_reason_and_never_an_error(
    depth: int, field: str
) -> None:
    body = contract.encode(report(1, 1))[:-1] + f', "{field}": '.encode()
    body += b"[" * depth + b"]" * depth + b"}"

    faults = _refused(body)

    if field != "not_in_the_contract":
        assert faults


@pytest.mark.parametrize(("size", "taken"), [(-1, True), (0, True), (1, False)])
def test_the_size_is_taken_at_its_limit_and_refused_one_above(size: int, taken: bool) -> None:
    body = contract.encode(report(1, 1))
    body += b" " * (contract.MAX_BODY + size - len(body))
    assert (_refused(body) == []) == taken
