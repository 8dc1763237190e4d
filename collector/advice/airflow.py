"""Is the booth's air being changed: proof from face velocity and booth pressure, the flow, and the state of the filter.

Nothing here imports readiness, which takes :func:`airflow_proof` as one of its limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from collector.advice.booth_state import BoothState
from collector.advice.display import Units, duration
from collector.physics import humidity, ventilation
from collector.readings.base import FloatArray, ReadingStore
from collector.settings import Settings
from collector.settings import Ventilation as VentilationSettings
from collector.wire import Reading

GO, MARGINAL, HOLD, CANNOT_TELL = "go", "marginal", "hold", "cannot tell"
"""Verdicts, spelled as readiness spells them."""

VELOCITY, PRESSURE = "face_velocity", "booth_pressure"

STILL_M_S: Final = 0.1
"""Below this the air stands: draughts alone move it so. Judgement, no source."""

FILTER_DAYS: Final = 60
FILTER_BUCKET_MS: Final = 120_000
FILTER_BLOCKS: Final = 160
"""Points the filter's trend is taken over, at most; Theil and Sen's method looks at every pair."""

WEAR_WORDS: Final = ((0.5, "clean"), (0.8, "loading"), (1.0, "nearly due"))


@dataclass(frozen=True, slots=True, kw_only=True)
class AirflowProof:
    """Whether the exhaust is shown to run, and by what.

    Attributes
    ----------
    state : str
        ``running``, ``weak``, ``not running``, ``not proven`` (its sensors are silent or faulty) or ``no sensor``.
    verdict, reason : str
    quantity, unit : str
        What it was told by; empty where by nothing.
    value, standard_uncertainty, low, guarded_low : float or None
        Of that quantity, in ``unit``; a pressure without its sign.
    node : str
    age_s : float or None
    """

    state: str
    verdict: str
    reason: str
    quantity: str = ""
    unit: str = ""
    value: float | None = None
    standard_uncertainty: float | None = None
    low: float | None = None
    guarded_low: float | None = None
    node: str = ""
    age_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """Exhaust flow [m³/h] with its relative standard uncertainty, or None with the reason."""

    m3_h: float | None
    relative_uncertainty: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterState:
    """How far the exhaust filter has loaded.

    Attributes
    ----------
    state : str
        ``clean``, ``loading``, ``nearly due``, ``change`` or ``cannot tell``.
    worn : float or None
        Way from the clean filter's pressure to the change-out pressure, 0 to 1 and beyond.
    pressure : float or None
        Now, with the fan running, its sign aside. [Pa]
    hours_left, hours_left_low, hours_left_high : float or None
        Running hours with their 90 % interval; None where the trend leads to no change.
    running_h : float
        Fan hours the trend is taken over.
    """

    state: str
    reason: str
    worn: float | None = None
    pressure: float | None = None
    hours_left: float | None = None
    hours_left_low: float | None = None
    hours_left_high: float | None = None
    running_h: float = 0.0


def airflow_proof(state: BoothState, settings: Settings) -> AirflowProof:
    """Whether the exhaust is shown to run now.

    Face velocity speaks first, since only it tells how much; booth pressure where there is none. Of several sensors
    the least favourable governs.

    Parameters
    ----------
    state : BoothState
    settings : Settings
        Its ``ventilation`` and ``readiness`` sections, and the units of the reason.
    """
    ours, show = settings.ventilation, Units(settings.shop.units)
    share = float(humidity.rectangular(ours.flow_accuracy_pct / 100))
    velocities = state.fresh(VELOCITY, settings.readiness.stale_after_s)
    if velocities:
        slowest = min(velocities, key=lambda reading: reading.value)
        spread = share * slowest.value
        guarded = ours.face_velocity_min_m_s + humidity.ONE_SIDED_95 * spread
        said = f"face velocity is {show.velocity(slowest.value)} ± {show.velocity(2 * spread).split()[0]}"
        least = show.velocity(ours.face_velocity_min_m_s)
        if slowest.value < STILL_M_S:
            found = ("not running", HOLD, f"The exhaust is not running: {said}")
        elif slowest.value < ours.face_velocity_min_m_s:
            found = ("weak", HOLD, f"The exhaust is weak: {said}, below the {least} you set")
        elif slowest.value < guarded:
            found = ("running", MARGINAL, f"The exhaust runs: {said}, too near the {least} you set to be sure of it")
        else:
            found = ("running", GO, f"The exhaust runs: {said}, at least {least} is asked")
        return _proof(found, slowest, state, "m/s", slowest.value, spread, ours.face_velocity_min_m_s, guarded)
    pressures = state.fresh(PRESSURE, settings.readiness.stale_after_s)
    if pressures:
        least_drawn = min(pressures, key=lambda reading: abs(reading.value))
        drawn = abs(least_drawn.value)
        said = f"booth pressure is {least_drawn.value:.1f} Pa"
        least = f"{ours.booth_pressure_min_pa:g} Pa either way"
        if drawn < ours.booth_pressure_min_pa:
            found = ("not running", HOLD, f"The exhaust is not running: {said}, at least {least} is asked")
        else:
            found = (
                "running",
                GO,
                f"The exhaust runs: {said}, at least {least} is asked; how much air is not measured",
            )
        low = ours.booth_pressure_min_pa
        return _proof(found, least_drawn, state, "Pa", drawn, None, low, None)
    return _unproven(state)


def flow_now(state: BoothState, proof: AirflowProof, settings: Settings) -> Flow:
    """The exhaust flow at present: face velocity times opening, or the flow set where none is measured."""
    ours = settings.ventilation
    share = float(humidity.rectangular(ours.flow_accuracy_pct / 100))
    if proof.state == "not running":
        return Flow(m3_h=None, relative_uncertainty=share, source="the exhaust is not running")
    if proof.quantity == VELOCITY and proof.value is not None and ours.face_opening_m2:
        return Flow(
            m3_h=proof.value * ours.face_opening_m2 * 3600,
            relative_uncertainty=share,
            source="face velocity times the opening you set",
        )
    return _flow_set(ours, share)


def flow_of_velocity(velocity_m_s: float | None, settings: Settings) -> Flow:
    """The exhaust flow of a face velocity measured earlier, such as while a coat was sprayed; else the flow set."""
    ours = settings.ventilation
    share = float(humidity.rectangular(ours.flow_accuracy_pct / 100))
    if velocity_m_s is not None and velocity_m_s >= STILL_M_S and ours.face_opening_m2:
        return Flow(
            m3_h=velocity_m_s * ours.face_opening_m2 * 3600,
            relative_uncertainty=share,
            source="face velocity then times the opening you set",
        )
    return _flow_set(ours, share)


def filter_state(store: ReadingStore, booth: str, now_ms: int, settings: Settings) -> FilterState:
    """How far the filter has loaded since it was last changed, from the booth pressure with the fan running.

    A change of filter shows itself: the pressure jumps back towards that of a clean one.
    """
    ours = settings.ventilation
    hours, pressures = _running(store, booth, now_ms, ours)
    if not hours.size:
        return FilterState(
            state="cannot tell",
            reason=f"No booth pressure of at least {ours.booth_pressure_min_pa:g} Pa was measured in "
            f"{FILTER_DAYS} days, so nothing is known of the filter",
        )
    latest = float(np.median(pressures[-3:]))
    if not ours.filter_change_pa:
        return FilterState(
            state="cannot tell",
            pressure=latest,
            running_h=float(hours[-1]),
            reason=f"Booth pressure is {latest:.1f} Pa with the fan running; set filter_change_pa, the pressure at "
            "which the filter is due, to have it judged",
        )
    begins = _last_change(pressures, ours.filter_change_pa)
    hours, pressures = hours[begins:] - hours[begins], pressures[begins:]
    loading = ventilation.filter_loading(hours, pressures, ours.filter_change_pa)
    if loading is None:
        return FilterState(
            state="cannot tell",
            pressure=latest,
            running_h=float(hours[-1]),
            reason=f"Booth pressure is {latest:.1f} Pa; the fan has not run long enough on this filter to tell a trend",
        )
    fresh_pa = loading.now - loading.per_hour * float(hours.max())
    span = ours.filter_change_pa - fresh_pa
    worn = 1.0 if loading.hours == 0 else max(0.0, (loading.now - fresh_pa) / span)
    word = next((word for limit, word in WEAR_WORDS if worn < limit), "change")
    left, low, high = (
        hours_left if np.isfinite(hours_left) else None
        for hours_left in (loading.hours, loading.hours_low, loading.hours_high)
    )
    return FilterState(
        state=word,
        worn=worn,
        pressure=loading.now,
        hours_left=left,
        hours_left_low=low,
        hours_left_high=high,
        running_h=float(hours.max()),
        reason=f"{loading.now:.1f} Pa with the fan running, due at {ours.filter_change_pa:g} Pa; "
        f"{_left_words(left, low, high)}",
    )


def _proof(
    found: tuple[str, str, str],
    reading: Reading,
    state: BoothState,
    unit: str,
    value: float,
    spread: float | None,
    low: float,
    guarded_low: float | None,
) -> AirflowProof:
    name, verdict, reason = found
    return AirflowProof(
        state=name,
        verdict=verdict,
        reason=f"{reason} ({reading.node})",
        quantity=reading.quantity,
        unit=unit,
        value=value,
        standard_uncertainty=spread,
        low=low,
        guarded_low=guarded_low,
        node=reading.node,
        age_s=max(0.0, state.age_s(reading)),
    )


def _unproven(state: BoothState) -> AirflowProof:
    faults = [(node, text) for (node, quantity), text in state.faults.items() if quantity in (VELOCITY, PRESSURE)]
    if faults:
        node, text = faults[0]
        return AirflowProof(
            state="not proven", verdict=CANNOT_TELL, node=node, reason=f"Airflow is not proven: {node} reports a {text}"
        )
    heard = [reading for reading in (state.newest(VELOCITY), state.newest(PRESSURE)) if reading is not None]
    if not heard:
        return AirflowProof(
            state="no sensor",
            verdict=CANNOT_TELL,
            reason=f"Airflow is not proven: no node in {state.booth} measures face velocity or booth pressure",
        )
    newest = max(heard, key=lambda reading: reading.time_ms)
    return AirflowProof(
        state="not proven",
        verdict=CANNOT_TELL,
        node=newest.node,
        age_s=state.age_s(newest),
        reason=f"Airflow is not proven: the last {newest.quantity.replace('_', ' ')}, from {newest.node}, is "
        f"{duration(state.age_s(newest))} {'old' if state.age_s(newest) > 0 else 'ahead'}",
    )


def _flow_set(ours: VentilationSettings, share: float) -> Flow:
    if ours.exhaust_m3_h:
        return Flow(m3_h=ours.exhaust_m3_h, relative_uncertainty=share, source="the exhaust flow you set")
    return Flow(
        m3_h=None,
        relative_uncertainty=share,
        source="the flow is not known: set exhaust_m3_h, or face_opening_m2 with a face velocity sensor",
    )


def _running(store: ReadingStore, booth: str, now_ms: int, ours: VentilationSettings) -> tuple[FloatArray, FloatArray]:
    """Running hours and pressure magnitude of evenly filled blocks, from the sensor heard most."""
    start_ms = now_ms - FILTER_DAYS * 86_400_000
    most = FILTER_DAYS * 86_400_000 // FILTER_BUCKET_MS
    found = [
        store.buckets(series, start_ms, now_ms, most) for series in store.series(booth) if series.quantity == PRESSURE
    ]
    if not found:
        return np.empty(0), np.empty(0)
    buckets = max(found, key=lambda each: int(each.count.sum()))
    with np.errstate(invalid="ignore"):
        # Both ends of the bucket: one in which the fan was started or stopped holds neither pressure.
        drawing = np.minimum(np.abs(buckets.low), np.abs(buckets.high)) >= ours.booth_pressure_min_pa
        drawing &= np.sign(buckets.low) == np.sign(buckets.high)
    pressures = np.abs(buckets.mean[drawing])
    if not pressures.size:
        return np.empty(0), np.empty(0)
    hours = (np.arange(pressures.size) + 1) * buckets.width_ms / 3_600_000
    blocks = np.array_split(np.arange(pressures.size), min(FILTER_BLOCKS, pressures.size))
    return (
        np.array([float(hours[block].mean()) for block in blocks]),
        np.array([float(np.median(pressures[block])) for block in blocks]),
    )


def _last_change(pressures: FloatArray, change_at: float) -> int:
    """Index of the first block on the present filter: after the last jump away from the change-out pressure."""
    side = 4
    if pressures.size < 2 * side:
        return 0
    loading_up = 1.0 if change_at > float(np.median(pressures)) else -1.0
    noise = 1.4826 * float(np.median(np.abs(np.diff(pressures)))) / np.sqrt(2)
    span = abs(change_at - float(np.median(pressures)))
    threshold = max(6 * noise, 0.25 * span)
    jumps = [
        loading_up * (float(np.median(pressures[at - side : at])) - float(np.median(pressures[at : at + side])))
        for at in range(side, pressures.size - side + 1)
    ]
    over = [index for index, jump in enumerate(jumps) if jump > threshold]
    if not over:
        return 0
    # Around one change several neighbours stand out; the largest of the last group is the change itself.
    group = [index for index in over if over[-1] - index < 2 * side]
    return side + max(group, key=lambda index: jumps[index])


def _left_words(left: float | None, low: float | None, high: float | None) -> str:
    if left == 0:
        return "it is due"
    if left is None:
        return "the trend leads to no change yet"
    digits = 0 if left >= 10 else 1
    if low is None or high is None:
        return f"about {left:.{digits}f} running hours left, perhaps many more"
    return f"about {left:.{digits}f} running hours left ({low:.{digits}f} to {high:.{digits}f})"
