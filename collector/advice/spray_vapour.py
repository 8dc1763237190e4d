"""The vapour a coat puts into the booth: predicted from mix, spray rate and exhaust, with an interval.

Part of the spray lands and its solvent leaves over the flash-off; the rest evaporates on its way. All of it evaporates
in the end, whatever the transfer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from collector.advice import vapour
from collector.advice.airflow import Flow
from collector.advice.vapour import WATER, Against, Response
from collector.errors import NotFound, RecordError
from collector.physics import humidity, ventilation
from collector.readings.base import FloatArray
from collector.records.model import Mix
from collector.reference.solvents import Blend, blend
from collector.settings import Settings

DRAWS: Final = 300
SEED: Final = 20
"""Fixed, so that the same question has the same answer."""

FLASH_OFF_MINUTES: Final = 5.0
"""In which a wet film loses 63 % of its solvent. Judgement: minutes for the quick solvents, longer for the slow."""

MIXING_UNCERTAINTY: Final = 0.3
"""Relative standard uncertainty of the mixing factor: practice gives 3 to 10. Judgement, no source."""

STEP_MINUTES: Final = 0.5
TAIL_MINUTES: Final = 90.0
PURGED: Final = 0.1
"""Vapour counts as purged at a tenth of the peak."""

SHIFT_MINUTES: Final = 480.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaporating:
    """What evaporates of a mix: the blend, and millilitres of volatile liquid in a millilitre of mix."""

    blend: Blend
    volatile_fraction: float
    assumptions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedVapour:
    """Vapour of one coat from its start, in clean air.

    Attributes
    ----------
    reason : str
        Why nothing is predicted; empty when it is.
    minutes, ppm, low_ppm, high_ppm : arrays
        Course from the start of spraying, with its 90 % interval.
    peak_ppm, peak_low_ppm, peak_high_ppm : float
    against : tuple of Against
        The peak held against fire, PEL and REL.
    shift_mean_ppm : float
        Of a shift of eight hours with this coat alone.
    shift_against : tuple of Against
    purge_minutes, purge_low_minutes, purge_high_minutes : float or None
        From the end of spraying to a tenth of the peak; None where it takes longer than an hour and a half, or the
        booth's volume is not known.
    exhaust_needed_m3_h : mapping
        Yardstick to the least exhaust for lasting spraying; None where it cannot be told.
    assumptions : tuple of str
    """

    reason: str
    flow: Flow
    spray_minutes: float
    rate_ml_min: float
    minutes: FloatArray
    ppm: FloatArray
    low_ppm: FloatArray
    high_ppm: FloatArray
    peak_ppm: float = 0.0
    peak_low_ppm: float = 0.0
    peak_high_ppm: float = 0.0
    against: tuple[Against, ...] = ()
    shift_mean_ppm: float = 0.0
    shift_against: tuple[Against, ...] = ()
    purge_minutes: float | None = None
    purge_low_minutes: float | None = None
    purge_high_minutes: float | None = None
    exhaust_needed_m3_h: Mapping[str, float | None] | None = None
    response: Response | None = None
    volume_known: bool = True
    assumptions: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether anything is predicted."""
        return not self.reason


def evaporating(mix: Mix) -> Evaporating:
    """What evaporates of a mix as applied.

    Raises
    ------
    RecordError, NotFound
        If the material names no solvents, or one the table has not.
    """
    material = mix.material
    if not material.solvents:
        raise RecordError(f"{material.name} names no solvents; enter them from its data sheet")
    found = blend(material.solvents)
    assumptions = []
    if material.solids_volume_fraction is not None:
        volatile = 1.0 - material.solids_volume_fraction
    else:
        volatile = 1.0
        assumptions.append("solids are not known, so all of it is taken to evaporate")
    thinner = mix.reducer_fraction + mix.retarder_fraction
    if thinner:
        assumptions.append("reducer and retarder are counted as the material's own solvents")
    if mix.catalyst_fraction:
        assumptions.append("the catalyst is counted as the material itself")
    own = 1.0 + mix.catalyst_fraction
    return Evaporating(
        blend=found,
        volatile_fraction=(volatile * own + thinner) / (own + thinner),
        assumptions=tuple(assumptions),
    )


def predicted_vapour(
    mix: Mix,
    settings: Settings,
    flow: Flow,
    *,
    minutes: float,
    rate_ml_min: float | None = None,
    tail_minutes: float = TAIL_MINUTES,
) -> PredictedVapour:
    """Vapour of a coat sprayed without a break in clean air.

    Parameters
    ----------
    flow : Flow
        Exhaust while spraying and after.
    minutes : float
        Spraying. [min]
    rate_ml_min : float, optional
        Mix leaving the gun; the shop's setting unless told, for then it is known from what was sprayed.
    tail_minutes : float
        Looked at after the spraying. [min]
    """
    ours = settings.ventilation
    rate = ours.spray_rate_ml_min if rate_ml_min is None else rate_ml_min
    blank = np.empty(0)
    nothing = PredictedVapour(
        reason="", flow=flow, spray_minutes=minutes, rate_ml_min=rate, minutes=blank, ppm=blank, low_ppm=blank,
        high_ppm=blank,
    )  # fmt: skip
    try:
        volatile = evaporating(mix)
        sources = vapour.vapour_m3_h(volatile.blend, rate * volatile.volatile_fraction)
    except (RecordError, NotFound) as error:
        return _without(nothing, f"No vapour is predicted: {error}")
    if flow.m3_h is None or not flow.m3_h:
        return _without(nothing, f"No vapour is predicted: {flow.source}")
    volume_known = bool(ours.volume_m3)
    # Without a volume the air has no memory: it is at once what lasting spraying comes to, the most it can be.
    volume = ours.volume_m3 if volume_known else flow.m3_h / 1e4
    steps = _steps(minutes, tail_minutes)
    spraying = np.cumsum(steps) <= minutes * (1 + 1e-9)
    generator = np.random.default_rng(SEED)
    rate_share = float(humidity.rectangular(ours.spray_rate_accuracy_pct / 100)) if rate_ml_min is None else 0.05
    central = _course(steps, spraying, sum(sources.values()), flow.m3_h, volume, ours.mixing_factor, ours.transfer_pct)
    drawn = _course(
        steps,
        spraying,
        sum(sources.values()) * ventilation.log_normal(1.0, rate_share, DRAWS, generator),
        ventilation.log_normal(flow.m3_h, flow.relative_uncertainty, DRAWS, generator),
        volume,
        ventilation.log_normal(ours.mixing_factor, MIXING_UNCERTAINTY, DRAWS, generator, least=1.0),
        ours.transfer_pct,
    )
    low, high = np.quantile(drawn.ppm, (0.05, 0.95), axis=0)
    peak = float(central.peak_ppm)
    peak_low, peak_high = (float(each) for each in np.quantile(drawn.peak_ppm, (0.05, 0.95)))
    shift = float(central.time_weighted_ppm(max(SHIFT_MINUTES, minutes + tail_minutes)))
    scale = shift / peak if peak else 0.0
    ceiling, isocyanate = ours.lfl_ceiling_pct, mix.material.isocyanate
    purge = _purges(central, minutes) if volume_known else np.array([np.inf])
    purges = _purges(drawn, minutes) if volume_known else np.array([np.inf])
    assumptions = volatile.assumptions
    if not volume_known:
        assumptions += ("the booth's volume is not known, so the build-up is taken as instant",)
    if WATER in volatile.blend.names:
        assumptions += ("water vapour is left out",)
    return PredictedVapour(
        reason="",
        flow=flow,
        spray_minutes=minutes,
        rate_ml_min=rate,
        minutes=central.minutes,
        ppm=central.ppm,
        low_ppm=low,
        high_ppm=high,
        peak_ppm=peak,
        peak_low_ppm=peak_low,
        peak_high_ppm=peak_high,
        against=vapour.against(volatile.blend, peak, peak_low, peak_high, ceiling, isocyanate=isocyanate),
        shift_mean_ppm=shift,
        shift_against=vapour.against(
            volatile.blend, shift, scale * peak_low, scale * peak_high, ceiling, isocyanate=isocyanate
        ),
        purge_minutes=_finite(float(purge[0])),
        purge_low_minutes=_finite(float(np.quantile(purges, 0.05, method="lower"))),
        purge_high_minutes=_finite(float(np.quantile(purges, 0.95, method="higher"))),
        exhaust_needed_m3_h=vapour.exhaust_needed(
            volatile.blend, rate * volatile.volatile_fraction, ceiling, ours.mixing_factor
        ),
        response=vapour.response(volatile.blend),
        volume_known=volume_known,
        assumptions=assumptions,
    )


def _without(nothing: PredictedVapour, reason: str) -> PredictedVapour:
    return replace(nothing, reason=reason)


def _steps(minutes: float, tail_minutes: float) -> FloatArray:
    spray = max(1, round(minutes / STEP_MINUTES))
    tail = max(1, round(tail_minutes / (2 * STEP_MINUTES)))
    return np.concatenate([np.full(spray, minutes / spray), np.full(tail, max(tail_minutes, 1e-3) / tail)])


def _course(
    steps: FloatArray,
    spraying: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    source_m3_h: float | FloatArray,
    flow_m3_h: float | FloatArray,
    volume_m3: float,
    mixing_factor: float | FloatArray,
    transfer_pct: float,
) -> ventilation.Course:
    sprayed = np.asarray(source_m3_h)[..., None] * spraying
    given_off = ventilation.flash_off(
        steps, sprayed, film_share=transfer_pct / 100, time_constant_minutes=FLASH_OFF_MINUTES
    )
    return ventilation.well_mixed(
        steps, given_off, exhaust_m3_h=flow_m3_h, volume_m3=volume_m3, mixing_factor=mixing_factor
    )


def _purges(course: ventilation.Course, spray_minutes: float) -> FloatArray:
    """Minutes from the end of spraying to a tenth of the peak, of each draw; infinite beyond what was looked at."""
    ppm = np.atleast_2d(course.ppm)
    after = course.minutes >= spray_minutes * (1 - 1e-9)
    low = (ppm <= PURGED * ppm.max(axis=-1, keepdims=True)) & after
    first = low.argmax(axis=-1)
    return np.asarray(np.where(low.any(axis=-1), course.minutes[first] - spray_minutes, np.inf))


def _finite(minutes: float) -> float | None:
    return minutes if np.isfinite(minutes) else None
