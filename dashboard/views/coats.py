"""Coats: log a coat in three taps, look one up, put it right."""

from __future__ import annotations

from datetime import datetime, timedelta

import streamlit as st

from collector.advice import conditions
from collector.advice.display import duration
from collector.errors import NotFound
from collector.records.model import CHECK_METHODS, DEFECTS, ISOCYANATE_CAUTION, STAGES, Coat, Mix, Piece
from collector.report.compose import READERS
from dashboard import charts, data, forms, schedule_forms, tiles, words
from dashboard.choosing import from_address

LISTED = 30
RECENT_MIXES = 6
BEFORE, AFTER = timedelta(minutes=30), timedelta(hours=4)


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Coats", data.settings().shop.name))
    forms.done_bar()
    number = st.query_params.get("coat")
    if number is not None:
        one_coat(number)
        return
    log_a_coat()
    st.header("Coats so far", anchor=False)
    listing()
    left, right = st.columns(2)
    with left.expander("Add a piece"):
        forms.piece()
    with right.expander("Add a mix"):
        forms.mix()
    with st.expander("Finishing schedule of a piece", key="schedules"):
        schedule_of_a_piece()


@words.plainly
def schedule_of_a_piece() -> None:
    """A piece's steps: copied from a template, ticked, edited."""
    pieces = {piece.id: piece for piece in data.pieces()}
    if not pieces:
        st.info("No piece is in hand.")
        return
    chosen = st.selectbox("Schedule of", list(pieces), format_func=lambda one: pieces[one].name, key="schedule-of")
    schedule_forms.schedule(pieces[chosen], f"coats-{chosen}")


@words.plainly
def log_a_coat() -> None:
    """Piece, mix, Start; and Done for what is being sprayed."""
    pieces = {piece.id: piece for piece in data.pieces()}
    for coat in data.open_coats():
        _spraying(coat, pieces.get(coat.piece_id))
    st.header("Log a coat", anchor=False)
    if not pieces:
        st.info("No piece is in hand. Add one below.")
        return
    busy = {coat.piece_id for coat in data.open_coats()}
    free = [number for number in pieces if number not in busy]
    try:
        named = from_address("piece", list(pieces))
    except NotFound as error:
        st.error(words.sentence(str(error)))
        named = None
    start = named if named in free else None
    piece_id = st.pills("1. Piece", free, default=start, format_func=lambda one: pieces[one].name, key=f"piece-{start}")
    choices = _recent_mixes()
    chosen = st.pills("2. Mix", list(choices), format_func=lambda one: words.mix(choices[one]), key="mix-choice")
    mix = choices.get(chosen) if chosen is not None else None
    if mix is not None and mix.material.isocyanate:
        st.html(tiles.caution(ISOCYANATE_CAUTION))
    ready = piece_id is not None and mix is not None
    if st.button("3. Start", type="primary", disabled=not ready, key="start-coat", width="stretch"):
        assert piece_id is not None and mix is not None
        coat = data.start_coat(pieces[piece_id], mix, data.settings().shop.booth)
        forms.say_done(f"Coat started on {pieces[piece_id].name}.", data.last_change("coat", coat.id))
        st.rerun()


def _spraying(coat: Coat, piece: Piece | None) -> None:
    name = piece.name if piece else f"piece {coat.piece_id}"
    left, right = st.columns([4, 1], vertical_alignment="center")
    with left:
        st.html(
            tiles.card(
                title=name,
                subtitle=words.mix(coat.mix),
                open_words="Being sprayed",
                clock=f"for {duration((data.now() - coat.started_at).total_seconds())}",
                lines=[],
            )
        )
    if right.button("Done", key=f"done-{coat.id}", type="primary", width="stretch"):
        data.end_coat(coat.piece_id)
        forms.say_done(f"Coat ended on {name}.", data.last_change("coat", coat.id))
        st.rerun()


def _recent_mixes() -> dict[str, Mix]:
    """Mixes used lately, each ratio once, then materials that have none, ready to be sprayed as supplied."""
    found: dict[str, Mix] = {}
    for mix in data.mixes():
        found.setdefault(words.mix(mix), mix)
    recent = dict(list(found.items())[:RECENT_MIXES])
    seen = {mix.material.id for mix in recent.values()}
    unused = [material for material in data.materials() if material.id not in seen]
    return {**recent, **{material.name: Mix(material=material) for material in unused}}


@words.plainly
def listing() -> None:
    """The coats, newest first, of one piece or of all."""
    names = {piece.id: piece.name for piece in data.pieces(include_done=True)}
    chosen = st.selectbox(
        "Of", [0, *names], format_func=lambda one: names.get(one, "all pieces"), key="coats-of", width=420
    )
    if chosen:
        _record(chosen)
    coats = data.coats(piece_id=chosen or None)
    if not coats:
        st.info("No coat has been logged yet.")
        return
    now, zone, units = data.now(), data.zone(), data.units()
    for coat in coats[:LISTED]:
        left, right = st.columns([5, 1], vertical_alignment="center")
        passes = f"{coat.passes} passes" if coat.passes and coat.passes > 1 else "1 pass" if coat.passes else ""
        film = f"wet film {words.film(coat, units)}" if coat.wet_film_low_um is not None else ""
        with left:
            st.html(
                tiles.line(
                    names.get(coat.piece_id, f"piece {coat.piece_id}"),
                    words.mix(coat.mix),
                    ", ".join(text for text in (words.clock(coat.started_at, zone, now), passes, film) if text),
                )
            )
        if right.button("Open", key=f"open-{coat.id}", width="stretch"):
            st.query_params.from_dict({"coat": str(coat.id)})
            st.rerun()
    if len(coats) > LISTED:
        st.caption(f"The newest {LISTED} of {len(coats)}; choose a piece to see its older ones.")


def _record(piece_id: int) -> None:
    """Buttons for the record of the piece; it is only made when one is pressed."""
    places = st.columns([1, 1, 2])
    for place, reader, label in zip(places, READERS, ("for the customer", "for the shop"), strict=False):
        place.download_button(
            f"Record (PDF), {label}",
            data=lambda reader=reader: data.piece_record(piece_id, reader).content,
            file_name=data.record_name(piece_id, reader),
            mime="application/pdf",
            on_click="ignore",
            key=f"record-{reader}-{piece_id}",
            width="stretch",
        )


@words.plainly
def one_coat(number: str) -> None:
    """One coat: what was sprayed, in what conditions, what was found of it since."""
    if st.button("← All coats", key="all-coats"):
        st.query_params.clear()
        st.rerun()
    coat = data.coat_of(number)
    name = data.piece_name(coat.piece_id)
    now, zone, units = data.now(), data.zone(), data.units()
    st.html(
        tiles.card(
            title=f"{name}, coat {coat.id}",
            subtitle=words.mix(coat.mix),
            open_words="Being sprayed" if coat.ended_at is None else "",
            clock=words.clock(coat.started_at, zone, now)
            + ("" if coat.ended_at is None else f" to {coat.ended_at.astimezone(zone):%H:%M}"),
            lines=[
                f"Passes: {coat.passes or 'not noted'}. Wet film: {words.film(coat, units)}. "
                f"Sprayed: {units.volume(coat.sprayed_ml)}. {coat.gun_note} {coat.note}".strip()
            ],
        )
    )
    if coat.mix.material.isocyanate:
        st.html(tiles.caution(ISOCYANATE_CAUTION))
    _record(coat.piece_id)
    _conditions(coat)
    left, right = st.columns(2)
    with left:
        st.header("Checks", anchor=False)
        for check in data.checks(coat.id):
            answer = "yes" if check.passed else "not yet"
            after = duration((check.at - (coat.ended_at or coat.started_at)).total_seconds())
            _entry("check", check.id, f"{STAGES[check.stage]}: {answer}",
                   f"{CHECK_METHODS[check.method]}, {after} after spraying. {check.note}".strip())  # fmt: skip
        with st.expander("Log a check"):
            forms.check(coat, f"coat-{coat.id}")
    with right:
        st.header("How it came out", anchor=False)
        for outcome in data.outcomes(coat.id):
            title = DEFECTS[outcome.defect] if outcome.defect else "Right"
            degree = f"degree {outcome.degree} of 5. " if outcome.defect else ""
            words_of = f"{words.clock(outcome.seen_at, zone, now)}. {degree}{outcome.zone} {outcome.note}"
            _entry("outcome", outcome.id, title, words_of.strip())
        with st.expander("Log how it came out"):
            forms.outcome(coat)
    with st.expander("Edit this coat"):
        forms.edit_coat(coat)
    if st.button("Delete this coat", key="delete-coat"):
        entry = data.delete("coat", coat.id)
        forms.say_done(f"Coat {coat.id} on {name} deleted.", entry.id)
        st.query_params.clear()
        st.rerun()


def _entry(kind: str, record_id: int, title: str, text: str) -> None:
    left, right = st.columns([4, 1.5], vertical_alignment="center")
    with left:
        st.html(tiles.line(title, text, ""))
    if right.button("Delete", key=f"delete-{kind}-{record_id}", width="stretch"):
        entry = data.delete(kind, record_id)
        forms.say_done(f"Deleted: {title.lower()}.", entry.id)
        st.rerun()


@words.plainly
def _conditions(coat: Coat) -> None:
    ended = coat.ended_at or data.now()
    start = coat.started_at - BEFORE
    end = min(ended + AFTER, max(data.now(), coat.started_at + timedelta(minutes=1)))
    found = data.conditions_between(coat.booth, start, end)
    if found.empty:
        st.info(f"No readings of {coat.booth} are kept from this time.")
        return
    material = coat.mix.material
    spans = data.coat_spans(coat.booth, start, end)
    own = (coat.started_at, ended)
    st.html(tiles.tiles(_spreads(found, coat.started_at, ended)))
    st.echarts_chart(
        charts.booth(
            found,
            zone=data.zone(),
            units=data.units(),
            limits=material.limits,
            margin_limit_k=data.margin_limit_k(material),
            coats=[span for span in spans if span[0] != coat.started_at] + [own],
            dark=st.context.theme.type == "dark",
            event=own,
        ),
        height=560,
        key=f"coat-{coat.id}",
        alt=charts.describe(found, data.units()),
    )
    st.html(
        tiles.note(
            "From 30 min before spraying to 4 h after. Outlined: this coat; grey: others in the booth. Dashed: the "
            "material's limits and the least surface temperature its margin allows."
        )
    )


def _spreads(found: conditions.Conditions, start: datetime, end: datetime) -> list[tiles.Tile]:
    """Conditions while it was being sprayed."""
    units = data.units()
    first, last = (round(moment.timestamp() * 1000) for moment in (start, end))
    damp = found.relative_humidity_pct.get(found.node)
    rows = [
        ("Air while spraying", found.air_c, "Cel"),
        ("Humidity while spraying", damp, "%RH"),
        ("Above dew point while spraying", found.margin_k, "K"),
    ]
    made: list[tiles.Tile] = []
    for label, values, unit in rows:
        if values is None:
            continue
        spread = conditions.spread(found.time_ms, values, first, last, found.width_ms)
        number, _, shown_unit = units.quantity(unit, spread.mean).partition(" ")
        ends = "not measured" if spread.low is None else (
            f"{units.quantity(unit, spread.low).split()[0]} to {units.quantity(unit, spread.high).split()[0]}"
        )  # fmt: skip
        made.append(tiles.Tile(name=label, value=number, unit=shown_unit, plus_minus=f"mean; {ends}", age=""))
    return made


page()
