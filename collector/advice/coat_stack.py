"""Young coats beneath a coat: for the solvent that has yet to leave they are one film with it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

import numpy as np

from collector.advice.stage_legs import dry_film
from collector.physics.age_curve import AgeCurve
from collector.physics.drying_drivers import SheetConditions
from collector.physics.film_diffusion import diffusivity_um2_h, effective_film_um
from collector.records.model import Coat
from collector.settings import Settings

YOUNG: Final = timedelta(days=45)
"""A coat older than this when the next was laid is dry through in any case."""

RETAINED: Final = 0.1
"""Share of the solvent with which the last stages of a lacquer are taken to come. Judgement, no source."""

DRY_AT: Final = 2.0
"""Fourier number at which a coat is dry through and no longer one with the next; 0.6 % of its solvent is left."""


def thickening(films_um: tuple[float, ...], waits_h: tuple[float, ...], stage_h: float, sheet_film_um: float) -> float:
    """How many times its own thickness the last coat of a stack counts as, for the diffusion of a stage.

    It is worked out at the data sheet's own time: how far a shop's time is from that is as much a matter of what its
    finisher calls ready as of the solvent.

    Parameters
    ----------
    films_um : tuple of float
        Dry films, the lowest first, the last coat last. [µm]
    waits_h : tuple of float
        From one coat to the next, in the diffusion driver's equivalent hours: one fewer than films. [h]
    stage_h : float
        Time of the stage at the data sheet's conditions. [h]
    sheet_film_um : float
        Dry film it holds for. [µm]

    Returns
    -------
    float
        1 where nothing young lies beneath.
    """
    if len(films_um) < 2:
        return 1.0
    films, waits = tuple(round(um, 1) for um in films_um), tuple(round(h, 2) for h in waits_h)
    return _times(films, waits, _diffusivity(stage_h, sheet_film_um))


def laid(coat: Coat) -> datetime:
    """When a coat was laid: when it ended, or when it began if nobody ended it."""
    return coat.ended_at or coat.started_at


def young_beneath(coat: Coat, beneath: Sequence[Coat]) -> tuple[Coat, ...]:
    """Coats beneath one, the lowest first, that may have held solvent when it was laid."""
    return tuple(each for each in beneath if laid(each) >= coat.started_at - YOUNG)


def stack_of(
    coats: Sequence[Coat], laid_h: Sequence[float], of: AgeCurve, sheet: SheetConditions, settings: Settings
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Dry films of a stack, the lowest first [µm], and the waits between its coats in the hours of a curve. [h]"""
    films = []
    for coat in coats:
        um = float(dry_film(coat, settings.readiness.wet_film_um, np.zeros(1))[0][0])
        films.append(sheet.dry_film_um if np.isnan(um) else um)
    times = np.maximum.accumulate(np.clip(np.array(laid_h), of.time_h[0], of.time_h[-1]))
    return tuple(films), tuple(np.diff(of.at(times)).tolist())


@lru_cache(maxsize=512)
def _diffusivity(stage_h: float, sheet_film_um: float) -> float:
    return float(np.asarray(diffusivity_um2_h(stage_h, sheet_film_um, RETAINED)))


@lru_cache(maxsize=8192)
def _times(films_um: tuple[float, ...], waits_h: tuple[float, ...], diffusivity: float) -> float:
    films, waits = list(films_um), list(waits_h)
    # Whatever lies below a coat that was dry through when the next was laid no longer counts.
    for i in range(len(waits) - 1, -1, -1):
        if diffusivity * waits[i] / films[i] ** 2 > DRY_AT:
            films, waits = films[i + 1 :], waits[i + 1 :]
            break
    if len(films) < 2:
        return 1.0
    ages = np.concatenate([np.cumsum(waits[::-1])[::-1], [0.0]])
    return float(np.asarray(effective_film_um(films, list(ages), diffusivity, retained=RETAINED))) / films[-1]
