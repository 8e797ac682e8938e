"""The wire contract against its golden files (which may be added to, never edited)."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from msgspec import UNSET

from gateway import contract

GOLDEN = Path(__file__).parents[2] / "golden" / "contract" / "v1"
GOOD = sorted(
    path for path in GOLDEN.glob("*.json") if not path.name.startswith(("bad-", "schema."))
)
BAD = sorted(GOLDEN.glob("bad-report.*.json"))
DECODERS: dict[str, Callable[[bytes], contract.AnyMessage]] = {
    "report": contract.decode_report,
    "presence": contract.decode_presence,
    "receipt": contract.decode_receipt,
    "ask": contract.decode_ask,
}


def _kind(path: Path) -> str:
    return path.name.split(".")[0]


@pytest.mark.parametrize("path", GOOD, ids=lambda p: p.name)
def test_a_good_golden_message_decodes_and_survives_the_round_trip(path: Path) -> None:
    decode = DECODERS[_kind(path)]

    message = decode(path.read_bytes())

    assert decode(contract.encode(message)) == message


@pytest.mark.parametrize("path", GOOD, ids=lambda p: p.name)
def test_a_good_golden_message_cut_short_or_with_a_tail_is_refused(path: Path) -> None:
    decode, body = DECODERS[_kind(path)], path.read_bytes()

    for cut in (body[:-1], body[: len(body) // 2], b"", body + b"x"):
        with pytest.raises(contract.ContractError):
            decode(cut)


@pytest.mark.parametrize("path", GOOD, ids=lambda p: p.name)
def test_a_good_golden_message_fits_the_published_schema(path: Path) -> None:
    # JSON Schema draft 2020-12 by the jsonschema library: an independent reading of the contract.
    schema = json.loads((GOLDEN / f"schema.{_kind(path)}.json").read_text())

    assert list(Draft202012Validator(schema).iter_errors(json.loads(path.read_text()))) == []


@pytest.mark.parametrize("path", GOOD, ids=lambda p: p.name)
def test_a_time_that_does_not_exist_is_refused_in_every_field_that_holds_one(path: Path) -> None:
    # RFC 3339, 5.6 and 5.7: an hour is 00-23, a month has its own days (from memory).
    text = path.read_text("utf-8")
    times = re.findall(r'"(\w+)":"(\d{4}-\d\d-\d\dT[\d:.]+Z)"', text)
    assert times or _kind(path) == "presence"  # a last will has no time
    for name, value in times:
        for broken in (value[:11] + "25" + value[13:], value[:5] + "02-30" + value[10:]):
            with pytest.raises(contract.ContractError, match=f"{name}: .*time that exist"):
                DECODERS[_kind(path)](text.replace(value, broken).encode())


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.name)
def test_a_bad_golden_report_is_refused_with_the_fault_named(path: Path) -> None:
    with pytest.raises(contract.ContractError) as caught:
        contract.decode_report(path.read_bytes())

    assert caught.value.faults
    assert all(caught.value.faults)


@pytest.mark.parametrize("kind", ["report", "presence", "receipt", "ask"])
def test_the_published_schema_is_the_one_the_types_give(kind: contract.Kind) -> None:
    published = json.loads((GOLDEN / f"schema.{kind}.json").read_text())

    assert contract.json_schema(kind) == published


def test_silence_and_none_stay_apart() -> None:
    report = contract.decode_report((GOLDEN / "report.key-on-two-ecus.json").read_bytes())

    assert report.ecus["7E8"].pending == []
    assert report.ecus["7E9"].pending is UNSET


@pytest.mark.parametrize(
    ("gateway", "shard"), [("gw-0001", "3e"), ("gw-0002", "3a")], ids=["gw-0001", "gw-0002"]
)
def test_the_shard_is_that_of_the_published_examples(gateway: str, shard: str) -> None:
    # The rule recomputed with hashlib (FIPS 180-4).
    assert contract.shard(gateway) == shard
    assert int(hashlib.sha256(gateway.encode()).hexdigest()[-2:], 16) % 64 == int(shard, 16)


@pytest.mark.parametrize(
    "topic",
    [
        pytest.param("fleet/v1/3e/gw-0001/other", id="unknown-kind"),
        pytest.param("fleet/v2/3e/gw-0001/report", id="other-version"),
        pytest.param("fleet/v1/3f/gw-0001/report", id="wrong-shard"),
        pytest.param("fleet/v1/40/gw-0001/report", id="no-such-shard"),
        pytest.param("fleet/v1/3e/GW-0001/report", id="capitals"),
        pytest.param("fleet/v1/3e/gw-0001/report/x", id="too-deep"),
    ],
)
def test_a_topic_that_is_not_ours_is_refused(topic: str) -> None:
    with pytest.raises(contract.ContractError, match="topic"):
        contract.parse_topic(topic)


@given(st.from_regex(r"\A[a-z0-9][a-z0-9-]{0,31}\Z"), st.sampled_from(sorted(contract.SCHEMAS)))
def test_a_topic_reads_back_as_it_was_built(gateway: str, kind: contract.Kind) -> None:
    assert contract.parse_topic(contract.topic(gateway, kind)) == contract.Address(
        contract.shard(gateway), gateway, kind
    )


@pytest.mark.parametrize("lanes", [1, 2, 64])
def test_the_lanes_share_all_shards_without_overlap(lanes: int) -> None:
    seen = [f for lane in range(lanes) for f in contract.filters("report", lane, lanes)]

    assert len(set(seen)) == len(seen) == (1 if lanes == 1 else 64)


@pytest.mark.parametrize(
    ("size", "accepted"),
    [(contract.MAX_BODY, True), (contract.MAX_BODY + 1, False)],
    ids=["at-the-limit", "just-above"],
)
def test_a_report_may_be_as_large_as_the_limit_and_no_larger(size: int, accepted: bool) -> None:
    body = (GOLDEN / "report.key-on-two-ecus.json").read_bytes()
    padded = body[:-1] + b" " * (size - len(body)) + b"}"

    if accepted:
        assert contract.decode_report(padded).seq == 41
    else:
        with pytest.raises(contract.ContractError, match="32768"):
            contract.decode_report(padded)


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_garbage_is_refused_and_never_crashes(body: bytes) -> None:
    with pytest.raises(contract.ContractError):
        contract.decode_report(body)
