"""Sanding: is there enough clear, after which grit to stop, and two taps to note how it went."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from collector.advice import sanding as advice
from collector.advice.film_stack import TEXTURE_UM, TEXTURE_WORDS
from collector.advice.sanding import COMPOUND, OFFERED, USUAL_GRITS, Budget
from collector.errors import NotFound
from collector.records.model import ISOCYANATE_CAUTION, Piece
from dashboard import data, forms, sanding_parts, tiles, words
from dashboard.choosing import from_address

NOT_NOTED: Final = "do not know"


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Sanding", data.settings().shop.name))
    st.html(sanding_parts.sheet())
    forms.done_bar()
    piece = choose_piece()
    if piece is None:
        st.info("No piece is in hand. Add one on the Coats page.")
        return
    picked, grade = choose_work()
    steps = advice.in_order(picked)
    if not [name for name in steps if name != COMPOUND]:
        st.info("Pick at least one grit.")
        return
    found = data.sanding_budget(piece.id, tuple(steps), grade)
    units = data.units()
    st.html(sanding_parts.answer(found, units))
    if found.verdict != "cannot tell":
        more = sanding_parts.more_clear(found, units)
        left = sanding_parts.bar(found, units) + (tiles.note(more) if more else "")
        if found.fresh:
            left += tiles.warning(f"Fresh {', '.join(found.fresh)}: the sheet has had its uses.")
        st.html(tiles.two(left, sanding_parts.steps(found, units)))
    if found.isocyanate:
        st.html(tiles.caution(ISOCYANATE_CAUTION))
    log(piece, steps, grade, found)
    behind(found)


def choose_piece() -> Piece | None:
    """The piece to be sanded; the one with the newest coat unless the address names one."""
    pieces = {each.id: each for each in data.pieces()}
    if not pieces:
        return None
    coated = next((coat.piece_id for coat in data.coats() if coat.piece_id in pieces), next(iter(pieces)))
    named = None
    if "sanding-piece" not in st.session_state:
        try:
            named = from_address("piece", list(pieces))
        except NotFound as error:
            st.error(words.sentence(str(error)))
        st.session_state["sanding-piece"] = named or coated
    if st.session_state["sanding-piece"] not in pieces:
        st.session_state["sanding-piece"] = coated
    left, right = st.columns([1, 1.15], vertical_alignment="bottom")
    chosen: int = left.selectbox(
        "Piece", list(pieces), format_func=lambda number: pieces[number].name, key="sanding-piece"
    )
    st.query_params["piece"] = str(chosen)
    st.session_state["sanding-right"] = right
    return pieces[chosen]


def choose_work() -> tuple[Sequence[str], int]:
    """The grits to be used, and how the texture looks."""
    usual = data.settings().sanding.texture_grade
    right = st.session_state.pop("sanding-right")
    grade = right.segmented_control(
        "Texture: 1 nearly flat, 3 usual, 5 very heavy", list(TEXTURE_UM), default=usual, required=True,
        key="sanding-texture", width="stretch",
    )  # fmt: skip
    picked = st.pills(
        "Grits", OFFERED, selection_mode="multi", default=list(USUAL_GRITS), key="sanding-grits", width="stretch"
    )
    return picked, grade or usual


def log(piece: Piece, steps: Sequence[str], grade: int, found: Budget) -> None:
    """Two taps at most: it went well, or it went through at a grit."""
    asked = st.session_state.get("sanding-asked") == piece.id
    if not asked:
        well, badly, sheet = st.columns([1.2, 1, 1], gap="small")
        if well.button("Sanded, not through", key="sanding-well", type="primary", width="stretch"):
            _save(piece, steps, grade, None)
        badly.button("Went through", key="sanding-through", width="stretch", on_click=_ask, args=(piece.id,))
        with sheet.popover("Fresh sheets" + (" due" if found.fresh else ""), width="stretch", key="sanding-sheets"):
            used = data.sanding_sheets()
            st.html(tiles.note(sanding_parts.sheets(used, data.settings().sanding.sheet_uses)))
            st.pills(
                "Begun with a fresh sheet", [name for name in steps if name != COMPOUND], selection_mode="multi",
                key="sanding-fresh", help="Counts from the next sanding you log.",
            )  # fmt: skip
        return
    st.html(tiles.note("Went through at which step? What was picked above up to there is noted as used."))
    names = [*steps, NOT_NOTED]
    with st.container(horizontal=True, gap="small"):
        for name in names:
            if st.button(name, key=f"sanding-at-{name}", type="primary"):
                _ask(0)
                used = steps if name == NOT_NOTED else steps[: list(steps).index(name) + 1]
                _save(piece, used, grade, "" if name == NOT_NOTED else name)
        st.button("Back", key="sanding-back", on_click=_ask, args=(0,))


def behind(found: Budget) -> None:
    """What was reckoned with, and the sandings that taught it, each with the way to withdraw it."""
    with st.expander("What this rests on", key="sanding-behind"):
        for text in (*found.stack.notes, found.texture_words, found.edge_words, f"Cut: {found.cut_words}"):
            st.html(tiles.note(words.sentence(text)))
        for each in found.stack.films:
            counted = "counts" if each in found.stack.clear else "beneath, not counted"
            shown = sanding_parts.film(each.um, each.sd_um, data.units())
            st.html(tiles.line(shown, each.coat.mix.material.name, f"{each.how}; {counted}"))
        for one in reversed(data.sandings()[-8:]):
            left, right = st.columns([3, 1], vertical_alignment="center")
            went = "through" + (f" at {one.through_at}" if one.through_at else "") if one.through else "not through"
            when = words.clock(one.at, data.zone(), data.now())
            left.html(tiles.line(data.piece_name(one.piece_id), f"{', '.join(one.grits)}: {went}", when))
            if right.button("Withdraw", key=f"sanding-withdraw-{one.id}", width="stretch"):
                entry = data.delete("sanding", one.id)
                forms.say_done("Sanding withdrawn; it no longer counts.", entry.id)
                st.rerun()
    names = ", ".join(f"{number} {TEXTURE_WORDS[number]}" for number in TEXTURE_UM)
    st.caption(f"Texture: {names}. An estimate; look at the piece.")


def _ask(piece_id: int) -> None:
    st.session_state["sanding-asked"] = piece_id


def _save(piece: Piece, steps: Sequence[str], grade: int, through_at: str | None) -> None:
    fresh = [name for name in st.session_state.get("sanding-fresh") or [] if name in steps]
    saved = data.add_sanding(
        advice.log_of(piece, data.now(), steps, through_at=through_at, texture_grade=grade, fresh=fresh)
    )
    went = "not through" if through_at is None else f"through{f' at {through_at}' if through_at else ''}"
    forms.say_done(f"Noted: {piece.name}, {steps[0]} to {steps[-1]}, {went}.", data.last_change("sanding", saved.id))
    st.rerun()


page()
