"""The one module of the screens that opens stores: short-lived cached reads, and the writes of the forms.

A reading store is opened, used and closed within each query; the record store keeps one engine, which hands a
connection to each call.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any, Final
from zoneinfo import ZoneInfo

import streamlit as st

from collector import settings as configuration
from collector.advice import air, airflow, coat_air, conditions, progress
from collector.advice import ledger as ledger_room
from collector.advice import sanding as sanding_room
from collector.advice.air import AirState
from collector.advice.airflow import FilterState
from collector.advice.booth_state import BoothState
from collector.advice.coat_air import VapourCourse
from collector.advice.coat_progress import Rack
from collector.advice.conditions import Conditions
from collector.advice.display import Units
from collector.advice.finish import PieceSchedule, shop_schedules
from collector.advice.ledger import Ledger
from collector.advice.readiness import Readiness, assess, gather
from collector.advice.sanding import Budget, Sheet
from collector.advice.shop_learning import ShopLearning, shop_learning
from collector.advice.spray_vapour import PredictedVapour, predicted_vapour
from collector.advice.ways_out import WayOut
from collector.advice.wet_coat import last_coat, mix_in_use
from collector.errors import NotFound, SettingsError
from collector.readings.base import DeadLetter, NodeState
from collector.readings.sqlite import SqliteReadingStore
from collector.records.alerts import Alert
from collector.records.model import (
    AuditEntry,
    BoothSetup,
    Check,
    Coat,
    Material,
    Mix,
    Outcome,
    Piece,
    PiecePlace,
    Sanding,
    SolventUse,
)
from collector.records.repository import Records, open_records
from collector.records.schedule import Schedule, Step, template
from collector.reference import abrasives, solvents
from collector.report.file import PDF, File, file_name, file_of
from collector.settings import Settings
from collector.wire import Remark
from dashboard import aside

LIVE_S: Final = 2
"""All open screens share one query in this time."""

STATE_FILE: Final = "ingest-state.json"
SILENT_AFTER_S: Final = 30.0
"""Ingest writes its state every few seconds; older than this it is not running."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoothLog:
    """What the booth's nodes are doing: their states, their words, what was refused."""

    nodes: tuple[NodeState, ...]
    remarks: tuple[Remark, ...]
    dead_letters: tuple[DeadLetter, ...]
    dead_letter_count: int


@st.cache_resource
def settings() -> Settings:
    """The settings of the service these pages belong to."""
    return configuration.load()


def page_title() -> str:
    """Title of the browser tab."""
    try:
        return settings().shop.name
    except SettingsError:
        return "tackfree"


def zone() -> ZoneInfo:
    """The shop's time zone."""
    return settings().shop.zone


def units() -> Units:
    """The shop's display units."""
    return Units(settings().shop.units)


def now() -> datetime:
    """The present, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


# -- readings ------------------------------------------------------------------------------------------------


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def booth_state(booth: str) -> BoothState:
    """Newest readings of a booth with those of the last hour."""
    with _readings() as store:
        return gather(store, booth, _ms(datetime.now(UTC)), settings().readiness)


def readiness(state: BoothState, material: Material, piece: Piece | None) -> Readiness:
    """The spray / hold answer for a booth's state."""
    shelf = records()
    return assess(
        state,
        material,
        piece,
        settings(),
        mix=mix_in_use(shelf, material),
        earlier=last_coat(shelf, piece, state.now_ms),
        blush_of=partial(aside.blush_lately, _coat(state.booth, material, piece)),
    )


def ways_out(answer: Readiness, material: Material, piece: Piece | None) -> tuple[WayOut, ...] | None:
    """What would bring the chance of blush under the shop's limit; None while it is first worked out."""
    return aside.ways_out(answer, _coat(answer.booth, material, piece), settings())


@st.cache_data(ttl=10, show_spinner=False)
def rack(plan: str = "") -> Rack:
    """How far every piece in hand has come, with the shop heated as a plan says, or as it usually is."""
    with _readings() as store:
        return progress.rack(store, records(), settings(), _ms(datetime.now(UTC)), plan or None)


@st.cache_data(ttl=10, show_spinner=False)
def schedules() -> dict[int, PieceSchedule]:
    """Where the pieces in hand that follow a schedule stand, and when they are finished."""
    if not records().schedules.all():
        return {}
    return shop_schedules(records(), rack(), learned(), settings(), booth=_booth_says)


def _booth_says(name: str, role: str) -> tuple[str, str]:
    """The booth's verdict on a material; where none is settled, on the one the booth is set up for, if of the role."""
    booth = settings().shop.booth
    material = next((one for one in materials() if one.name == name), None)
    setup = booth_setup(booth) if material is None else None
    if setup is not None and setup.material_id is not None:
        material = next((one for one in materials() if one.id == setup.material_id and one.role == role), None)
    if material is None:
        return "go", ""
    answer = readiness(booth_state(booth), material, None)
    return answer.verdict, answer.reason


def copy_template(piece: Piece, name: str) -> Schedule:
    """Let a piece follow a template."""
    chosen = template(name)
    made = Schedule(piece_id=piece.id, template=chosen.name, steps=chosen.steps, copied_at=now())
    held = records().schedules.copy(made)
    changed()
    return held


def tick_step(held: Schedule, step_id: int, *, done: bool) -> None:
    """Note that a step is done now, or that it is not."""
    records().schedules.tick(held.id, step_id, now() if done else None)
    changed()


def edit_steps(held: Schedule, steps: tuple[Step, ...]) -> None:
    """Store changed steps of a schedule."""
    records().schedules.edit(held.id, steps)
    changed()


def grits(text: str) -> tuple[str, ...]:
    """Grits as typed, "P800, P1000", by the names of their grades."""
    return tuple(each.name for each in abrasives.sequence(text.split(",")))


def learned() -> ShopLearning:
    """What the checks of the shop tell of stage times."""
    with _readings() as store:
        return shop_learning(store, records(), settings(), _ms(datetime.now(UTC)))


def margin_limit_k(material: Material) -> float:
    """Least surface above dew point for a material: its own, or the shop's. [K]"""
    own = material.limits.margin_min_k
    return settings().readiness.margin_limit_k if own is None else own


@st.cache_data(ttl=60, show_spinner=False)
def booths() -> list[str]:
    """Every booth that has sent a reading, the shop's own first."""
    own = settings().shop.booth
    with _readings() as store:
        heard = {series.booth for series in store.series()}
    return [own, *sorted(heard - {own})]


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def booth_log(booth: str) -> BoothLog:
    """Node states, remarks of the last day, and dead letters."""
    now_ms = _ms(datetime.now(UTC))
    with _readings() as store:
        return BoothLog(
            nodes=tuple(store.nodes(booth)),
            remarks=tuple(store.remarks(booth, now_ms - 86_400_000, now_ms + 86_400_000)),
            dead_letters=tuple(store.dead_letters(20)),
            dead_letter_count=store.dead_letter_count(now_ms - 86_400_000),
        )


@st.cache_data(ttl=4, show_spinner=False)
def recent_conditions(booth: str, span_s: int) -> Conditions:
    """Conditions of the last so many seconds."""
    end_ms = _ms(datetime.now(UTC))
    with _readings() as store:
        return conditions.gather(store, booth, end_ms - span_s * 1000, end_ms, settings().readiness)


@st.cache_data(ttl=5, show_spinner=False)
def conditions_between(booth: str, start: datetime, end: datetime) -> Conditions:
    """Conditions of a stretch of time."""
    with _readings() as store:
        return conditions.gather(store, booth, _ms(start), _ms(end), settings().readiness)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def air_state(booth: str, material_id: int) -> AirState:
    """The booth's air now; the material about to be sprayed lends its cautions."""
    state = booth_state(booth)
    with _readings() as store:
        return air.air_state(store, records(), state, settings(), chosen_mix(material_id))


@st.cache_data(ttl=300, show_spinner=False)
def filter_state(booth: str) -> FilterState:
    """How far the exhaust filter has loaded; it takes months of readings and moves by the day."""
    with _readings() as store:
        return airflow.filter_state(store, booth, _ms(datetime.now(UTC)), settings())


@st.cache_data(ttl=10, show_spinner=False)
def vapour_course(booth: str, span_s: int) -> VapourCourse:
    """Vapour measured and predicted in the last so many seconds."""
    end_ms = _ms(datetime.now(UTC))
    with _readings() as store:
        return coat_air.vapour_course(store, records(), booth, end_ms - span_s * 1000, end_ms, settings())


@st.cache_data(ttl=10, show_spinner=False)
def next_coat_vapour(booth: str, material_id: int, minutes: float, rate_ml_min: float) -> PredictedVapour:
    """Vapour of the coat about to be sprayed, with the exhaust as it runs or last ran."""
    with _readings() as store:
        flow = coat_air.usual_flow(store, booth_state(booth), settings())
    # The rate is as uncertain as the setting says, so the setting is what is changed.
    ours = settings()
    asked = replace(ours, ventilation=replace(ours.ventilation, spray_rate_ml_min=rate_ml_min))
    return predicted_vapour(chosen_mix(material_id), asked, flow, minutes=minutes)


def chosen_mix(material_id: int) -> Mix:
    """The newest mix of a material as it is now; else the material as supplied."""
    material = records().material(material_id)
    same = [mix for mix in mixes() if (mix.material.id, mix.material.version) == (material.id, material.version)]
    return same[0] if same else Mix(material=material)


def ingest_trouble() -> str:
    """Why no new readings are being stored, in one sentence; empty when they are."""
    path = settings().data.path / STATE_FILE
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        age_s = datetime.now(UTC).timestamp() - path.stat().st_mtime
    except FileNotFoundError:
        return "The collector has not run on this data folder yet, so nothing new is being stored."
    except (OSError, ValueError):
        return "The collector's state cannot be read; run tackfree doctor."
    if age_s > SILENT_AFTER_S:
        return "The collector is not running, so nothing new is being stored."
    if told.get("paused"):
        return f"Storing is paused: {told['paused']}. Nodes keep their readings until it goes on."
    if not told.get("connected", True):
        why = f" ({told['trouble']})" if told.get("trouble") else ""
        return f"The collector is not connected to the broker{why}. Nodes keep their readings until it is."
    return ""


# -- records -------------------------------------------------------------------------------------------------


@st.cache_resource
def records() -> Records:
    """The record store, for the forms; what they change must be followed by :func:`changed`."""
    folder = settings().data.path
    folder.mkdir(parents=True, exist_ok=True)
    return open_records(settings().data.records_url)


def changed() -> None:
    """Forget what was read, as a record has changed."""
    for cached in (materials, mixes, pieces, coats, open_coats, checks, outcomes, ledger, rack, places, schedules):
        cached.clear()
    for cached in (sandings, sanding_budget):
        cached.clear()


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def materials() -> list[Material]:
    """All materials by name."""
    return records().materials()


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def mixes() -> list[Mix]:
    """The mixes made last, newest first."""
    return records().mixes(recent=20)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def pieces(include_done: bool = False) -> list[Piece]:
    """Pieces in hand, by name."""
    return records().pieces(include_done=include_done)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def coats(piece_id: int | None = None, since: datetime | None = None) -> list[Coat]:
    """Coats, newest first."""
    return records().coats(piece_id=piece_id, since=since)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def open_coats() -> list[Coat]:
    """Coats being sprayed now."""
    return records().open_coats()


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def checks(coat_id: int) -> list[Check]:
    """Checks of a coat, oldest first."""
    return records().checks(coat_id)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def outcomes(coat_id: int) -> list[Outcome]:
    """Outcomes of a coat, oldest first."""
    return records().outcomes(coat_id)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def places() -> dict[int, PiecePlace]:
    """Where pieces were moved to last, by piece; a coat since then brought the piece back to its booth."""
    sprayed = {coat.piece_id: coat.started_at for coat in reversed(coats())}
    moved = {place.piece_id: place for place in records().places()}
    return {number: place for number, place in moved.items() if number not in sprayed or place.at > sprayed[number]}


def move_piece(place: PiecePlace) -> PiecePlace:
    """Store where a piece was moved to."""
    moved = records().move_piece(place)
    changed()
    return moved


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def ledger(until: date) -> Ledger:
    """The VOC ledger up to the end of a day."""
    return ledger_room.gather(records(), until, zone(), settings().ledger)


def ledger_csv(found: Ledger) -> bytes:
    """The ledger's twelve months as CSV."""
    out = io.StringIO(newline="")
    ledger_room.write_csv(found.between(found.first_day, found.until), out)
    return out.getvalue().encode("utf-8")


def solvent_names() -> list[str]:
    """Solvents whose VOC content is known, by name."""
    return sorted(solvent.name for solvent in solvents.solvents() if solvent.name != "water")


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def open_alerts() -> list[Alert]:
    """Open alerts, danger first."""
    return records().alerts.open()


def acknowledge_alert(alert_id: int) -> None:
    """Note that somebody has seen an alert."""
    records().alerts.acknowledge(alert_id, now())
    open_alerts.clear()


def snooze_alert(alert_id: int, hours: float) -> None:
    """Keep an alert quiet for some hours."""
    records().alerts.snooze(alert_id, now() + timedelta(hours=hours), now())
    open_alerts.clear()


@st.cache_data(ttl=10, show_spinner=False)
def sanding_budget(piece_id: int, steps: tuple[str, ...], texture_grade: int) -> Budget:
    """Clear on a piece, what each grit takes, and the chance of going through."""
    shelf = records()
    return sanding_room.budget(shelf, shelf.piece(piece_id), steps, settings(), texture_grade=texture_grade)


@st.cache_data(ttl=LIVE_S, show_spinner=False)
def sandings() -> list[Sanding]:
    """Sandings of every piece, oldest first."""
    return records().sandings()


def sanding_sheets() -> list[Sheet]:
    """The sheet in use of each grit."""
    return sanding_room.sheets(sandings(), settings())


def add_sanding(sanding: Sanding) -> Sanding:
    """Store how a piece was sanded."""
    added = records().add_sanding(sanding)
    changed()
    return added


def add_solvent_use(use: SolventUse) -> SolventUse:
    """Store solvent used beside the coats."""
    added = records().add_solvent_use(use)
    changed()
    return added


def material_of(number: str) -> Material:
    """The material of a number from a page's address."""
    return records().material(_number("material", number))


def piece_of(number: str) -> Piece:
    """The piece of a number from a page's address."""
    return records().piece(_number("piece", number))


def coat_of(number: str) -> Coat:
    """The coat of a number from a page's address."""
    return records().coat(_number("coat", number))


def piece_name(piece_id: int) -> str:
    """Name of a piece, in hand or done."""
    names = {piece.id: piece.name for piece in pieces(include_done=True)}
    return names.get(piece_id, f"piece {piece_id}")


def piece_record(piece_id: int, reader: str) -> File:
    """The record of a piece's finish as PDF, for the customer or the shop."""
    with _readings() as store:
        return file_of(store, records(), settings(), records().piece(piece_id), reader, PDF, now())


def record_name(piece_id: int, reader: str) -> str:
    """What that file is called."""
    return file_name(piece_name(piece_id), reader, PDF)


def start_coat(piece: Piece, choice: Mix, booth: str) -> Coat:
    """Start a coat now with a mix, which is stored first where it is new."""
    store = records()
    mix = choice if choice.id else store.add_mix(replace(choice, mixed_at=now()))
    coat = store.start_coat(piece.id, mix.id, booth, now())
    changed()
    return coat


def booth_setup(booth: str) -> BoothSetup | None:
    """What the nodes' button and lamp go by in a booth, if anything was ever chosen."""
    return next((setup for setup in records().booth_setups() if setup.booth == booth), None)


def set_up_booth(booth: str, material: Material, piece: Piece | None) -> None:
    """Let the nodes' button and lamp go by this material and piece."""
    piece_id = piece.id if piece else None
    records().set_up_booth(BoothSetup(booth=booth, piece_id=piece_id, material_id=material.id, changed_at=now()))


def end_coat(piece_id: int) -> Coat:
    """End the piece's open coat now."""
    coat = records().end_coat(piece_id, now())
    changed()
    return coat


def last_change(kind: str, record_id: int) -> int | None:
    """Audit number of the newest change of a record, which :func:`undo` takes back."""
    entries = records().audit(kind, record_id, most=1)
    return entries[0].id if entries else None


def edit_coat(coat: Coat) -> Coat:
    """Store an edited coat."""
    edited = records().edit_coat(coat)
    changed()
    return edited


def add_check(check: Check) -> Check:
    """Store a check."""
    added = records().add_check(check)
    changed()
    return added


def add_outcome(outcome: Outcome) -> Outcome:
    """Store an outcome."""
    added = records().add_outcome(outcome)
    changed()
    return added


def add_piece(piece: Piece) -> Piece:
    """Store a new piece."""
    added = records().add_piece(piece)
    changed()
    return added


def add_mix(mix: Mix) -> Mix:
    """Store a new mix."""
    added = records().add_mix(mix)
    changed()
    return added


def delete(kind: str, record_id: int) -> AuditEntry:
    """Delete a record; the entry undoes it."""
    entry = records().delete(kind, record_id)
    changed()
    return entry


def undo(audit_id: int) -> None:
    """Take a change back."""
    records().undo(audit_id)
    changed()


def coat_spans(booth: str, start: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
    """When something was being sprayed in a booth."""
    return [
        (coat.started_at, coat.ended_at or min(end, now()))
        for coat in coats(since=start - timedelta(hours=12))
        if coat.booth == booth and coat.started_at < end and (coat.ended_at is None or coat.ended_at > start)
    ]


def _number(kind: str, text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise NotFound(f"there is no {kind} {text[:40]!r}; expected its number") from None


@contextmanager
def _readings() -> Iterator[SqliteReadingStore]:
    store = SqliteReadingStore(settings().data.readings_file, read_only=True)
    try:
        yield store
    finally:
        store.close()


def _coat(booth: str, material: Material, piece: Piece | None) -> aside.AskedCoat:
    return booth, material.id, material.version, piece.id if piece else None


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
