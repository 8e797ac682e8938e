"""The slow checker: reads a refused report a second time and lists every fault it can find.

The fast decoder stops at the first fault; a dead letter names them all. Both must agree on accept
or refuse (the golden table checks that), so a body that only the fast one refuses carries its
message.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from jsonschema.protocols import Validator

from gateway import contract

MAX_FAULTS = 50
_SHOWN = 80


def report_faults(body: bytes) -> list[str]:
    """Name every fault of a report's bytes: field, value, what is expected; [] for a good one."""
    if len(body) > contract.MAX_BODY:
        return [f"body: {len(body)} bytes, expected at most {contract.MAX_BODY}"]
    try:
        document = json.loads(body.decode("utf-8"), parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        return [f"body: byte {error.start} is not UTF-8, expected JSON in UTF-8"]
    except (ValueError, RecursionError) as error:
        return [f"body: {error}, expected JSON"]
    faults = list(_schema_faults(document))
    faults += [fault for fault in _meaning_faults(document) if fault not in faults]
    if not faults:
        faults = _last_word(body)
    if len(faults) > MAX_FAULTS:
        faults = [*faults[:MAX_FAULTS], f"and {len(faults) - MAX_FAULTS} more faults"]
    return faults


def _no_constant(name: str) -> Any:
    raise ValueError(f"{name} is not JSON")


@cache
def _validator() -> Validator:
    return Draft202012Validator(contract.json_schema("report"))


def _schema_faults(document: Any) -> Iterator[str]:
    errors = (leaf for error in _validator().iter_errors(document) for leaf in _leaves(error))
    for error in sorted(errors, key=lambda e: ([str(part) for part in e.absolute_path])):
        yield from _sentence(error)


def _leaves(error: ValidationError) -> Iterator[ValidationError]:
    """Look inside a choice of types: what is wrong with the one that comes nearest."""
    branches: dict[Any, list[ValidationError]] = {}
    for inner in error.context or []:
        branches.setdefault(inner.schema_path[0], []).append(inner)
    near = [inners for inners in branches.values() if all(e.validator != "type" for e in inners)]
    if not near:
        yield error
        return
    for inner in near[0]:
        yield from _leaves(inner)


def _sentence(error: ValidationError) -> Iterator[str]:
    path = ".".join(str(part) for part in error.absolute_path)
    if error.validator == "required" and isinstance(error.instance, Mapping):
        for name in _value(error):
            if name not in error.instance:
                yield f"{path + '.' if path else ''}{name}: absent, expected to be there"
        return
    yield f"{path or 'body'}: {_show(error.instance)}, expected {_expected(error)}"


def _expected(error: ValidationError) -> str:
    value = _value(error)
    words = {
        "type": lambda: f"type {value}",
        "enum": lambda: "one of " + ", ".join(map(repr, value)),
        "const": lambda: repr(value),
        "pattern": lambda: f"text like {value}",
        "minimum": lambda: f"at least {value}",
        "maximum": lambda: f"at most {value}",
        "maxLength": lambda: f"at most {value} characters",
        "minItems": lambda: f"at least {value} entries",
        "maxItems": lambda: f"at most {value} entries",
        "anyOf": lambda: "one of " + ", ".join(_kinds(value)),
    }
    word = words.get(str(error.validator))
    return word() if word else f"what the schema says ({error.message[:_SHOWN]})"


def _value(error: ValidationError) -> Any:
    """The part of the schema that was broken."""
    return error.validator_value


def _kinds(schemas: Iterable[Mapping[str, Any]]) -> list[str]:
    return [str(s.get("type") or s.get("enum") or s.get("$ref") or "a value") for s in schemas]


def _show(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "..."


def _meaning_faults(document: Any) -> Iterator[str]:
    """What `contract.meaning_faults` says, read from plain JSON that may hold other faults too."""
    if not isinstance(document, dict):
        return
    times = [(name, document.get(name)) for name in contract.TIMES]
    if isinstance(cycle := document.get("driving_cycle"), dict):
        times += [(f"driving_cycle.{name}", cycle.get(name)) for name in contract.TIMES]
    for name, value in times:
        if isinstance(value, str) and not _exists(value):
            yield f"{name}: {value[:_SHOWN]!r}, expected a date and time that exist"
    if "taken_at" in document and (document["taken_at"] is None) != (
        document.get("clock") == "unset"
    ):
        yield "taken_at: expected null exactly when clock is 'unset'"
    part = document.get("part")
    if part is not None and _pair(part) and not 1 <= part[0] <= part[1] <= 64:
        yield f"part: {part}, expected [i, n] with 1 <= i <= n <= 64"
    dropped = document.get("dropped")
    for span in dropped if isinstance(dropped, list) else []:
        if _pair(span) and span[0] > span[1]:
            yield f"dropped: {span}, expected [first, last] with first <= last"


def _exists(text: str) -> bool:
    try:
        contract.parse_time(text)
    except ValueError:
        return False
    return True


def _pair(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(n, int) and not isinstance(n, bool) for n in value)
    )


def _last_word(body: bytes) -> list[str]:
    try:
        contract.decode_report(body)
    except contract.ContractError as error:
        return list(error.faults)
    return []
