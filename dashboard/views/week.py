"""Week: seven days of every piece in hand, with the interval of each step still to come."""

from __future__ import annotations

import streamlit as st

from collector.errors import NotFound, TackfreeError
from dashboard import data, tiles, week_parts, words
from dashboard.choosing import from_address

PAGE = 40  # rows drawn at once; more on asking


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Week", data.settings().shop.name))
    st.html(week_parts.sheet())
    timeline(st.query_params.get("plan", ""))


@st.fragment(run_every=60)
@words.plainly
def timeline(plan: str) -> None:
    """The rows, the piece of the link first."""
    try:
        rack = data.rack(plan)
    except TackfreeError as error:
        if not plan:
            raise
        st.error(words.sentence(str(error)))
        rack = data.rack()
    if not rack.pieces:
        st.info("No piece is in hand. Add one on the Coats page.")
        return
    try:
        named = from_address("piece", [each.piece.id for each in rack.pieces])
    except NotFound as error:
        st.error(words.sentence(str(error)))
        named = None
    pieces = sorted(rack.pieces, key=lambda each: each.piece.id != named)
    most = st.session_state.get("week-most", PAGE)
    dark = st.context.theme.type == "dark"
    st.html(week_parts.key(dark=dark))
    st.html(week_parts.week(pieces[:most], data.zone(), rack.at, named=named, dark=dark))
    if len(pieces) > most:
        st.button(f"{min(PAGE, len(pieces) - most)} more of {len(pieces)}", key="week-more", on_click=_more)
    planned = f" Heating plan: {plan}." if plan else ""
    st.html(tiles.note(f"Forecast: {rack.forecast}{planned} A tap on a piece opens its card on the Rack."))


def _more() -> None:
    st.session_state["week-most"] = st.session_state.get("week-most", PAGE) + PAGE


page()
