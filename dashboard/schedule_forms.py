"""A piece's schedule in hand: a template copied, steps ticked, added, moved and taken out, each with a way back."""

from __future__ import annotations

import streamlit as st

from collector.records import schedule as sc
from collector.records.model import ROLES, STAGES, Piece
from collector.records.schedule import Schedule, Step
from dashboard import data, forms, schedule_parts, words


@words.plainly
def schedule(piece: Piece, key: str) -> None:
    """All there is to a piece's schedule."""
    found = data.schedules().get(piece.id)
    if found is None:
        st.caption("It follows no schedule yet. What is copied is the piece's own, to be edited.")
        _template(piece, key)
        return
    st.html(schedule_parts.steps(found, data.zone(), data.now()))
    held = found.standing.schedule
    _one_step(piece, held, key)
    with st.expander("Add a step", key=f"{key}-adding"):
        _add(piece, held, key)
    with st.expander("Another schedule", key=f"{key}-another"):
        _template(piece, key)


def tick_button(piece: Piece) -> None:
    """The one tap of a Rack card: the next step is done."""
    found = data.schedules().get(piece.id)
    step = None if found is None else schedule_parts.tickable(found)
    if found is None or step is None:
        return
    word = f"{step.words[:1].upper()}{step.words[1:]}: done"
    if st.button(word, key=f"tick-{piece.id}", width="stretch"):
        data.tick_step(found.standing.schedule, step.id, done=True)
        _done(f"{piece.name}: {step.words} done.", found.standing.schedule)


def _template(piece: Piece, key: str) -> None:
    with st.form(f"{key}-template", border=False):
        names = [each.name for each in sc.templates()]
        abouts = [each.about for each in sc.templates()]
        chosen = st.radio("Template", names, captions=abouts, key=f"{key}-chosen")
        if st.form_submit_button("Copy it to the piece", width="stretch"):
            held = data.copy_template(piece, chosen)
            _done(f"{piece.name} follows {chosen}.", held)


def _one_step(piece: Piece, held: Schedule, key: str) -> None:
    """What can be done to one step: tick, up, down, out."""
    places = {step.id: place for place, step in enumerate(held.steps, start=1)}
    chosen = st.selectbox(
        "Step", list(places), format_func=lambda one: f"{places[one]}. {held.step(one).words}", key=f"{key}-step"
    )
    step = held.step(chosen)
    tick, up, down, out = st.columns(4, gap="small")
    by_hand = step.done_at is not None
    if tick.button("Not done" if by_hand else "Done", key=f"{key}-tick", width="stretch"):
        data.tick_step(held, chosen, done=not by_hand)
        _done(f"{piece.name}: {step.words} {'not done' if by_hand else 'done'}.", held)
    for place, word, by in ((up, "Up", -1), (down, "Down", 1)):
        if place.button(word, key=f"{key}-{word}", width="stretch"):
            data.edit_steps(held, sc.moved(held.steps, chosen, by))
            _done(f"{piece.name}: {step.words} moved.", held)
    if out.button("Take out", key=f"{key}-out", width="stretch"):
        data.edit_steps(held, sc.removed(held.steps, chosen))
        _done(f"{piece.name}: {step.words} taken out.", held)


@words.plainly
def _add(piece: Piece, held: Schedule, key: str) -> None:
    kind = st.selectbox("Kind", list(sc.STEP_KINDS), format_func=sc.STEP_KINDS.__getitem__, key=f"{key}-kind")
    with st.form(f"{key}-add", border=False):
        role, coats, grits = "", 1, ""
        if kind == "coat":
            role = st.selectbox("Of", list(ROLES), format_func=ROLES.__getitem__, key=f"{key}-role")
            coats = int(st.number_input("Coats", 1, 20, 1, key=f"{key}-coats"))
        elif kind == "level_sand":
            grits = st.text_input("Grits, coarse to fine", "P1000, P1500, P2000", max_chars=80, key=f"{key}-grits")
        stages = ["", *STAGES]
        after = st.selectbox(
            "When the coat beneath is", stages, format_func=lambda one: STAGES.get(one, "as it is"), key=f"{key}-after",
            index=stages.index("sand_ready") if kind in ("wait", "level_sand") else 0,
        )  # fmt: skip
        at = int(st.number_input("Place", 1, len(held.steps) + 1, len(held.steps) + 1, key=f"{key}-place"))
        note = st.text_input("Note", max_chars=500, key=f"{key}-note")
        if st.form_submit_button("Add the step", width="stretch"):
            step = Step(
                kind=kind, role="crackle" if kind == "crackle" else role, coats=coats, after_stage=after,
                booth=kind in sc.COATS, note=note.strip(), grits=data.grits(grits) if kind == "level_sand" else (),
            )  # fmt: skip
            data.edit_steps(held, sc.added(held.steps, step, at))
            _done(f"{piece.name}: {step.words} added.", held)


def _done(text: str, held: Schedule) -> None:
    forms.say_done(text, data.last_change("schedule", held.id))
    st.rerun()
