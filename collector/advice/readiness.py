"""May this material be sprayed on this piece now: go, marginal, hold or cannot tell, each limit with its reason.

How the verdicts combine: one certain **hold** holds, whatever is unknown; else an unknown limit gives **cannot
tell**; else a value within its guard band gives **marginal**; else **go**. Of several sensors in a booth the least
favourable governs and is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import median
from typing import Any, Final

import numpy as np

from collector.advice.blush import Blush, Situation, blush
from collector.advice.booth_state import AIR, HUMIDITY, SURFACE, BoothState, gather
from collector.advice.display import Units, duration
from collector.advice.limits import (
    CANNOT_TELL,
    GO,
    HOLD,
    MARGINAL,
    SEVERITY,
    Limit,
    Source,
    judged,
    least_room,
    unknown,
    worst,
)
from collector.advice.trend import Trend, trend
from collector.advice.wet_coat import Climate, WetCoatAnswer, judge
from collector.physics import humidity
from collector.readings.base import FloatArray
from collector.records.model import ISOCYANATE_CAUTION, Coat, Material, Mix, Piece
from collector.settings import Readiness as ReadinessSettings
from collector.settings import Settings
from collector.wire import Reading

__all__ = ["CANNOT_TELL", "GO", "HOLD", "MARGINAL", "STANDING_CAUTION", "Limit", "Readiness", "assess", "gather"]

OTHER_AIR_ACCURACY_K: Final = 1.5
"""± limit added where a humidity sensor borrows another node's air temperature. Judgement, no source."""

DRIEST_PCT: Final = 1.0
"""No booth is drier; a humidity sensor that says so is not working, and has no dew point to give."""

_TOO_DRY: Final = f"Relative humidity reads below {DRIEST_PCT:.0f} %, which no booth has: check the sensor"

STANDING_CAUTION: Final = (
    "An estimate within the limits you set: no gas detector, no interlock. Your local fire and air rules and the "
    "product's safety data sheet take precedence."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """The answer: a verdict, its governing reason, and every limit behind it."""

    verdict: str
    reason: str
    booth: str
    at_ms: int
    limits: tuple[Limit, ...]
    cautions: tuple[str, ...]
    wet_coat: WetCoatAnswer

    def to_dict(self) -> dict[str, Any]:
        """The answer as JSON-ready values."""
        return {
            "verdict": self.verdict,
            "reason": self.reason,
            "booth": self.booth,
            "at": datetime.fromtimestamp(self.at_ms / 1000, UTC).isoformat(timespec="seconds"),
            "limits": [limit.to_dict() for limit in self.limits],
            "blush": self.wet_coat.blush.to_dict() if self.wet_coat.blush else None,
            "cautions": list(self.cautions),
        }


def assess(
    state: BoothState,
    material: Material,
    piece: Piece | None,
    settings: Settings,
    *,
    mix: Mix | None = None,
    earlier: Coat | None = None,
    blush_of: Callable[[Situation], Blush] = blush,
) -> Readiness:
    """Judge a booth for a material, and a piece where one is named.

    Parameters
    ----------
    state : BoothState
        From :func:`gather`.
    settings : Settings
        Its readiness and ventilation sections, and the units of the reasons.
    mix : Mix, optional
        The material as it is thinned; by default as supplied.
    earlier : Coat, optional
        The piece's last coat, which may have left it chilled.
    blush_of : callable
        As :func:`collector.advice.wet_coat.judge`.
    """
    show, ours = Units(settings.shop.units), settings.readiness
    air = _sources(state, AIR, ours, ours.air_accuracy_k)
    damp = _sources(state, HUMIDITY, ours, ours.relative_humidity_accuracy_pct)
    surface, surface_missed = _surfaces(state, air, ours)
    bounds = material.limits
    margin_limit = bounds.margin_min_k if bounds.margin_min_k is not None else ours.margin_limit_k
    on = f"Surface of {piece.name}" if piece else "Surface"
    margin, climate = _margin(state, air, damp, surface, surface_missed, margin_limit, ours, show)
    wet = judge(state, mix or Mix(material=material), piece, climate, settings, earlier, blush_of)
    limits = (
        _temperature("air_temperature", "Air temperature", "Air", air, bounds.air_min_c, bounds.air_max_c, state, AIR,
                     ours, show),
        _temperature("surface_temperature", "Surface temperature", on, [] if surface_missed else surface,
                     bounds.surface_min_c, bounds.surface_max_c, state, SURFACE, ours, show),
        _humidity(damp, bounds.relative_humidity_min_pct, bounds.relative_humidity_max_pct, state, ours),
        margin,
        *wet.limits,
        _freshness(state, ours),
    )  # fmt: skip
    governing = max(limits, key=lambda limit: SEVERITY[limit.verdict])
    reason = governing.reason
    if governing.verdict == GO:
        reason = f"Every limit of {material.name} is kept. Least room: {least_room(limits).reason}"
    isocyanate = (ISOCYANATE_CAUTION,) if material.isocyanate else ()
    return Readiness(
        verdict=governing.verdict,
        reason=reason,
        booth=state.booth,
        at_ms=state.now_ms,
        limits=limits,
        cautions=(*isocyanate, *wet.cautions, STANDING_CAUTION),
        wet_coat=wet,
    )


def _sources(state: BoothState, quantity: str, settings: ReadinessSettings, accuracy: float) -> list[Source]:
    return [
        Source(
            value=reading.value,
            uncertainty=float(humidity.rectangular(accuracy)),
            node=reading.node,
            history=state.history.get((reading.node, quantity)),
        )
        for reading in state.fresh(quantity, settings.stale_after_s)
    ]


def _surfaces(
    state: BoothState, air: Sequence[Source], settings: ReadinessSettings
) -> tuple[list[Source], Reading | None]:
    """Measured surfaces; else the air in their place. Second, a surface sensor that is missed."""
    measured = _sources(state, SURFACE, settings, settings.surface_accuracy_k)
    if measured:
        return measured, None
    stand_in = float(humidity.rectangular(settings.surface_from_air_accuracy_k))
    taken = [
        replace(source, uncertainty=stand_in, how=", taken from the air as no surface is measured") for source in air
    ]
    return taken, state.newest(SURFACE)


def _temperature(
    name: str,
    label: str,
    subject: str,
    sources: Sequence[Source],
    low: float | None,
    high: float | None,
    state: BoothState,
    quantity: str,
    settings: ReadinessSettings,
    show: Units,
) -> Limit:
    def words(source: Source) -> str:
        spread = show.difference(2 * source.uncertainty)
        return f"{subject} is {show.temperature(source.value)} ± {spread}{source.how}"

    if not sources:
        return unknown(name, label, "Cel", low, high, _why_missing(label, state, quantity, settings))
    return worst([
        judged(name, label, "Cel", source, low, high, words, show.temperature, show.difference) for source in sources
    ])  # fmt: skip


def _humidity(
    sources: Sequence[Source],
    low: float | None,
    high: float | None,
    state: BoothState,
    settings: ReadinessSettings,
) -> Limit:
    label = "Relative humidity"
    if not sources:
        return unknown("relative_humidity", label, "%RH", low, high, _why_missing(label, state, HUMIDITY, settings))

    def words(source: Source) -> str:
        return f"Relative humidity is {source.value:.0f} ± {2 * source.uncertainty:.0f} %"

    def shown(value: float) -> str:
        return f"{value:.0f} %"

    def room(value: float) -> str:
        return f"{value:.0f} points"

    return worst([
        judged("relative_humidity", label, "%RH", source, low, high, words, shown, room) for source in sources
    ])  # fmt: skip


def _margin(
    state: BoothState,
    air: Sequence[Source],
    damp: Sequence[Source],
    surfaces: Sequence[Source],
    surface_missed: Reading | None,
    limit_k: float,
    settings: ReadinessSettings,
    show: Units,
) -> tuple[Limit, Climate | None]:
    """The margin that leaves the least room, and the readings it rests on."""
    name, label = "dew_point_margin", "Surface above dew point"
    if surface_missed is not None:
        why = _why_missing("Surface temperature", state, SURFACE, settings)
        return unknown(name, label, "K", limit_k, None, why), None
    if not air or not damp or not surfaces:
        lacking, quantity = ("Air temperature", AIR) if not air else ("Relative humidity", HUMIDITY)
        return unknown(name, label, "K", limit_k, None, _why_missing(lacking, state, quantity, settings)), None
    candidates: list[tuple[Limit, Climate]] = []
    for moist in damp:
        own = next((source for source in air if source.node == moist.node), None) or _borrowed(air)
        if moist.value < DRIEST_PCT:
            continue
        for surface in surfaces:
            found = humidity.margin(
                own.value,
                moist.value,
                surface.value,
                air_uncertainty_k=own.uncertainty,
                relative_humidity_uncertainty_pct=moist.uncertainty,
                surface_uncertainty_k=surface.uncertainty,
            )
            point = "frost point" if float(found.dew_point_c) < 0 else "dew point"
            dew_words = show.temperature(float(found.dew_point_c))
            how = f"{surface.how}{own.how}"

            def words(source: Source, point: str = point, dew_words: str = dew_words, how: str = how) -> str:
                spread = show.difference(2 * source.uncertainty)
                return (
                    f"The surface is {show.difference(source.value)} ± {spread} above the {point} of {dew_words}{how}"
                )

            source = Source(
                value=float(found.margin_k), uncertainty=float(found.standard_uncertainty_k), node=moist.node
            )
            limit = judged(name, label, "K", source, limit_k, None, words, show.difference, show.difference)
            limit = replace(limit, trend=_margin_trend(own, moist, surface, source.value, limit_k))
            candidates.append((limit, Climate(air=own, damp=moist, surface=surface)))
    if not candidates:
        return unknown(name, label, "K", limit_k, None, _TOO_DRY), None
    governing = worst([limit for limit, _ in candidates])
    return governing, next(climate for limit, climate in candidates if limit is governing)


def _borrowed(air: Sequence[Source]) -> Source:
    """Another node's air temperature for a humidity sensor that has none of its own."""
    middle = median(source.value for source in air)
    borrowed = float(humidity.rectangular(OTHER_AIR_ACCURACY_K))
    return Source(
        value=middle,
        uncertainty=math.hypot(air[0].uncertainty, borrowed),
        node=air[0].node,
        how=", with another node's air temperature",
        history=air[0].history,
    )


def _margin_trend(own: Source, moist: Source, surface: Source, now: float, limit_k: float) -> Trend | None:
    histories = (own.history, moist.history, surface.history)
    if any(history is None for history in histories):
        return None
    t, rh, ts = (history.mean for history in histories if history is not None)
    if not t.shape == rh.shape == ts.shape or moist.history is None:
        return None
    margins: FloatArray = ts - np.asarray(humidity.frost_point_c(t, np.where(rh <= 0, np.nan, rh)))
    return trend(moist.history.time_ms, margins, now, limit_k, None)


def _freshness(state: BoothState, settings: ReadinessSettings) -> Limit:
    """The oldest of the readings that the verdict rests on; air and humidity must be there, a surface may."""
    limit_s = settings.stale_after_s
    newest = {quantity: state.fresh(quantity, limit_s) for quantity in (AIR, HUMIDITY, SURFACE)}
    missing = [quantity for quantity in (AIR, HUMIDITY) if not newest[quantity]]
    if not newest[SURFACE] and state.newest(SURFACE) is not None:
        missing.append(SURFACE)
    if missing:
        told = _why_missing(missing[0].replace("_", " ").capitalize(), state, missing[0], settings)
        return unknown("freshness", "Readings in time", "s", None, limit_s, told)
    youngest = {quantity: min(readings, key=state.age_s) for quantity, readings in newest.items() if readings}
    oldest = max(youngest.values(), key=state.age_s)
    age = max(0.0, state.age_s(oldest))
    return Limit(
        name="freshness",
        label="Readings in time",
        unit="s",
        verdict=GO,
        reason=f"The readings behind this are at most {duration(age)} old{_left_out(state, settings)}",
        value=age,
        standard_uncertainty=0.0,
        high=limit_s,
        guarded_high=limit_s,
        node=oldest.node,
    )


def _left_out(state: BoothState, settings: ReadinessSettings) -> str:
    """The sensors heard in the last day that do not count now though others stand in for them."""
    told = []
    for reading in sorted(state.readings, key=lambda reading: (reading.node, reading.quantity)):
        if reading.quantity not in (AIR, HUMIDITY, SURFACE):
            continue
        if (reading.node, reading.quantity) in state.faults:
            why = state.faults[reading.node, reading.quantity]
        elif abs(state.age_s(reading)) > settings.stale_after_s:
            why = f"{duration(state.age_s(reading))} {'old' if state.age_s(reading) > 0 else 'ahead'}"
        else:
            continue
        told.append(f"{reading.quantity.replace('_', ' ')} of {reading.node} ({why})")
    return f"; not counted: {', '.join(told)}" if told else ""


def _why_missing(label: str, state: BoothState, quantity: str, settings: ReadinessSettings) -> str:
    newest = state.newest(quantity)
    faults = {node: text for (node, faulty), text in state.faults.items() if faulty == quantity}
    if faults:
        node, text = next(iter(faults.items()))
        return f"{label} is not known: {node} reports a {text}"
    if newest is None:
        return f"{label} is not known: no node in {state.booth} has sent it in the last day"
    age = state.age_s(newest)
    if age < 0:
        return f"{label} is not known: the clock of {newest.node} runs {duration(age)} ahead"
    return (
        f"{label} is not known: the last reading, from {newest.node}, is {duration(age)} old "
        f"(at most {duration(settings.stale_after_s)} counts)"
    )
