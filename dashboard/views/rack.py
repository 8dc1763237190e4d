"""Rack: of every piece in hand what can be done next, soonest first, with how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from collector.advice.coat_progress import PieceProgress, Rack
from collector.errors import NotFound, TackfreeError
from collector.records.model import ROLES, STAGES, Coat
from dashboard import data, forms, rack_parts, rack_words, tiles, words
from dashboard.choosing import from_address

EVERYTHING, AS_BOOTH = "All", "As booth"
CHIPS: Final = {EVERYTHING: "", "Clear": "clear", "Colour": "colour", "Crackle": "crackle", "Sealer": "sealer"}
SHOWN_FULLY: Final = ("now", "today")
# A bare string in a page's file would be shown on the page, so these say what they are here.
PAGE: Final = 24  # cards drawn at once in a group; more on asking
ASKED: Final = 3  # stages a check offers at once


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Rack", data.settings().shop.name))
    st.html(rack_parts.sheet())
    forms.done_bar()
    role, plan = choices()
    shelf(role, plan)


def choices() -> tuple[str, str]:
    """What the booth is to put on next, and how the shop will be heated."""
    left, right = st.columns([4.2, 1.3], vertical_alignment="bottom")
    chip = left.segmented_control(
        "Can take now", [*CHIPS, AS_BOOTH], default=EVERYTHING, required=True, key="rack-takes"
    )
    plan = st.query_params.get("plan", "")
    with right.popover("Heating plan" if not plan else "Heating planned", width="stretch", key="plan"):
        typed = st.text_input(
            "Heating plan", plan, placeholder="22 °C from 18:00", max_chars=200, key="heating-plan",
            help="Times of ready steps then go by it instead of the usual course of the shop.",
        )  # fmt: skip
        st.caption("Empty: the forecast goes by the shop's own log.")
    if typed.strip():
        st.query_params["plan"] = typed.strip()
    elif plan:
        del st.query_params["plan"]
    if chip != AS_BOOTH:
        return CHIPS.get(chip or EVERYTHING, ""), typed.strip()
    return _role_set_up(), typed.strip()


def _role_set_up() -> str:
    booth = data.settings().shop.booth
    setup = data.booth_setup(booth)
    if setup is None or setup.material_id is None:
        st.info(f"{booth} is not set up for a material yet; choose it on the Booth page. Everything is shown.")
        return ""
    material = data.material_of(str(setup.material_id))
    st.html(tiles.note(f"{booth} is set up for {material.name}: what can take a {ROLES[material.role].lower()} now."))
    return material.role


@st.fragment(run_every=30)
@words.plainly
def shelf(role: str, plan: str) -> None:
    """The pieces by when something can be done to them."""
    rack = planned(plan)
    if not rack.pieces:
        st.info("No piece is in hand. Add one on the Coats page.")
        return
    shown = [each for each in rack.pieces if not role or rack_words.takes_now(each, role)]
    shown = _chosen_first(rack, shown)
    if not shown:
        st.info(f"Nothing can take a {ROLES[role].lower()} now.")
    for when, name in rack_words.GROUPS.items():
        members = [each for each in shown if each.next.when == when]
        if members:
            _group(when, name, members, rack)
    if role:
        st.html(
            tiles.note(
                "By the order of a finish: sealer, base or colour, crackle, clear. Whether two products get on with "
                "each other is for their data sheets to say."
            )
        )
    st.html(tiles.note(f"Forecast: {rack.forecast} Intervals hold {rack_words.MIDDLE}. Bars start at the coat's end."))


def planned(plan: str) -> Rack:
    """The rack under a heating plan; one that cannot be read is said to be so, and the usual course shown."""
    try:
        return data.rack(plan)
    except TackfreeError as error:
        if not plan:
            raise
        st.error(words.sentence(str(error)))
        return data.rack()


def _chosen_first(rack: Rack, shown: Sequence[PieceProgress]) -> list[PieceProgress]:
    """The piece a link names, as a card of its own above the others."""
    try:
        named = from_address("piece", [each.piece.id for each in rack.pieces])
    except NotFound as error:
        st.error(words.sentence(str(error)))
        return list(shown)
    if named is None:
        return list(shown)
    one = next(each for each in rack.pieces if each.piece.id == named)
    left, right = st.columns([4, 1.3], vertical_alignment="center")
    left.html(rack_parts.group("Chosen", 1))
    if right.button("Show all", key="all-pieces", width="stretch"):
        del st.query_params["piece"]
        st.rerun()
    with st.container(key="rack-grid-chosen"):
        card(one, rack)
    return [each for each in shown if each.piece.id != named]


def _group(when: str, name: str, members: Sequence[PieceProgress], rack: Rack) -> None:
    """A group as cards, or as lines with the cards on asking."""
    opened = when in SHOWN_FULLY or st.session_state.get(f"open-{when}", False)
    most = st.session_state.get(f"most-{when}", PAGE)
    zone = data.zone()
    if opened:
        st.html(rack_parts.group(name, len(members)))
        with st.container(key=f"rack-grid-{when}"):
            for each in members[:most]:
                card(each, rack)
        left = len(members) - most
        if left > 0:
            st.html(rack_parts.rows(members[most:], zone, rack.at))
            st.button(f"{min(PAGE, left)} more as cards", key=f"more-{when}", on_click=_more, args=(when,))
        return
    head, button = st.columns([4, 1.3], vertical_alignment="center")
    head.html(rack_parts.group(name, len(members)))
    button.button("As cards", key=f"cards-{when}", width="stretch", on_click=_open, args=(when,))
    st.html(rack_parts.rows(members, zone, rack.at))


def _open(when: str) -> None:
    st.session_state[f"open-{when}"] = True


def _more(when: str) -> None:
    st.session_state[f"most-{when}"] = st.session_state.get(f"most-{when}", PAGE) + PAGE


@st.fragment
@words.plainly
def card(each: PieceProgress, rack: Rack) -> None:
    """One piece, and what a finger can do with it."""
    piece, last = each.piece, each.last
    with st.container(border=True, key=f"rack-card-{piece.id}"):
        st.html(rack_parts.card(each, data.zone(), rack.at, dark=st.context.theme.type == "dark"))
        if last is not None and st.session_state.get(f"asking-{last.coat.id}"):
            _ask(each)
            return
        if last is None:
            if st.button("Start coat", key=f"start-{piece.id}", width="stretch"):
                st.switch_page("views/coats.py", query_params={"piece": str(piece.id)})
            return
        one, two, three = st.columns(3, gap="small")
        if each.spraying:
            if one.button("End coat", key=f"end-{piece.id}", type="primary", width="stretch"):
                ended = data.end_coat(piece.id)
                forms.say_done(f"Coat ended on {piece.name}.", data.last_change("coat", ended.id))
                st.rerun()
        else:
            one.button("Check", key=f"check-{piece.id}", width="stretch", on_click=_asking, args=(last.coat, True))
        if not each.spraying and two.button("Start coat", key=f"start-{piece.id}", width="stretch"):
            st.switch_page("views/coats.py", query_params={"piece": str(piece.id)})
        with three.popover("More", width="stretch", key=f"more-of-{piece.id}", on_change="rerun") as more:
            if more.open:
                _more_of(each)


def _asking(coat: Coat, on: bool) -> None:
    st.session_state[f"asking-{coat.id}"] = on


def _ask(each: PieceProgress) -> None:
    """The second tap of a check: yes or not yet, of the stage that is nearest to being decided."""
    assert each.last is not None
    coat = each.last.coat
    stages = rack_words.to_ask(each.last)[:ASKED]
    stage = st.pills(
        "Is it", stages, default=stages[0], required=True, format_func=STAGES.__getitem__, key=f"ask-{coat.id}",
        label_visibility="collapsed",
    )  # fmt: skip
    yes, no = st.columns(2, gap="small")
    answers = ((yes, "Yes", True), (no, "Not yet", False))
    for place, word, passed in answers:
        if place.button(word, key=f"ask-{word}-{coat.id}", type="primary", width="stretch"):
            saved = data.add_check(rack_words.quick_check(coat, stage or stages[0], passed, data.now()))
            _asking(coat, False)
            said = f"{each.piece.name}: {STAGES[saved.stage].lower()}, {word.lower()}. Check saved."
            forms.say_done(said, data.last_change("check", saved.id))
            st.rerun()
    back, details = st.columns(2, gap="small")
    back.button("Back", key=f"ask-back-{coat.id}", width="stretch", on_click=_asking, args=(coat, False))
    with details.popover("Details", width="stretch", key=f"ask-more-{coat.id}"):
        forms.check(coat, f"rack-{coat.id}")


def _more_of(each: PieceProgress) -> None:
    assert each.last is not None
    if st.button("Coat log", key=f"log-{each.piece.id}", width="stretch"):
        st.switch_page("views/coats.py", query_params={"coat": str(each.last.coat.id)})
    if each.last.notes:
        st.html(tiles.note(" ".join(words.sentence(note) for note in each.last.notes)))


page()
