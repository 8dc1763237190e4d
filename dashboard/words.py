"""What the screens say: numbers and states put into words, and refusals shown as sentences."""

from __future__ import annotations

import functools
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final, ParamSpec
from zoneinfo import ZoneInfo

import streamlit as st

from collector.advice.booth_state import AIR, HUMIDITY, SURFACE, BoothState
from collector.advice.conditions import DewPoint
from collector.advice.display import Units, duration
from collector.advice.readiness import Limit, Readiness
from collector.advice.ways_out import WayOut
from collector.errors import TackfreeError
from collector.readings.base import NodeState
from collector.records.model import STAGES, Coat, Mix, PiecePlace
from collector.wire import QUANTITIES, Reading
from dashboard.tiles import LimitRow, Tile, WayRow

P = ParamSpec("P")

COVERAGE: Final = 2.0


def plainly(page: Callable[P, None]) -> Callable[P, None]:
    """Show what was refused as a sentence, on a page or a part of one."""

    @functools.wraps(page)
    def guarded(*arguments: P.args, **named: P.kwargs) -> None:
        try:
            page(*arguments, **named)
        except TackfreeError as error:
            st.error(sentence(str(error)))

    return guarded


def sentence(text: str) -> str:
    """Text with a capital first letter and a full stop."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def ago(moment: datetime, now: datetime) -> str:
    """How long ago, in the unit a person would use."""
    return f"{duration(max(0.0, (now - moment).total_seconds()))} ago"


def clock(moment: datetime, zone: ZoneInfo, now: datetime) -> str:
    """A moment in shop time, with its day unless that is today."""
    there, today = moment.astimezone(zone), now.astimezone(zone).date()
    if there.date() == today:
        return f"today {there:%H:%M}"
    if there.date() == today - timedelta(days=1):
        return f"yesterday {there:%H:%M}"
    return f"{there:%a %d %b %H:%M}" if there.year == today.year else f"{there:%d %b %Y %H:%M}"


def mix(made: Mix) -> str:
    """A mix as applied."""
    parts = [
        f"{fraction:.0%} {what}"
        for what, fraction in (
            ("reducer", made.reducer_fraction),
            ("retarder", made.retarder_fraction),
            ("catalyst", made.catalyst_fraction),
        )
        if fraction
    ]
    return f"{made.material.name} + {', '.join(parts)}" if parts else made.material.name


def sheet_time(made: Mix, units: Units) -> str:
    """The data sheet's time to recoat (else its first stage), with the conditions it holds at."""
    stages = {stage.stage: stage for stage in made.material.stages}
    stage = stages.get("dry_to_recoat") or next(iter(stages.values()), None)
    if stage is None:
        return "The material's sheet gives no drying times."
    return (
        f"{STAGES[stage.stage]}: {hours(stage.low_h)} to {hours(stage.high_h)} at {units.temperature(stage.at_c, 0)}, "
        f"{stage.at_relative_humidity_pct:.0f} % RH by the material's sheet; not corrected for your booth."
    )


def hours(value: float) -> str:
    """A drying time, in minutes, hours or days."""
    if value < 1:
        return f"{value * 60:.0f} min"
    return f"{value:g} h" if value < 72 else f"{value / 24:.0f} d"


def place(where: PiecePlace, units: Units) -> str:
    """Where a piece stands, and by what its climate is known."""
    if where.booth:
        return where.place if where.place == where.booth else f"{where.place}, readings of {where.booth}"
    damp = where.relative_humidity_pct
    return ", ".join(
        [where.place, units.temperature(where.air_c, 0), *([f"{damp:.0f} % RH"] if damp is not None else [])]
    )


def film(coat: Coat, units: Units) -> str:
    """The wet film as the comb gauge gave it."""
    low, high = coat.wet_film_low_um, coat.wet_film_high_um
    if low is None or high is None:
        return "not measured" if low is None and high is None else units.film(low if low is not None else high)
    return f"{units.film(low).split()[0]} to {units.film(high)}"


def limit_row(limit: Limit, units: Units) -> LimitRow:
    """One limit of the spray / hold answer, in words."""
    return LimitRow(
        verdict=limit.verdict,
        label=limit.label,
        value=_limit_value(limit, units),
        reason=sentence(limit.reason),
        trend=trend(limit, units),
    )


def trend(limit: Limit, units: Units) -> str:
    """Where the last hour's rate leads."""
    found = limit.trend
    if found is None:
        return ""
    if found.event == "steady" or found.minutes is None:
        return "Steady."
    rising = found.per_hour > 0
    target = limit.high if rising == (found.event == "broken") else limit.low
    if found.event == "met" and rising:
        target = limit.low
    elif found.event == "met":
        target = limit.high
    bound = _quantity(limit.unit, target, units)
    span = _span(found.minutes, found.minutes_low, found.minutes_high)
    if found.event == "met":
        return f"At this rate it is back within {bound} in {span}."
    return f"At this rate {bound} is passed in {span}."


def booth_tiles(
    state: BoothState, answer: Readiness, dew: DewPoint | None, units: Units, stale_after_s: float, station: str
) -> list[Tile]:
    """Every measured value of the booth with its unit, uncertainty and age; the dew point is that of ``station``."""
    limits = {limit.name: limit for limit in answer.limits}
    judged = {AIR: "air_temperature", SURFACE: "surface_temperature", HUMIDITY: "relative_humidity"}
    made: list[Tile] = []
    names = {AIR: "Air", SURFACE: "Surface", HUMIDITY: "Humidity", "voc_ppm": "Solvent vapour",
             "booth_pressure": "Booth pressure", "face_velocity": "Face velocity"}  # fmt: skip
    for quantity in (AIR, SURFACE, HUMIDITY):
        limit = limits[judged[quantity]]
        spread = None if limit.standard_uncertainty is None else COVERAGE * limit.standard_uncertainty
        made.append(_reading_tile(names[quantity], _reading(state, quantity, limit.node), state, units, stale_after_s,
                                  spread))  # fmt: skip
    margin = limits["dew_point_margin"]
    made.append(_dew_tile(dew, units, stale_after_s, "" if station == margin.node else f", {station}"))
    made.append(_margin_tile(margin, dew, units))
    for quantity in ("voc_ppm", "booth_pressure", "face_velocity"):
        reading = state.newest(quantity)
        made.append(_reading_tile(names[quantity], reading, state, units, stale_after_s, None))
    return made


def way_row(way: WayOut) -> WayRow:
    """One way out of blush, in words."""
    return WayRow(enough=way.value is not None, text=sentence(way.words))


def node_row(node: NodeState, faults: str, now_ms: int) -> list[str]:
    """One line of the table of nodes."""
    said = node.status or {}
    heard = "never" if node.last_received_ms is None else f"{duration((now_ms - node.last_received_ms) / 1000)} ago"
    gaps = f"{node.missing} lost, {node.waiting} on the way" if node.missing or node.waiting else "none"
    return [node.node, str(said.get("state", "not told")), heard, gaps, faults or "none"]


def _limit_value(limit: Limit, units: Units) -> str:
    if limit.value is None:
        return "not known"
    shown = _quantity(limit.unit, limit.value, units)
    if not limit.standard_uncertainty:
        return shown
    if limit.name == "blush":  # a chance out of some hundreds of draws, each of which counts
        return f"{shown.split()[0]} ± {max(1.0, COVERAGE * limit.standard_uncertainty):.0f} {limit.unit}"
    number, _, unit = shown.partition(" ")
    return f"{number} ± {_spread(limit.unit, COVERAGE * limit.standard_uncertainty, units)} {unit}"


def _quantity(unit: str, value: float | None, units: Units) -> str:
    if unit == "s":
        return duration(value or 0.0)
    return units.quantity(unit, value, 0 if unit in ("%RH", "%") else 1)


def _spread(unit: str, value: float, units: Units) -> str:
    if unit == "%RH":
        return f"{value:.0f}"
    if unit in ("Cel", "K"):
        return units.difference(value).split()[0]
    return _quantity(unit, value, units).split()[0]


def _span(minutes: float, low: float | None, high: float | None) -> str:
    def short(value: float) -> str:
        return f"{value:.0f} min" if value < 100 else f"{value / 60:.1f} h"

    if low is None or high is None:
        return f"about {short(minutes)}"
    return f"about {short(minutes)} ({short(low)} to {short(high)})"


def _reading(state: BoothState, quantity: str, node: str) -> Reading | None:
    own = [reading for reading in state.readings if reading.quantity == quantity and reading.node == node]
    return own[0] if own else state.newest(quantity)


def _reading_tile(
    name: str, reading: Reading | None, state: BoothState, units: Units, stale_after_s: float, spread: float | None
) -> Tile:
    if reading is None:
        return Tile(name=name, value="–", unit="", plus_minus="not measured", age="")
    known = QUANTITIES.get(reading.quantity)
    digits = 0 if reading.quantity in (HUMIDITY, "voc_ppm") else 1
    number, _, unit = units.quantity(known.unit if known else reading.unit, reading.value, digits).partition(" ")
    age_s = state.age_s(reading)
    several = len({other.node for other in state.readings if other.quantity == reading.quantity}) > 1
    return Tile(
        name=name,
        value=number,
        unit=unit,
        plus_minus="± not known" if spread is None else f"± {_spread(reading.unit or '', spread, units)}",
        age=_age(age_s) + (f", {reading.node}" if several else ""),
        old=abs(age_s) > stale_after_s,
    )


def _dew_tile(dew: DewPoint | None, units: Units, stale_after_s: float, of: str) -> Tile:
    if dew is None:
        return Tile(name="Dew point", value="–", unit="", plus_minus="not known", age="")
    number, _, unit = units.temperature(dew.value_c).partition(" ")
    return Tile(
        name="Dew point" if dew.value_c >= 0 else "Frost point",
        value=number,
        unit=unit,
        plus_minus=f"± {_spread('K', COVERAGE * dew.standard_uncertainty_k, units)}",
        age=_age(dew.age_s) + of,
        old=dew.age_s > stale_after_s,
    )


def _margin_tile(margin: Limit, dew: DewPoint | None, units: Units) -> Tile:
    if margin.value is None or margin.standard_uncertainty is None:
        return Tile(name="Above dew point", value="–", unit="", plus_minus="not known", age="")
    number, _, unit = units.difference(margin.value).partition(" ")
    return Tile(
        name="Above dew point",
        value=number,
        unit=unit,
        plus_minus=f"± {_spread('K', COVERAGE * margin.standard_uncertainty, units)}",
        age=_age(dew.age_s) if dew else "",
    )


def _age(seconds: float) -> str:
    return f"{duration(seconds)} ago" if seconds >= 0 else f"{duration(seconds)} ahead"
