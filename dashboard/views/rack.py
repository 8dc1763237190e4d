"""Rack: of every piece in hand what can be done next, soonest first, with how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from collector.advice.coat_progress import STEPS, CoatProgress, PieceProgress, Rack
from collector.advice.shop_learning import subject_of
from collector.errors import NotFound, TackfreeError
from collector.records.model import ROLES, STAGES
from dashboard import data, forms, rack_parts, rack_words, schedule_forms, schedule_parts, tiles, words
from dashboard.choosing import from_address

EVERYTHING, AS_BOOTH = "All", "As booth"
CHIPS: Final = {EVERYTHING: "", "Clear": "clear", "Colour": "colour", "Crackle": "crackle", "Sealer": "sealer"}
SHOWN_FULLY: Final = ("now", "today")
# A bare string in a page's file would be shown on the page, so these say what they are here.
PAGE: Final = 24  # cards drawn at once in a group; more on asking
INFLUENCES: Final = 5  # checks listed with what each did to an estimate
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
    told = st.session_state.get("heating-plan", plan).strip()
    with right.popover(f"Plan: {told[:18]}" if told else "Heating plan", width="stretch", key="plan"):
        typed = st.text_input(
            "Heating plan", plan, placeholder="22 °C from 18:00; off at 22:00", max_chars=200, key="heating-plan"
        )
        st.caption("Every time on this page then goes by it. Empty: by the booth's usual day.")
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
        members = sorted((each for each in shown if each.next.when == when), key=rack_words.can_wait)
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
    piece = each.piece
    with st.container(border=True, key=f"rack-card-{piece.id}"):
        moved = data.places().get(piece.id)
        place = words.place(moved, data.units()) if moved else ""
        told = schedule_parts.card(data.schedules().get(piece.id), data.zone(), rack.at)
        dark = st.context.theme.type == "dark"
        st.html(rack_parts.card(each, data.zone(), rack.at, place=place, schedule=told, dark=dark))
        asked = st.session_state.get(f"turned-{piece.id}", "")
        if asked == "check" and each.last is not None:
            _check(each)
        elif asked == "more":
            _more_of(each)
        else:
            schedule_forms.tick_button(piece)
            _buttons(each)


def _turn(piece_id: int, to: str) -> None:
    """Put other controls on a card: those of a check, those used seldom, or the usual ones."""
    st.session_state[f"turned-{piece_id}"] = to


def _buttons(each: PieceProgress) -> None:
    piece, last = each.piece, each.last
    is_open = last is not None and last.coat.ended_at is None
    one, two, *rest = st.columns(2 if last is None or each.spraying else 3, gap="small")
    if each.spraying:
        if one.button("End coat", key=f"end-{piece.id}", type="primary", width="stretch"):
            ended = data.end_coat(piece.id)
            forms.say_done(f"Coat ended on {piece.name}.", data.last_change("coat", ended.id))
            st.rerun()
    elif is_open:
        assert last is not None
        if one.button("Put right", key=f"right-{piece.id}", type="primary", width="stretch"):
            st.switch_page("views/coats.py", query_params={"coat": str(last.coat.id)})
    elif one.button("Start coat", key=f"start-{piece.id}", width="stretch"):
        st.switch_page("views/coats.py", query_params={"piece": str(piece.id)})
    if rest:
        two.button("Check", key=f"check-{piece.id}", width="stretch", on_click=_turn, args=(piece.id, "check"))
    last_place = rest[0] if rest else two
    last_place.button("More", key=f"more-of-{piece.id}", width="stretch", on_click=_turn, args=(piece.id, "more"))


def _check(each: PieceProgress) -> None:
    """The second tap of a check: yes or not yet, of the stage that is nearest to being decided."""
    assert each.last is not None
    coat, piece = each.last.coat, each.piece
    stages = rack_words.to_ask(each.last, data.settings().rack.ready_probability_pct / 100)[:ASKED]
    stage = st.pills(
        "Checked for", stages, default=stages[0], required=True, format_func=rack_words.ASKED_FOR.__getitem__,
        key=f"asked-{coat.id}",
    )  # fmt: skip
    yes, no = st.columns(2, gap="small")
    for place, word, passed in ((yes, "Yes", True), (no, "Not yet", False)):
        if place.button(word, key=f"asked-{word}-{coat.id}", type="primary", width="stretch"):
            saved = data.add_check(rack_words.quick_check(coat, stage or stages[0], passed, data.now()))
            _turn(piece.id, "")
            forms.say_done(
                f"Check saved: {piece.name}, {STAGES[saved.stage].lower()}: {word.lower()}.",
                data.last_change("check", saved.id),
            )
            st.rerun()
    back, details = st.columns(2, gap="small")
    _back(back, piece.id)
    with details.popover("Details", width="stretch", key=f"asked-more-{coat.id}"):
        forms.check(coat, f"rack-{coat.id}")


def _more_of(each: PieceProgress) -> None:
    """What is used seldom: logs, moving the piece, what was learned."""
    piece, last = each.piece, each.last
    one, two, three = st.columns(3, gap="small")
    _back(one, piece.id)
    if two.button("Its week", key=f"week-{piece.id}", width="stretch"):
        plan = st.query_params.get("plan")
        st.switch_page("views/week.py", query_params={"piece": str(piece.id), **({"plan": plan} if plan else {})})
    if last is not None and three.button("Coat log", key=f"log-{piece.id}", width="stretch"):
        st.switch_page("views/coats.py", query_params={"coat": str(last.coat.id)})
    with st.expander("Schedule", key=f"schedule-of-{piece.id}"):
        schedule_forms.schedule(piece, f"rack-{piece.id}")
    with st.expander("Move it", key=f"move-of-{piece.id}"):
        forms.move(piece)
    if last is not None and last.notes:
        st.html(tiles.note(" ".join(words.sentence(note) for note in last.notes)))
    if last is not None:
        with st.expander("What it has learned", key=f"learned-of-{piece.id}", on_change="rerun") as opened:
            if opened.open:
                learned(last)


@words.plainly
def learned(last: CoatProgress) -> None:
    """What the shop's checks tell of this material, which checks those are, and the way to withdraw one."""
    found = data.learned()
    material = last.coat.mix.material
    rows = {stage.stage: stage for stage in material.stages}
    steps = [stage for stage in rows if stage in STEPS] or list(rows)
    if not steps:
        st.info("The material's sheet gives no drying times, so nothing can be learned of them.")
        return
    first = next((one for one in rack_words.to_ask(last, 0.5) if one in steps), steps[0])
    stage = st.pills(
        "Of its time to", steps, default=first, required=True, format_func=rack_words.ASKED_FOR.__getitem__,
        key=f"learned-{last.coat.id}",
    )  # fmt: skip
    subject = subject_of(material, found.sheet(material, rows[stage or first]))
    st.html(tiles.note(found.learned.estimate(subject).words))
    influences = found.learned.influences(subject)
    names = {str(one.id): one.name for one in data.materials()}
    for one in influences[:INFLUENCES]:
        left, right = st.columns([2.2, 1], vertical_alignment="center")
        answer = "yes" if one.passed else "not yet"
        left.html(
            tiles.line(
                f"{STAGES[one.stage]}: {answer}",
                f"{names.get(one.material, '')}, {words.clock(one.at, data.zone(), data.now())}",
                words.sentence(one.words),
            )
        )
        if right.button("Withdraw", key=f"withdraw-{last.coat.id}-{one.check_id}", width="stretch"):
            entry = data.delete("check", one.check_id)
            forms.say_done(f"Check withdrawn: {STAGES[one.stage].lower()}, {answer}.", entry.id)
            st.rerun()
    if len(influences) > INFLUENCES:
        st.caption(f"The {INFLUENCES} that moved it most, of {len(influences)} checks.")


def _back(place: DeltaGenerator, piece_id: int) -> None:
    place.button("Back", key=f"back-{piece_id}", width="stretch", on_click=_turn, args=(piece_id, ""))


page()
