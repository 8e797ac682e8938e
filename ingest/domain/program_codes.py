"""What a program makes of the lamp, of stored and permanent codes, and of a recent clear."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ingest.domain.citation import Cited, ModelYear, Text, Value

LampWording = Literal["lamp", "lamp_for_codes"]
"""Whether the commanded lamp alone fails a vehicle, or the lamp commanded on for stored codes."""
StoredCodes = Literal["told", "unclear"]
"""Codes with the lamp off: told beside the verdict, or the rule may fail them (unclear)."""
Counter = Literal["warm_ups", "miles", "minutes"]
AtLeast = Annotated[int, Field(ge=1, le=65535)]


class Waiver(Cited):
    """A permanent code is ignored with the lamp off and at least this much since codes cleared."""

    warm_ups: AtLeast
    miles: AtLeast


class PermanentCodes(Cited):
    """From this model year a permanent code fails a vehicle, whatever the lamp does."""

    from_model_year: ModelYear
    waiver: Waiver | None = None


class Operation(Cited):
    """The least operation since codes were cleared: the first counter that is reported decides."""

    counter: Counter
    at_least: AtLeast
    with_permanent_code: AtLeast


class SeenLamp(Cited):
    """What a person sees of the lamp that fails a vehicle."""

    seen: Literal["dark_at_key_on", "dark_while_commanded", "lit_while_running"]


class EyeCheck(Value[Text]):
    """What a gateway cannot see, and which part of a walk-around answers it (None: no part)."""

    look: Literal["key_on", "running", "connector"] | None = None
