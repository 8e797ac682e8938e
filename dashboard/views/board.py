"""What every page is given, and the few ways in which pages show text, tables and refusals."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from dashboard.present import Row, escape
from ingest.commands import CommandRefused, RequestReused
from ingest.domain.dictionary import EMPTY, Dictionary
from ingest.queries import DatabaseTrouble, DepotSettings, Programs

if TYPE_CHECKING:
    from sqlalchemy import Engine

MOST_ROWS = 100
_MESSAGE = "message"
_TURN = "turn"


@dataclass(frozen=True)
class Board:
    """The store, the programs, the chosen depot, who is asking, and the clock of the shell.

    `who` is asked when something is done: a name typed just before a button is pressed counts.
    `dictionary` holds the fleet's own code meanings.

    `session` is unique to one browser session: request ids are made from it.
    """

    engine: Engine
    programs: Programs
    depot: DepotSettings
    depots: tuple[DepotSettings, ...]
    who: Callable[[], str]
    session: str
    clock: Callable[[], datetime]
    dictionary: Dictionary = EMPTY

    @property
    def actor(self) -> str:
        """The name of the person at the board, as it stands now."""
        return self.who()

    @property
    def zone(self) -> ZoneInfo:
        """The chosen depot's time zone."""
        return ZoneInfo(self.depot.tz)

    def zone_of(self, depot_name: str) -> ZoneInfo:
        """The time zone of any depot; the chosen one's for a depot without settings."""
        zones = {one.name: one.tz for one in self.depots}
        return ZoneInfo(zones.get(depot_name, self.depot.tz))

    def request_id(self, what: str) -> str:
        """An id for one press of a button: a second press of the same one repeats it.

        It changes once a command was done, so that the same thing can be asked for again later.
        """
        return f"{self.session}/{st.session_state.get(_TURN, 0)}/{what}"


def say(text: str) -> None:
    """Show a sentence as it stands, whatever marks of Markdown are in it."""
    st.markdown(escape(text))


def table(rows: Sequence[Row], empty: str = "") -> None:
    """Show rows as a table whose text wraps; `empty` is the sentence for no rows."""
    if not rows:
        if empty:
            say(empty)
        return
    shown = [{name: escape(text) for name, text in row.items()} for row in rows[:MOST_ROWS]]
    st.table(pd.DataFrame(shown), border="horizontal", hide_index=True)
    if len(rows) > MOST_ROWS:
        say(f"And {len(rows) - MOST_ROWS} more.")


def attempt(command: Callable[[], str]) -> None:
    """Do a command in answer to a button; keep its sentence, or why it was refused."""
    try:
        st.session_state[_MESSAGE] = command()
    except (CommandRefused, RequestReused, DatabaseTrouble) as error:
        st.session_state[_MESSAGE] = f"Not done: {error}."
    st.session_state[_TURN] = st.session_state.get(_TURN, 0) + 1


@contextmanager
def told_of_trouble() -> Iterator[None]:
    """Show what is wrong with the database where a page, or a part of one, cannot be drawn."""
    try:
        yield
    except DatabaseTrouble as error:
        say(f"This cannot be shown now: {error}.")


def refuse(text: str) -> None:
    """Keep a sentence that says why a button did nothing."""
    st.session_state[_MESSAGE] = f"Not done: {text}"


def message() -> None:
    """Show once what the last button did."""
    text = st.session_state.pop(_MESSAGE, None)
    if text:
        with st.container(border=True, key="message"):
            say(text)
