"""What coats put into the booth's air: the vapour of each as it was sprayed, and the course of a stretch of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import airflow, vapour
from collector.advice.airflow import Flow
from collector.advice.booth_state import BoothState
from collector.advice.spray_vapour import PredictedVapour, evaporating, predicted_vapour
from collector.errors import NotFound, RecordError
from collector.readings.base import Buckets, FloatArray, ReadingStore, TimeArray
from collector.records.model import Coat, Mix
from collector.records.repository import Records
from collector.reference.solvents import Blend
from collector.settings import Settings

VAPOUR: Final = "voc_ppm"

RECENT: Final = timedelta(hours=24)
"""A coat sprayed longer ago than this says nothing of the vapour now."""

COURSE_POINTS: Final = 480


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayedVapour:
    """One coat's vapour as predicted and as measured; the measured peak is of the blend. [ppm]"""

    coat: Coat
    predicted: PredictedVapour
    measured_peak_ppm: float | None
    detector_peak_ppm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VapourCourse:
    """Vapour over a stretch of time, on one axis; NaN where nothing was measured or predicted.

    ``measured_ppm`` is the highest of each bucket, in ppm of the blend last sprayed; ``predicted_ppm`` with its
    interval adds up the coats.
    """

    booth: str
    start_ms: int
    end_ms: int
    time_ms: TimeArray
    measured_ppm: FloatArray
    predicted_ppm: FloatArray
    low_ppm: FloatArray
    high_ppm: FloatArray

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return not (np.isfinite(self.measured_ppm).any() or np.isfinite(self.predicted_ppm).any())


def recent_coats(records: Records, booth: str, now: datetime, within: timedelta = RECENT) -> list[Coat]:
    """Coats of a booth begun lately, or still being sprayed, newest first."""
    begun = {coat.id: coat for coat in (*records.coats(since=now - within), *records.open_coats())}
    mine = [coat for coat in begun.values() if coat.booth == booth and coat.started_at <= now]
    return sorted(mine, key=lambda coat: (coat.started_at, coat.id), reverse=True)


def blend_of(mix: Mix | None) -> tuple[Blend | None, str]:
    """The solvents of a mix, or None with the reason."""
    if mix is None:
        return None, "Which blend the vapour is of is not known: nothing was sprayed today and no material is chosen"
    try:
        return evaporating(mix).blend, ""
    except (RecordError, NotFound) as error:
        return None, f"Which blend the vapour is of is not known: {error}"


def usual_flow(store: ReadingStore, state: BoothState, settings: Settings) -> Flow:
    """The exhaust flow to expect when the fan is switched on: now if it runs, else as it last ran, else as set."""
    proof = airflow.airflow_proof(state, settings)
    if proof.state in ("running", "weak") and proof.quantity == airflow.VELOCITY:
        return airflow.flow_now(state, proof, settings)
    start_ms = state.now_ms - round(RECENT.total_seconds() * 1000)
    return airflow.flow_of_velocity(_slowest_running(store, state.booth, start_ms, state.now_ms), settings)


def sprayed_vapour(store: ReadingStore, coat: Coat, now: datetime, settings: Settings) -> SprayedVapour:
    """A coat's vapour as predicted, and as the detector has seen it up to half an hour after its end."""
    predicted = as_sprayed(store, coat, now, settings)
    begun_ms = _ms(coat.started_at)
    end_ms = max(begun_ms + 1, _ms(min(now, (coat.ended_at or now) + timedelta(minutes=30))))
    peaks = [
        float(np.nanmax(buckets.mean))
        for buckets in buckets_of(
            store, coat.booth, VAPOUR, _ms(coat.started_at), max(end_ms, _ms(coat.started_at) + 1), 240
        )
        if np.isfinite(buckets.mean).any()
    ]
    peak = max(peaks, default=None)
    factor = predicted.response.factor if predicted.response else None
    return SprayedVapour(
        coat=coat,
        predicted=predicted,
        measured_peak_ppm=None if peak is None or factor is None else factor * peak,
        detector_peak_ppm=peak,
    )


def as_sprayed(store: ReadingStore, coat: Coat, now: datetime, settings: Settings) -> PredictedVapour:
    """The vapour predicted of a coat as it was sprayed, with the flow measured while it was."""
    ended = coat.ended_at or now
    minutes = max(0.5, (ended - coat.started_at).total_seconds() / 60)
    rate = coat.sprayed_ml / minutes if coat.sprayed_ml and coat.ended_at else None
    begun_ms = _ms(coat.started_at)
    flow = airflow.flow_of_velocity(
        _slowest_running(store, coat.booth, begun_ms, max(_ms(ended), begun_ms + 60_000)), settings
    )
    return predicted_vapour(
        coat.mix, settings, flow, minutes=minutes, rate_ml_min=rate, **({} if coat.ended_at else {"tail_minutes": 0.01})
    )


def vapour_course(
    store: ReadingStore, records: Records, booth: str, start_ms: int, end_ms: int, settings: Settings
) -> VapourCourse:
    """Vapour measured and predicted over a stretch of time."""
    start, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (start_ms, end_ms))
    most = max(1, min(COURSE_POINTS, (end_ms - start_ms) // 30_000))
    detectors = buckets_of(store, booth, VAPOUR, start_ms, end_ms, most)
    coats = recent_coats(records, booth, end, end - start + RECENT)
    if detectors:
        times, width_ms = detectors[0].time_ms, detectors[0].width_ms
        with np.errstate(invalid="ignore"):
            readings = np.fmax.reduce([buckets.high for buckets in detectors])
    else:
        width_ms = max(1, (end_ms - start_ms) // most)
        times = np.arange(start_ms, end_ms, width_ms, dtype=np.int64)
        readings = np.full(times.shape, np.nan)
    middles: FloatArray = times + np.float64(width_ms / 2)
    measured = readings * _factors(coats, middles)
    total = {name: np.full(times.shape, np.nan) for name in ("ppm", "low_ppm", "high_ppm")}
    for coat in coats:
        predicted = as_sprayed(store, coat, end, settings)
        if not predicted.known:
            continue
        minutes = (middles - coat.started_at.timestamp() * 1000) / 60_000
        over = (minutes >= 0) & (minutes <= predicted.minutes[-1])
        for name, sums in total.items():
            course = np.interp(minutes[over], predicted.minutes, getattr(predicted, name))
            sums[over] = np.nan_to_num(sums[over]) + course
    return VapourCourse(
        booth=booth, start_ms=start_ms, end_ms=end_ms, time_ms=times, measured_ppm=measured,
        predicted_ppm=total["ppm"], low_ppm=total["low_ppm"], high_ppm=total["high_ppm"],
    )  # fmt: skip


def _factors(coats: Sequence[Coat], at_ms: FloatArray) -> FloatArray:
    """Response factor of the blend last sprayed at each time; 1, as isobutylene, where none is known."""
    factors = np.ones(at_ms.shape)
    for coat in sorted(coats, key=lambda coat: coat.started_at):
        blend, _ = blend_of(coat.mix)
        factor = vapour.response(blend).factor if blend else None
        begun_ms = coat.started_at.timestamp() * 1000
        lasting = (at_ms >= begun_ms) & (at_ms < begun_ms + RECENT.total_seconds() * 1000)
        factors[lasting] = 1.0 if factor is None else factor
    return factors


def _slowest_running(store: ReadingStore, booth: str, start_ms: int, end_ms: int) -> float | None:
    """Median face velocity while the fan ran, of the sensor that gives the least; None where it did not."""
    running = [
        buckets.mean[(buckets.low >= airflow.STILL_M_S) & (buckets.count > 0)]
        for buckets in buckets_of(store, booth, airflow.VELOCITY, start_ms, end_ms, COURSE_POINTS)
    ]
    return min((float(np.median(each)) for each in running if each.size), default=None)


def buckets_of(store: ReadingStore, booth: str, quantity: str, start_ms: int, end_ms: int, most: int) -> list[Buckets]:
    """Buckets of a stretch of time from every sensor of a quantity in a booth."""
    return [
        store.buckets(series, start_ms, end_ms, most) for series in store.series(booth) if series.quantity == quantity
    ]


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
