"""Rack: every piece in hand with its last coat, and the buttons to go on from there."""

from __future__ import annotations

import streamlit as st

from collector.advice.display import duration
from collector.records.model import ISOCYANATE_CAUTION, Coat, Piece
from dashboard import data, forms, tiles, words


@st.fragment(run_every=30)
@words.plainly
def shelf() -> None:
    """A card a piece: being sprayed first, then by the newest coat."""
    pieces = data.pieces()
    if not pieces:
        st.info("No piece is in hand. Add one on the Coats page.")
        return
    last: dict[int, Coat] = {}
    for coat in data.coats():
        last.setdefault(coat.piece_id, coat)
    spraying = {coat.piece_id: coat for coat in data.open_coats()}

    def order(piece: Piece) -> tuple[bool, float, str]:
        newest = last.get(piece.id)
        return piece.id not in spraying, -newest.started_at.timestamp() if newest else 0.0, piece.name

    columns = st.columns(2)
    for index, piece in enumerate(sorted(pieces, key=order)):
        with columns[index % 2].container(border=True):
            _card(piece, spraying.get(piece.id) or last.get(piece.id), piece.id in spraying)


def _card(piece: Piece, coat: Coat | None, is_open: bool) -> None:
    now, zone, units = data.now(), data.zone(), data.units()
    lines: list[str] = []
    if coat is None:
        clock = "No coat yet"
    else:
        since = coat.ended_at or coat.started_at
        elapsed = duration((now - since).total_seconds())
        clock = f"Spraying for {elapsed}" if is_open else f"{elapsed} since the last coat"
        lines.append(f"{words.mix(coat.mix)}, {words.clock(coat.started_at, zone, now)}")
        lines.append(words.sheet_time(coat.mix, units))
    st.html(
        tiles.card(
            title=piece.name,
            subtitle=", ".join(text for text in (piece.substrate, piece.owner_reference, _due(piece)) if text),
            open_words="Being sprayed" if is_open else "",
            clock=clock,
            lines=lines,
            late="Past its due date" if piece.due is not None and piece.due < now else "",
        )
    )
    if coat is not None and coat.mix.material.isocyanate:
        st.html(tiles.caution(ISOCYANATE_CAUTION))
    first, second, third = st.columns(3)
    if is_open:
        if first.button("End coat", key=f"end-{piece.id}", type="primary", width="stretch"):
            ended = data.end_coat(piece.id)
            forms.say_done(f"Coat ended on {piece.name}.", data.last_change("coat", ended.id))
            st.rerun()
    elif first.button("Start coat", key=f"start-{piece.id}", type="primary", width="stretch"):
        st.switch_page("views/coats.py", query_params={"piece": str(piece.id)})
    if coat is None:
        return
    with second.popover("Check", width="stretch", key=f"check-{piece.id}"):
        forms.check(coat, f"rack-{coat.id}")
    if third.button("Coat log", key=f"log-{piece.id}", width="stretch"):
        st.switch_page("views/coats.py", query_params={"coat": str(coat.id)})


def _due(piece: Piece) -> str:
    return "" if piece.due is None else f"due {piece.due.astimezone(data.zone()):%a %d %b}"


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Rack", data.settings().shop.name))
    forms.done_bar()
    shelf()


page()
