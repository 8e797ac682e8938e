"""A value of a rule with where it comes from: nothing in a program file stands without it."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
CodeText = Annotated[str, StringConstraints(pattern=r"^[PCBU][0-3][0-9A-F]{3}$")]
ModelYear = Annotated[int, Field(ge=1968, le=2060)]
Pounds = Annotated[int, Field(gt=0)]
Count = Annotated[int, Field(ge=0)]
Days = Annotated[int, Field(ge=1, le=3660)]
Tag = Literal["A", "A*", "B", "M", "X"]
T = TypeVar("T")


class Strict(BaseModel):
    """Part of a program file: no unknown key, no value bent to fit, never changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Cited(Strict):
    """Where a value comes from: the source, the edition it was read in, how sure it is.

    Tags: A the rule itself, A* a copy of it, B a secondary page, M from memory, X our choice; of
    several, the weakest. `note` says on screen what of the value is less sure, or disputed.
    `source` is the rule, then after a colon what it says there.
    """

    source: Text
    edition: Text
    tag: Tag
    note: Text | None = None


class Value(Cited, Generic[T]):
    """One value with its citation."""

    value: T
