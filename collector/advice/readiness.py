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

from collector.advice.booth_state import AIR, HUMIDITY, SURFACE, BoothState, gather
from collector.advice.display import Units, duration
from collector.advice.trend import Trend, trend
from collector.physics import humidity
from collector.readings.base import Buckets, FloatArray
from collector.records.model import ISOCYANATE_CAUTION, Material, Piece
from collector.settings import Readiness as ReadinessSettings
from collector.wire import Reading

__all__ = ["CANNOT_TELL", "GO", "HOLD", "MARGINAL", "STANDING_CAUTION", "Limit", "Readiness", "assess", "gather"]

GO: Final = "go"
MARGINAL: Final = "marginal"
HOLD: Final = "hold"
CANNOT_TELL: Final = "cannot tell"

SEVERITY: Final = {GO: 0, MARGINAL: 1, CANNOT_TELL: 2, HOLD: 3}

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
class Limit:
    """One limit held against one value.

    Attributes
    ----------
    name, label : str
        ``air_temperature``, ``relative_humidity``, ``surface_temperature``, ``dew_point_margin`` or ``freshness``,
        and its name for a person.
    value, standard_uncertainty : float or None
        In ``unit``; None where it cannot be told.
    low, high : float or None
        The limits; None where there is none on that side.
    guarded_low, guarded_high : float or None
        The limits moved inwards by 1.645 standard uncertainties.
    verdict, reason : str
        And why, in one sentence.
    node : str
        The node that governs.
    trend : Trend or None
        What the last hour's rate leads to.
    """

    name: str
    label: str
    unit: str
    verdict: str
    reason: str
    value: float | None = None
    standard_uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    guarded_low: float | None = None
    guarded_high: float | None = None
    node: str = ""
    trend: Trend | None = None

    def to_dict(self) -> dict[str, Any]:
        """The limit as JSON-ready values."""
        plain = {name: getattr(self, name) for name in self.__slots__ if name != "trend"}
        return {**plain, "trend": self.trend.to_dict() if self.trend else None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """The answer: a verdict, its governing reason, and every limit behind it."""

    verdict: str
    reason: str
    booth: str
    at_ms: int
    limits: tuple[Limit, ...]
    cautions: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The answer as JSON-ready values."""
        return {
            "verdict": self.verdict,
            "reason": self.reason,
            "booth": self.booth,
            "at": datetime.fromtimestamp(self.at_ms / 1000, UTC).isoformat(timespec="seconds"),
            "limits": [limit.to_dict() for limit in self.limits],
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Source:
    """A temperature or humidity with where it is from and how well it is known (standard uncertainty)."""

    value: float
    uncertainty: float
    node: str
    how: str = ""
    history: Buckets | None = None


def assess(
    state: BoothState,
    material: Material,
    piece: Piece | None,
    settings: ReadinessSettings,
    *,
    units: str = "metric",
) -> Readiness:
    """Judge a booth for a material, and a piece where one is named.

    Parameters
    ----------
    state : BoothState
        From :func:`gather`.
    units : str
        Units of the reasons: ``metric`` or ``us``.
    """
    show = Units(units)
    air = _sources(state, AIR, settings, settings.air_accuracy_k)
    damp = _sources(state, HUMIDITY, settings, settings.relative_humidity_accuracy_pct)
    surface, surface_missed = _surfaces(state, air, settings)
    bounds = material.limits
    margin_limit = bounds.margin_min_k if bounds.margin_min_k is not None else settings.margin_limit_k
    on = f"Surface of {piece.name}" if piece else "Surface"
    limits = (
        _temperature("air_temperature", "Air temperature", "Air", air, bounds.air_min_c, bounds.air_max_c, state, AIR,
                     settings, show),
        _temperature("surface_temperature", "Surface temperature", on, [] if surface_missed else surface,
                     bounds.surface_min_c, bounds.surface_max_c, state, SURFACE, settings, show),
        _humidity(damp, bounds.relative_humidity_min_pct, bounds.relative_humidity_max_pct, state, settings),
        _margin(state, air, damp, surface, surface_missed, margin_limit, settings, show),
        _freshness(state, settings),
    )  # fmt: skip
    governing = max(limits, key=lambda limit: SEVERITY[limit.verdict])
    reason = governing.reason
    if governing.verdict == GO:
        reason = f"Every limit of {material.name} is kept. Least room: {_least_room(limits).reason}"
    cautions = (ISOCYANATE_CAUTION, STANDING_CAUTION) if material.isocyanate else (STANDING_CAUTION,)
    return Readiness(
        verdict=governing.verdict,
        reason=reason,
        booth=state.booth,
        at_ms=state.now_ms,
        limits=limits,
        cautions=cautions,
    )


def _sources(state: BoothState, quantity: str, settings: ReadinessSettings, accuracy: float) -> list[_Source]:
    return [
        _Source(
            value=reading.value,
            uncertainty=float(humidity.rectangular(accuracy)),
            node=reading.node,
            history=state.history.get((reading.node, quantity)),
        )
        for reading in state.fresh(quantity, settings.stale_after_s)
    ]


def _surfaces(
    state: BoothState, air: Sequence[_Source], settings: ReadinessSettings
) -> tuple[list[_Source], Reading | None]:
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
    sources: Sequence[_Source],
    low: float | None,
    high: float | None,
    state: BoothState,
    quantity: str,
    settings: ReadinessSettings,
    show: Units,
) -> Limit:
    def words(source: _Source) -> str:
        spread = show.difference(2 * source.uncertainty)
        return f"{subject} is {show.temperature(source.value)} ± {spread}{source.how}"

    if not sources:
        return _unknown(name, label, "Cel", low, high, _why_missing(label, state, quantity, settings))
    return _worst([
        _judged(name, label, "Cel", source, low, high, words, show.temperature, show.difference) for source in sources
    ])  # fmt: skip


def _humidity(
    sources: Sequence[_Source],
    low: float | None,
    high: float | None,
    state: BoothState,
    settings: ReadinessSettings,
) -> Limit:
    label = "Relative humidity"
    if not sources:
        return _unknown("relative_humidity", label, "%RH", low, high, _why_missing(label, state, HUMIDITY, settings))

    def words(source: _Source) -> str:
        return f"Relative humidity is {source.value:.0f} ± {2 * source.uncertainty:.0f} %"

    def shown(value: float) -> str:
        return f"{value:.0f} %"

    def room(value: float) -> str:
        return f"{value:.0f} points"

    return _worst([
        _judged("relative_humidity", label, "%RH", source, low, high, words, shown, room) for source in sources
    ])  # fmt: skip


def _margin(
    state: BoothState,
    air: Sequence[_Source],
    damp: Sequence[_Source],
    surfaces: Sequence[_Source],
    surface_missed: Reading | None,
    limit_k: float,
    settings: ReadinessSettings,
    show: Units,
) -> Limit:
    name, label = "dew_point_margin", "Surface above dew point"
    if surface_missed is not None:
        return _unknown(name, label, "K", limit_k, None, _why_missing("Surface temperature", state, SURFACE, settings))
    if not air or not damp or not surfaces:
        lacking, quantity = ("Air temperature", AIR) if not air else ("Relative humidity", HUMIDITY)
        return _unknown(name, label, "K", limit_k, None, _why_missing(lacking, state, quantity, settings))
    candidates: list[Limit] = []
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

            def words(source: _Source, point: str = point, dew_words: str = dew_words, how: str = how) -> str:
                spread = show.difference(2 * source.uncertainty)
                return (
                    f"The surface is {show.difference(source.value)} ± {spread} above the {point} of {dew_words}{how}"
                )

            source = _Source(
                value=float(found.margin_k), uncertainty=float(found.standard_uncertainty_k), node=moist.node
            )
            limit = _judged(name, label, "K", source, limit_k, None, words, show.difference, show.difference)
            candidates.append(replace(limit, trend=_margin_trend(own, moist, surface, source.value, limit_k)))
    if not candidates:
        return _unknown(name, label, "K", limit_k, None, _TOO_DRY)
    return _worst(candidates)


def _borrowed(air: Sequence[_Source]) -> _Source:
    """Another node's air temperature for a humidity sensor that has none of its own."""
    middle = median(source.value for source in air)
    borrowed = float(humidity.rectangular(OTHER_AIR_ACCURACY_K))
    return _Source(
        value=middle,
        uncertainty=math.hypot(air[0].uncertainty, borrowed),
        node=air[0].node,
        how=", with another node's air temperature",
        history=air[0].history,
    )


def _margin_trend(own: _Source, moist: _Source, surface: _Source, now: float, limit_k: float) -> Trend | None:
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
        return _unknown("freshness", "Readings in time", "s", None, limit_s, told)
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


def _judged(
    name: str,
    label: str,
    unit: str,
    source: _Source,
    low: float | None,
    high: float | None,
    words: Callable[[_Source], str],
    show_value: Callable[[float], str],
    show_room: Callable[[float], str],
) -> Limit:
    value, guard = source.value, humidity.ONE_SIDED_95 * source.uncertainty
    guarded_low = None if low is None else low + guard
    guarded_high = None if high is None else high - guard
    said = words(source)
    if low is not None and value < low:
        verdict, reason = HOLD, f"{said}, {show_room(low - value)} below the least allowed, {show_value(low)}"
    elif high is not None and value > high:
        verdict, reason = HOLD, f"{said}, {show_room(value - high)} above the most allowed, {show_value(high)}"
    elif guarded_low is not None and low is not None and value < guarded_low:
        verdict, reason = MARGINAL, f"{said}: too near the least allowed, {show_value(low)}, to be sure of it"
    elif guarded_high is not None and high is not None and value > guarded_high:
        verdict, reason = MARGINAL, f"{said}: too near the most allowed, {show_value(high)}, to be sure of it"
    elif low is None and high is None:
        verdict, reason = GO, f"{said}; the material sets no limit"
    else:
        allowed = {
            (True, True): "{} to {} is allowed",
            (True, False): "at least {} is asked",
            (False, True): "at most {} is allowed",
        }[low is not None, high is not None].format(*(show_value(end) for end in (low, high) if end is not None))
        verdict, reason = GO, f"{said}; {allowed}"
    moving = None
    if source.history is not None and not (low is None and high is None):
        moving = trend(source.history.time_ms, source.history.mean, value, low, high)
    return Limit(
        name=name,
        label=label,
        unit=unit,
        verdict=verdict,
        reason=f"{reason} ({source.node})",
        value=value,
        standard_uncertainty=source.uncertainty,
        low=low,
        high=high,
        guarded_low=guarded_low,
        guarded_high=guarded_high,
        node=source.node,
        trend=moving,
    )


def _unknown(name: str, label: str, unit: str, low: float | None, high: float | None, reason: str) -> Limit:
    return Limit(name=name, label=label, unit=unit, verdict=CANNOT_TELL, reason=reason, low=low, high=high)


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


def _room(limit: Limit) -> float:
    """Distance to the nearer limit in standard uncertainties; negative beyond it."""
    if limit.value is None or not limit.standard_uncertainty:
        return math.inf
    ends = [
        (limit.value - limit.low) if limit.low is not None else math.inf,
        (limit.high - limit.value) if limit.high is not None else math.inf,
    ]
    return min(ends) / limit.standard_uncertainty


def _worst(candidates: Sequence[Limit]) -> Limit:
    return max(candidates, key=lambda limit: (SEVERITY[limit.verdict], -_room(limit)))


def _least_room(limits: Sequence[Limit]) -> Limit:
    return min(limits, key=_room)
