"""Is the air being changed, and what is in it: the booth's vapour now, predicted beside measured, and its purge.

Two answers that are never merged: fire (per cent of the lower flammable limit, against the shop's ceiling) and
breathing (additive index against PEL and REL). A detector's reading stands for the blend being or last sprayed; nothing
here can see isocyanates, overspray or dust, and no state here clears anybody to breathe the air.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import airflow, vapour
from collector.advice.airflow import AirflowProof, Flow
from collector.advice.booth_state import BoothState
from collector.advice.coat_air import (
    COURSE_POINTS,
    VAPOUR,
    SprayedVapour,
    blend_of,
    buckets_of,
    recent_coats,
    sprayed_vapour,
)
from collector.advice.display import duration
from collector.advice.readiness import STANDING_CAUTION
from collector.advice.spray_vapour import PURGED
from collector.advice.vapour import Against, Response, VapourLimit
from collector.readings.base import ReadingStore
from collector.records.model import ISOCYANATE_CAUTION, Coat, Mix
from collector.records.repository import Records
from collector.reference.solvents import Blend
from collector.settings import Settings

INDEX: Final = "voc_index"

DETECTOR_ACCURACY: Final = 0.1
"""± share of a detector's reading. Judgement, no source; its maker's sheet has the real one."""

MAKERS_DIFFER: Final = 0.25
"""Least spread of a response factor: two makers give 0.59 and 0.47 for one substance (anisole)."""

PEAK_WORTH_JUDGING_PPM: Final = 5.0
"""Below this isobutylene equivalent a detector's own drift is no smaller than what it shows. Judgement."""

SHIFT: Final = timedelta(hours=8)

DETECTOR_CAUTION: Final = (
    "A detector's mean over the booth is no exposure: a painter in the plume breathes more. It sees no isocyanates, no "
    "mist and no dust."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the photo-ionisation detector says.

    Attributes
    ----------
    reason : str
        Why there is no vapour in ppm; empty when there is.
    reading_ppm, node, age_s : of the reading as isobutylene; None and empty without one.
    blend_words : str
        Which blend the reading is taken for, and why that one.
    response : Response or None
    ppm, low_ppm, high_ppm : float or None
        Vapour of the blend with its range: accuracy of the detector, and makers' differing factors.
    against : tuple of Against
        Fire, PEL and REL, now.
    shift_against : tuple of Against
        The mean of the last eight hours; empty without one.
    shift_covered : float
        Share of those eight hours in which something was measured.
    limit_ppm : mapping
        Yardstick to the concentration of the blend that is just at its limit: the fire ceiling, an index of 1.
    """

    reason: str = ""
    reading_ppm: float | None = None
    node: str = ""
    age_s: float | None = None
    blend_words: str = ""
    response: Response | None = None
    ppm: float | None = None
    low_ppm: float | None = None
    high_ppm: float | None = None
    against: tuple[Against, ...] = ()
    shift_against: tuple[Against, ...] = ()
    shift_covered: float = 0.0
    limit_ppm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Purge:
    """How far the vapour of the last coat is gone.

    Attributes
    ----------
    state : str
        ``spraying``, ``counting``, ``over`` (the time is), ``stopped`` (the exhaust stands or is weak), ``cannot
        tell`` or ``none`` (nothing was sprayed in the last day).
    reason : str
    minutes_left, low, high : float or None
        To a tenth of the predicted peak, with the 90 % interval.
    detector : str
        What the detector says to it: ``reached``, ``not yet`` or empty where it says nothing.
    """

    state: str
    reason: str
    minutes_left: float | None = None
    low: float | None = None
    high: float | None = None
    detector: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirState:
    """Everything the Air page and command say of now."""

    booth: str
    at_ms: int
    proof: AirflowProof
    flow: Flow
    measured: Measured
    last: SprayedVapour | None
    purge: Purge
    limits: tuple[VapourLimit, ...]
    index_words: str
    cautions: tuple[str, ...]


def air_state(
    store: ReadingStore, records: Records, state: BoothState, settings: Settings, chosen: Mix | None = None
) -> AirState:
    """The booth's air now.

    Parameters
    ----------
    state : BoothState
        From :func:`collector.advice.booth_state.gather`.
    chosen : Mix, optional
        What is about to be sprayed: the reading stands for it when nothing was sprayed in the last day, and its
        cautions are shown.
    """
    now = datetime.fromtimestamp(state.now_ms / 1000, UTC)
    proof = airflow.airflow_proof(state, settings)
    flow = airflow.flow_now(state, proof, settings)
    coats = recent_coats(records, state.booth, now)
    coat = coats[0] if coats else None
    mix, words = (
        (coat.mix, _coat_words(coat, now)) if coat else (chosen, "the material chosen, as none was sprayed today")
    )
    blend, why_not = blend_of(mix)
    # Of all of the day: what an earlier coat left in the air is not gone because another mix was sprayed since.
    about = any(each.mix.material.isocyanate for each in coats)
    isocyanate = about or (chosen is not None and chosen.material.isocyanate)
    measured = _measured(store, state, settings, blend, words if blend else why_not, isocyanate=isocyanate)
    last = sprayed_vapour(store, coat, now, settings) if coat else None
    return AirState(
        booth=state.booth,
        at_ms=state.now_ms,
        proof=proof,
        flow=flow,
        measured=measured,
        last=last,
        purge=_purge(last, measured, proof, now, isocyanate=about),
        limits=tuple(vapour.limits_of(blend)) if blend else (),
        index_words=_index_words(store, state, settings),
        cautions=((ISOCYANATE_CAUTION,) if isocyanate else ()) + (STANDING_CAUTION, DETECTOR_CAUTION),
    )


def _measured(
    store: ReadingStore, state: BoothState, settings: Settings, blend: Blend | None, words: str, *, isocyanate: bool
) -> Measured:
    fresh = state.fresh(VAPOUR, settings.readiness.stale_after_s)
    if not fresh:
        newest = state.newest(VAPOUR)
        if newest is None:
            return Measured(reason=f"No detector in {state.booth} has sent a reading in the last day")
        age_s = state.age_s(newest)
        fault = state.faults.get((newest.node, VAPOUR))
        why = f"reports a {fault}" if fault else f"last spoke {duration(age_s)} ago"
        return Measured(reason=f"Vapour is not known: {newest.node} {why}", node=newest.node, age_s=age_s)
    highest = max(fresh, key=lambda reading: reading.value)
    age_s = max(0.0, state.age_s(highest))
    if blend is None:
        return Measured(reason=words, reading_ppm=highest.value, node=highest.node, age_s=age_s)
    found = vapour.response(blend)
    factors = _factor_range(found)
    if factors is None:
        return Measured(reason="The detector's lamp sees nothing of this blend", reading_ppm=highest.value,
                        node=highest.node, age_s=age_s, blend_words=words, response=found)  # fmt: skip
    factor, least, most = factors
    ceiling = settings.ventilation.lfl_ceiling_pct
    ppm, low, high = factor * highest.value, least * highest.value, most * highest.value
    mean, covered = _shift_mean(store, state)

    def held(value: float, low: float, high: float) -> tuple[Against, ...]:
        return vapour.against(blend, value, low, high, ceiling, isocyanate=isocyanate)

    shift = () if mean is None else held(factor * mean, least * mean, most * mean)
    return Measured(
        reading_ppm=highest.value,
        node=highest.node,
        age_s=age_s,
        blend_words=words,
        response=found,
        ppm=ppm,
        low_ppm=low,
        high_ppm=high,
        against=held(ppm, low, high),
        shift_against=shift,
        shift_covered=covered,
        limit_ppm={each.yardstick: each.limit / each.value for each in held(1.0, 1.0, 1.0) if each.value},
    )


def _factor_range(found: Response) -> tuple[float, float, float] | None:
    if found.factor is None or found.low is None or found.high is None:
        return None
    low = min(found.low, found.factor / (1 + MAKERS_DIFFER)) * (1 - DETECTOR_ACCURACY)
    high = max(found.high, found.factor * (1 + MAKERS_DIFFER)) * (1 + DETECTOR_ACCURACY)
    return found.factor, low, high


def _shift_mean(store: ReadingStore, state: BoothState) -> tuple[float | None, float]:
    """Mean reading of the last eight hours, of the detector that reads most, and the share of them it measured."""
    start_ms = state.now_ms - round(SHIFT.total_seconds() * 1000)
    best: tuple[float | None, float] = (None, 0.0)
    for buckets in buckets_of(store, state.booth, VAPOUR, start_ms, state.now_ms, COURSE_POINTS):
        held = np.isfinite(buckets.mean)
        if held.any():
            mean = float(buckets.mean[held].mean())
            if best[0] is None or mean > best[0]:
                best = (mean, float(held.mean()))
    return best


def _purge(
    last: SprayedVapour | None, measured: Measured, proof: AirflowProof, now: datetime, *, isocyanate: bool
) -> Purge:
    if last is None:
        return Purge(state="none", reason="Nothing was sprayed in the last day")
    if last.coat.ended_at is None:
        return Purge(state="spraying", reason="The countdown begins when the coat ends")
    since = (now - last.coat.ended_at).total_seconds() / 60
    detector = _detector_on_purge(last, measured)
    predicted = last.predicted
    if not predicted.known:
        return Purge(state="cannot tell", reason=predicted.reason, detector=detector)
    if predicted.purge_minutes is None:
        why = "it takes longer than an hour and a half"
        if not predicted.volume_known:
            why = "set the booth's volume_m3 to have it counted down"
        return Purge(state="cannot tell", reason=f"No countdown: {why}", detector=detector)
    left, low, high = (
        None if each is None else max(0.0, each - since)
        for each in (predicted.purge_minutes, predicted.purge_low_minutes, predicted.purge_high_minutes)
    )
    tenth = f"a tenth of the predicted peak, {PURGED * predicted.peak_ppm:.0f} ppm"
    if left and proof.state in ("not running", "weak"):
        return Purge(state="stopped", reason=f"{proof.reason}: the countdown to {tenth}, stands", minutes_left=left,
                     low=low, high=high, detector=detector)  # fmt: skip
    if left:
        return Purge(state="counting", reason=f"To {tenth}", minutes_left=left, low=low, high=high, detector=detector)
    if isocyanate:
        return Purge(
            state="cannot tell",
            reason=f"The time to {tenth}, is over for the solvents; of the isocyanates nothing is known",
            detector=detector,
        )
    return Purge(state="over", reason=f"The time to {tenth}, is over", minutes_left=0.0, low=low, high=high,
                 detector=detector)  # fmt: skip


def _detector_on_purge(last: SprayedVapour, measured: Measured) -> str:
    peak = last.detector_peak_ppm
    if peak is None or measured.reading_ppm is None or peak < PEAK_WORTH_JUDGING_PPM:
        return ""
    return "reached" if measured.reading_ppm <= PURGED * peak else "not yet"


def _coat_words(coat: Coat, now: datetime) -> str:
    if coat.ended_at is None:
        return f"{coat.mix.material.name}, being sprayed"
    return f"{coat.mix.material.name}, sprayed {duration((now - coat.ended_at).total_seconds())} ago"


def _index_words(store: ReadingStore, state: BoothState, settings: Settings) -> str:
    """A metal-oxide sensor's trend; it learns what is usual and so says nothing of how much."""
    fresh = state.fresh(INDEX, settings.readiness.stale_after_s)
    if not fresh:
        return ""
    hour_ms = 3_600_000
    for buckets in buckets_of(store, state.booth, INDEX, state.now_ms - hour_ms, state.now_ms, 12):
        if buckets.series.node != fresh[0].node:
            continue
        held = buckets.mean[np.isfinite(buckets.mean)]
        if held.size < 6:
            break
        change = float(held[-2:].mean() - held[:-2].mean())
        word = "steady" if abs(change) < 15 else "rising" if change > 0 else "falling"
        return f"Vapour index of {fresh[0].node}: {word} against the last hour (a trend only)"
    return ""
