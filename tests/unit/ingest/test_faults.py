"""The slow checker against the golden reports: it agrees with the decoder and names every fault."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway import contract
from ingest.faults import MAX_FAULTS, report_faults

GOLDEN = Path(__file__).parents[2] / "golden" / "contract" / "v1"
REPORTS = sorted([*GOLDEN.glob("report.*.json"), *GOLDEN.glob("bad-report.*.json")])


def _accepted(body: bytes) -> bool:
    try:
        contract.decode_report(body)
    except contract.ContractError:
        return False
    return True


@pytest.mark.parametrize("path", REPORTS, ids=lambda p: p.name)
def test_both_readers_agree_on_accept_or_refuse(path: Path) -> None:
    body = path.read_bytes()

    assert (report_faults(body) == []) == _accepted(body)
    assert _accepted(body) == path.name.startswith("report.")


def test_three_faults_are_named_with_field_value_and_expectation() -> None:
    faults = report_faults((GOLDEN / "bad-report.three-faults.json").read_bytes())

    assert faults == [
        "ecus.7E8.code_count: 200, expected at most 127",
        "fuel_type: 900, expected at most 255",
        "seq: 0, expected at least 1",
    ]


def _good() -> dict[str, Any]:
    good: dict[str, Any] = json.loads((GOLDEN / "report.key-on-two-ecus.json").read_text())
    return good


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        pytest.param({"gateway": "GW-1"}, ["gateway", "GW-1", "expected"], id="gateway"),
        pytest.param({"reason": "bored"}, ["reason", "bored", "key_on"], id="reason"),
        pytest.param({"clock": None}, ["clock", "null"], id="null clock"),
        pytest.param({"dropped": [[9, 3]]}, ["dropped", "[9, 3]"], id="dropped reversed"),
        pytest.param({"part": [3, 2]}, ["part", "[3, 2]"], id="part"),
        pytest.param({"ecus": {"123": {}}}, ["123"], id="ecu id"),
        pytest.param(
            {"taken_at": "2026-02-30T00:00:00.000Z"}, ["taken_at", "02-30", "exist"], id="date"
        ),
        pytest.param({"ecus": {"7E8": {"pending": None}}}, ["pending", "null"], id="null list"),
    ],
)
def test_one_fault_is_named(change: dict[str, Any], parts: list[str]) -> None:
    faults = report_faults(json.dumps(_good() | change).encode())

    assert faults
    assert all(any(part in fault for fault in faults) for part in parts), faults


@pytest.mark.parametrize(
    ("size", "refused"),
    [(contract.MAX_BODY - 1, False), (contract.MAX_BODY, False), (contract.MAX_BODY + 1, True)],
    ids=["just below", "at", "just above"],
)
def test_a_body_is_refused_only_above_the_limit(size: int, refused: bool) -> None:
    body = (GOLDEN / "report.key-on-two-ecus.json").read_bytes()

    assert bool(report_faults(body + b" " * (size - len(body)))) == refused


@pytest.mark.parametrize(
    "body",
    [b"", b"\xff\xfe", b"[]", b"null", b"NaN", b"[" * 5000, b'{"schema":"report/1"'],
    ids=["empty", "not UTF-8", "list", "null", "NaN", "deep", "cut"],
)
def test_what_is_not_a_report_at_all_gets_a_reason(body: bytes) -> None:
    assert report_faults(body)


def test_a_flood_of_faults_is_cut_with_the_count() -> None:
    body = json.dumps(_good() | {"dropped": [[2, 1]] * 200}).encode()

    faults = report_faults(body)

    assert len(faults) <= MAX_FAULTS + 1


@given(
    field=st.sampled_from(sorted(_good())),
    value=st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.lists(st.integers())
    ),
)
@settings(max_examples=300, deadline=None)
def test_any_field_replaced_by_anything_both_readers_agree(field: str, value: Any) -> None:
    body = json.dumps(_good() | {field: value}).encode()

    assert (report_faults(body) == []) == _accepted(body)
