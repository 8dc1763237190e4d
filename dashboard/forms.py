"""The forms: what a person tells the log. Each saves one record, or says why it was refused."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import streamlit as st

from collector.records.model import (
    CHECK_METHODS,
    DEFECTS,
    STAGES,
    SUBSTRATES,
    Check,
    Coat,
    Mix,
    Outcome,
    Piece,
    PiecePlace,
)
from dashboard import data, words

UNDO_KEY: Final = "undo"
"""Session key of the change that can be taken back: its audit number, what to call it, and when it was."""

UNDO_SHOWN: Final = timedelta(minutes=3)


def say_done(text: str, audit_id: int | None = None) -> None:
    """Tell on the next run that something was done, with a way back."""
    st.session_state[UNDO_KEY] = (audit_id, text, data.now())


def done_bar() -> None:
    """What was done last, and the button that takes it back."""
    told = st.session_state.get(UNDO_KEY)
    if told is None:
        return
    audit_id, text, at = told
    if data.now() - at > UNDO_SHOWN:
        del st.session_state[UNDO_KEY]
        return
    left, right = st.columns([4, 1], vertical_alignment="center")
    left.success(text)
    if audit_id is not None and right.button("Undo", key="undo-button", width="stretch"):
        del st.session_state[UNDO_KEY]
        data.undo(audit_id)
        say_done(f"Taken back: {text}")
        st.rerun()


@words.plainly
def check(coat: Coat, key: str) -> None:
    """Log whether a coat had reached a stage."""
    with st.form(f"check-{key}", border=False):
        stage = st.selectbox("Is it", list(STAGES), index=1, format_func=STAGES.__getitem__, key=f"stage-{key}")
        method = st.selectbox("Tried with", list(CHECK_METHODS), format_func=CHECK_METHODS.__getitem__, key=f"by-{key}")
        passed = st.radio("Answer", ["Yes", "Not yet"], horizontal=True, key=f"answer-{key}")
        if st.form_submit_button("Save check", type="primary", width="stretch"):
            saved = data.add_check(
                Check(coat_id=coat.id, at=data.now(), stage=stage, method=method, passed=passed == "Yes")
            )
            said = f"Check saved: {STAGES[saved.stage].lower()}, {passed.lower()}."
            say_done(said, data.last_change("check", saved.id))
            st.rerun()


@words.plainly
def outcome(coat: Coat) -> None:
    """Log how a coat came out."""
    with st.form("outcome", border=False, clear_on_submit=True):
        names = {"": "Right", **DEFECTS}
        defect = st.selectbox("How did it come out", list(names), format_func=names.__getitem__)
        degree = st.number_input("Degree of the defect, 0 none to 5 severe", 0, 5, 2)
        zone = st.text_input("Where on the piece", max_chars=120)
        note = st.text_input("Note", max_chars=500, key="outcome-note")
        if st.form_submit_button("Save outcome", type="primary", width="stretch"):
            saved = data.add_outcome(
                Outcome(
                    coat_id=coat.id,
                    seen_at=data.now(),
                    defect=defect or None,
                    degree=int(degree) if defect else None,
                    zone=zone.strip(),
                    note=note.strip(),
                )
            )
            name = DEFECTS.get(saved.defect or "", "right")
            say_done(f"Outcome saved: {name.lower()}.", data.last_change("outcome", saved.id))
            st.rerun()


@words.plainly
def edit_coat(coat: Coat) -> None:
    """Put a coat right: times, passes, film, notes."""
    units, zone = data.units(), data.zone()
    with st.form("edit-coat", border=False):
        begun = coat.started_at.astimezone(zone)
        ended = coat.ended_at.astimezone(zone) if coat.ended_at else None
        one, two, three = st.columns(3)
        day = one.date_input("Day", begun.date())
        start = two.time_input("Start", begun.time(), step=60)
        end = three.time_input("End", ended.time() if ended else None, step=60)
        one, two, three = st.columns(3)
        passes = one.number_input("Passes", 1, 50, coat.passes)
        low = two.number_input(f"Wet film from, {units.film_unit}", 0.0, None, _film(coat.wet_film_low_um))
        high = three.number_input(f"Wet film to, {units.film_unit}", 0.0, None, _film(coat.wet_film_high_um))
        one, two = st.columns(2)
        sprayed = one.number_input(f"Sprayed, {units.volume_unit}", 0.0, None, _volume(coat.sprayed_ml))
        by = two.text_input("Sprayed by", coat.sprayed_by, max_chars=120)
        gun = one.text_input("Gun", coat.gun_note, max_chars=500)
        note = two.text_input("Note", coat.note, max_chars=500, key="coat-note")
        if st.form_submit_button("Save coat", type="primary"):
            assert isinstance(day, date)
            data.edit_coat(
                replace(
                    coat,
                    started_at=_moment(day, start, coat.started_at),
                    ended_at=_ending(day, start, end, coat),
                    passes=None if passes is None else int(passes),
                    wet_film_low_um=None if low is None else units.film_um(low),
                    wet_film_high_um=None if high is None else units.film_um(high),
                    sprayed_ml=None if sprayed is None else units.volume_ml(sprayed),
                    sprayed_by=by.strip(),
                    gun_note=gun.strip(),
                    note=note.strip(),
                )
            )
            say_done(f"Coat {coat.id} saved.", data.last_change("coat", coat.id))
            st.rerun()


@words.plainly
def piece() -> None:
    """Add a piece."""
    with st.form("piece", border=False, clear_on_submit=True):
        name = st.text_input("Name", placeholder="e.g. Snare shell, maple", max_chars=120)
        substrate = st.selectbox("Substrate", list(SUBSTRATES))
        owner = st.text_input("Owner's reference", max_chars=120)
        due = st.date_input("Due", None)
        if st.form_submit_button("Add piece", type="primary"):
            added = data.add_piece(
                Piece(
                    name=name.strip(),
                    substrate=substrate,
                    owner_reference=owner.strip(),
                    due=_moment(due, time(17), None) if isinstance(due, date) else None,
                )
            )
            say_done(f"Piece added: {added.name}.", data.last_change("piece", added.id))
            st.query_params["piece"] = str(added.id)
            st.rerun()


TYPED: Final = "No booth: as typed below"


@words.plainly
def move(piece: Piece) -> None:
    """Tell where a piece stands from now on: in a booth, or where a person says how warm it is."""
    units = data.units()
    with st.form(f"move-{piece.id}", border=False):
        place = st.text_input("Moved to", placeholder="e.g. heated room", max_chars=120, key=f"place-{piece.id}")
        booth = st.selectbox("Readings of", [TYPED, *data.booths()], key=f"place-booth-{piece.id}")
        one, two = st.columns(2)
        warm = one.number_input(
            f"Warmth there, {units.temperature_unit}", value=None, step=1.0, format="%.0f", key=f"place-warm-{piece.id}"
        )
        damp = two.number_input("Humidity, % RH", 1, 99, None, placeholder="if known", key=f"place-damp-{piece.id}")
        if st.form_submit_button("Move it", type="primary", width="stretch"):
            typed = booth == TYPED
            moved = data.move_piece(
                PiecePlace(
                    piece_id=piece.id,
                    at=data.now(),
                    place=place.strip() or ("elsewhere" if typed else booth),
                    booth="" if typed else booth,
                    air_c=units.celsius(warm) if typed and warm is not None else None,
                    relative_humidity_pct=float(damp) if typed and damp is not None else None,
                )
            )
            say_done(f"{piece.name} moved: {words.place(moved, units)}.", data.last_change("piece_place", moved.id))
            st.rerun()


@words.plainly
def mix() -> None:
    """Make a mix of a material, reducer, retarder and catalyst."""
    materials = {material.id: material for material in data.materials()}
    with st.form("mix", border=False, clear_on_submit=True):
        number = st.selectbox("Material", list(materials), format_func=lambda one: materials[one].name)
        reducer = st.number_input("Reducer, % of the material's volume", 0, 500, 0, 5)
        retarder = st.number_input("Retarder, % of the material's volume", 0, 500, 0, 5)
        catalyst = st.number_input("Catalyst, % of the material's volume", 0, 500, 0, 5)
        if st.form_submit_button("Add mix", type="primary"):
            made = data.add_mix(
                Mix(
                    material=materials[number],
                    reducer_fraction=reducer / 100,
                    retarder_fraction=retarder / 100,
                    catalyst_fraction=catalyst / 100,
                    mixed_at=data.now(),
                )
            )
            say_done(f"Mix added: {words.mix(made)}.", data.last_change("mix", made.id))
            st.rerun()


def _moment(day: date, at: time, known: datetime | None) -> datetime:
    """A shop-local day and time in UTC; an untouched time keeps its seconds and its side of a clock change."""
    if known is not None:
        before = known.astimezone(data.zone())
        if (before.date(), before.hour, before.minute) == (day, at.hour, at.minute):
            return known
    return datetime.combine(day, at, data.zone()).astimezone(UTC)


def _ending(day: date, start: time, end: time | None, coat: Coat) -> datetime | None:
    if end is None:
        return None
    if coat.ended_at is not None:
        before = coat.ended_at.astimezone(data.zone())
        same_day = coat.started_at.astimezone(data.zone()).date() == day
        if same_day and (before.hour, before.minute) == (end.hour, end.minute):
            return coat.ended_at
    past_midnight = end.replace(second=0) < start.replace(second=0)
    return _moment(date.fromordinal(day.toordinal() + past_midnight), end, None)


def _film(um: float | None) -> float | None:
    return None if um is None else round(data.units().film_value(um), 1)


def _volume(ml: float | None) -> float | None:
    return None if ml is None else round(data.units().volume_value(ml), 1)
