"""The board: three pages over one store. Run by `python -m dashboard`, which names the store."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from dashboard import reads
from dashboard.views import answer_lamp_alerts, look_up_a_vehicle, plan_the_week
from dashboard.views.board import Board, say, told_of_trouble
from ingest import queries
from ingest.domain.dictionary import Dictionary
from ingest.domain.programs import ProgramError
from ingest.queries import DatabaseTrouble, NotOurDatabase

if TYPE_CHECKING:
    from sqlalchemy import Engine

DEPOT_QUERY = "depot"
ANONYMOUS = "board"


@st.cache_resource(show_spinner=False)
def _engine(url: str) -> Engine:
    return queries.open_database(url)


@st.cache_resource(show_spinner=False)
def _programs(folder: str) -> queries.Programs:
    return queries.load_programs(Path(folder) if folder else None)


@st.cache_resource(show_spinner=False)
def _dictionary(file: str) -> Dictionary:
    return queries.load_dictionary(Path(file) if file else None)


def _now() -> datetime:
    return datetime.now(UTC)


def _who() -> str:
    return str(st.session_state.get("actor") or "").strip() or ANONYMOUS


def _choose_depot(depots: tuple[queries.DepotSettings, ...]) -> queries.DepotSettings:
    """The depot of the URL, else the first; the choice goes back into the URL."""
    names = [one.name for one in depots]
    if st.session_state.get("depot") not in names:
        asked = st.query_params.get(DEPOT_QUERY)
        st.session_state["depot"] = asked if asked in names else names[0]
    depot, who, _ = st.columns((2, 2, 3))
    name = depot.selectbox("Depot", names, key="depot")
    who.text_input("Your name, kept with what you do", key="actor", max_chars=40)
    if st.query_params.get(DEPOT_QUERY) != name:
        st.query_params[DEPOT_QUERY] = name
    return depots[names.index(name)]


def _board(engine: Engine, programs: queries.Programs, dictionary: Dictionary) -> Board | None:
    depots = queries.depots(engine)
    if not depots:
        say("The vehicle list is empty. Load it: python -m ingest vehicles --load FILE")
        return None
    if "session" not in st.session_state:
        st.session_state["session"] = str(uuid.uuid4())
    chosen = _choose_depot(depots)
    return Board(
        engine=engine,
        programs=programs,
        depot=chosen,
        depots=depots,
        who=_who,
        session=st.session_state["session"],
        clock=_now,
        dictionary=dictionary,
    )


def _later(show: Callable[[Board], None], held: list[Board]) -> Callable[[], None]:
    """A page to be drawn once the board in `held` is known."""

    def page() -> None:
        show(held[0])

    return page


def main() -> None:
    """Draw the board once, as Streamlit asks."""
    st.set_page_config(page_title="Fleet emissions readiness", layout="wide")
    url = os.environ.get(reads.DATABASE_VARIABLE)
    if not url:
        say("Start the board with: python -m dashboard")
        return
    try:
        engine = _engine(url)
        programs = _programs(os.environ.get(reads.PROGRAMS_VARIABLE, ""))
        dictionary = _dictionary(os.environ.get(reads.DICTIONARY_VARIABLE, ""))
    except (NotOurDatabase, DatabaseTrouble, ProgramError, queries.ConfigError) as error:
        say(f"The board cannot start: {error}")
        return
    held: list[Board] = []
    pages = (
        ("Plan the week", "plan_the_week", plan_the_week.show),
        ("Look up a vehicle", "look_up_a_vehicle", look_up_a_vehicle.show),
        ("Answer lamp alerts", "answer_lamp_alerts", answer_lamp_alerts.show),
    )
    chosen = st.navigation(
        [
            st.Page(_later(show, held), title=title, url_path=path, default=number == 0)
            for number, (title, path, show) in enumerate(pages)
        ],
        position="top",
    )
    with told_of_trouble():
        board = _board(engine, programs, dictionary)
        if board is not None:
            held.append(board)
            chosen.run()


if __name__ == "__main__":  # Streamlit runs the script under this name
    main()
