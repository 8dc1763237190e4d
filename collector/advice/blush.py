"""Will a coat blush: the chance of it, from the wet film's physics and everything that is not known exactly.

Two mechanisms are computed. **Condensing**: quick solvents chill the film below the dew point and water settles on
it. **Separating**: the film takes up water from the air while acetone and alcohols hold it, and gives it up as
droplets when they have left first; that needs no condensation. A slow solvent that mixes with water cures the
second, a hydrocarbon does not.

The chance is the share of draws in which either happens; sensors, air speed, film, blend and the model's own errors
are drawn. A waterborne coat is mostly water and does not blush in this way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import stats

from collector.physics import activity, evaporation
from collector.physics.evaporation import Air, Drying, Part, WetCoat
from collector.physics.humidity import ATMOSPHERE
from collector.physics.volatiles import WATER, Volatile
from collector.reference import solvents, substrates

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

NONE: Final = "none"
POSSIBLE: Final = "possible"
LIKELY: Final = "likely"

POSSIBLE_FROM: Final = 0.05
LIKELY_FROM: Final = 0.5
"""Chance from which blush is called possible, and likely. Judgement, no source."""

CONDENSED_G_M2: Final = 0.05
"""Water on the film that shows as blush: 50 nm of it. Assumed; no measured threshold was found."""

LEFT_SHARE: Final = 0.05
"""Below this share of its solvent the film is binder, of which the activities know nothing."""

WATERBORNE_FROM: Final = 0.3
"""Mass fraction of water in the volatile part from which a coat is taken as waterborne."""

TRANSFER_SPREAD: Final = 0.2
BLEND_SPREAD: Final = 0.1
ACTIVITY_SPREAD: Final = 0.3
SEPARATING_SPREAD: Final = 0.08
"""Standard deviations of the logarithm: of heat and mass transfer, of each solvent's share, of the solvents' vapour
pressures over the film (ideal and UNIFAC activities differ by about this), and of the retained water's activity (five
points of relative humidity)."""

DRAWS: Final = 256
WATCHED_S: Final = 600.0
RUN_S: Final = 1800.0

NOT_THE_CLIMATE: Final = (
    "Whitening in dry air is another matter: resin or nitrocellulose thrown out by a thinner the product does not "
    "take, or too much of one. No change of air cures that."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """A coat about to be laid, with what is known of it; ``*_u`` are standard uncertainties.

    Attributes
    ----------
    blend : tuple of (name, mass fraction)
        Of the volatile part; names as in the solvent table.
    solids_mass_fraction : float
        Of the mix as sprayed.
    wet_film_um, film_u : float
        [µm]; uncertainty relative.
    air_c, air_u_k : float
        [°C, K]
    relative_humidity_pct, humidity_u_pct : float
        [%]
    part_c, part_u_k : float
        Of the piece. [°C, K]
    coat_c : float or None
        Temperature the coat arrives with; None: the air's. [°C]
    air_speed_m_s, speed_u : float
        [m/s]; uncertainty relative.
    pressure : float
        [Pa]
    substrate : str
        As in the substrate table; ``none``: a film that touches nothing.
    thickness_mm, length_m : float
        Of the piece, and of the coated face along the air.
    orientation : str
        ``vertical`` or ``horizontal``.
    chill_k : tuple of float
        How far each layer of the piece is below ``part_c`` because of the coat before. [K]
    """

    blend: tuple[tuple[str, float], ...]
    air_c: float
    relative_humidity_pct: float
    part_c: float
    air_speed_m_s: float
    wet_film_um: float
    solids_mass_fraction: float
    substrate: str
    thickness_mm: float
    length_m: float = 0.35
    orientation: str = "vertical"
    coat_c: float | None = None
    pressure: float = ATMOSPHERE
    air_u_k: float = 0.3
    humidity_u_pct: float = 1.7
    part_u_k: float = 0.5
    speed_u: float = 0.3
    film_u: float = 0.15
    chill_k: tuple[float, ...] = ()

    @property
    def waterborne(self) -> bool:
        """Whether the coat is mostly water."""
        return sum(share for name, share in self.blend if name == WATER.name) >= WATERBORNE_FROM


@dataclass(frozen=True, slots=True, kw_only=True)
class Blush:
    """What the wet film will do.

    Attributes
    ----------
    probability, condensing, separating : float or None
        Chance of blush, and of each mechanism; ``separating`` is None where a solvent's activities are not known.
    word : str
        ``none``, ``possible`` or ``likely``.
    min_film_c, min_film_low_c, min_film_high_c : float
        Coldest film with its 90 % interval. [°C]
    dew_point_c : float
        [°C]
    min_margin_k, min_margin_low_k, min_margin_high_k : float
        Coldest film above the dew point, with its 90 % interval. [K]
    seconds_below_dew_point : float
        [s]
    condensed_g_m2, condensed_high_g_m2 : float
        Most water on the film, and its 95th percentile. [g/m²]
    taken_up_g_m2 : float or None
        Most water within the film. [g/m²]
    flash_off_50_s, flash_off_90_s : float or None
        Until half and nine tenths of the solvent have left; None: not within half an hour. [s]
    waterborne : bool
    """

    probability: float
    condensing: float
    separating: float | None
    word: str
    min_film_c: float
    min_film_low_c: float
    min_film_high_c: float
    dew_point_c: float
    min_margin_k: float
    min_margin_low_k: float
    min_margin_high_k: float
    seconds_below_dew_point: float
    condensed_g_m2: float
    condensed_high_g_m2: float
    taken_up_g_m2: float | None
    flash_off_50_s: float | None
    flash_off_90_s: float | None
    waterborne: bool

    def to_dict(self) -> dict[str, Any]:
        """The answer as JSON-ready values."""
        return {name: getattr(self, name) for name in self.__slots__}


def word_of(probability: float) -> str:
    """``none`` below 5 %, ``possible`` below 50 %, else ``likely``."""
    if probability < POSSIBLE_FROM:
        return NONE
    return POSSIBLE if probability < LIKELY_FROM else LIKELY


@lru_cache(maxsize=256)
def blush(situation: Situation) -> Blush:
    """Judge a coat. The same situation always gives the same answer.

    Raises
    ------
    NotFound, RecordError
        If a solvent or the substrate is not in the tables, or a figure of one is not known.
    ValueError
        Naming what is out of range.
    """
    nominal = evaporation.dry(*_nominal(situation), seconds=RUN_S)
    drawn = drawn_from([situation], DRAWS)
    condensing, separating, runs = outcomes(drawn, DRAWS)
    either = condensing if separating is None else condensing | separating
    film, margin = runs[0].min_film_c, runs[0].min_margin_k
    probability = 0.0 if situation.waterborne else float(either.mean())
    low, high = np.quantile(film, (0.05, 0.95))
    margin_low, margin_high = np.quantile(margin, (0.05, 0.95))
    half, most = (float(nominal.flash_off_s(share)[0]) for share in (0.5, 0.9))
    return Blush(
        probability=probability,
        condensing=0.0 if situation.waterborne else float(condensing.mean()),
        separating=None if separating is None else 0.0 if situation.waterborne else float(separating.mean()),
        word=word_of(probability),
        min_film_c=float(nominal.min_film_c[0]),
        min_film_low_c=float(low),
        min_film_high_c=float(high),
        dew_point_c=float(nominal.dew_point_c[0]),
        min_margin_k=float(nominal.min_margin_k[0]),
        min_margin_low_k=float(margin_low),
        min_margin_high_k=float(margin_high),
        seconds_below_dew_point=float(nominal.seconds_below_dew_point[0]),
        condensed_g_m2=1e3 * float(nominal.most_condensed_kg_m2[0]),
        condensed_high_g_m2=1e3 * float(np.quantile(runs[0].most_condensed_kg_m2, 0.95)),
        taken_up_g_m2=None if situation.waterborne else _taken_up(runs),
        flash_off_50_s=half if np.isfinite(half) else None,
        flash_off_90_s=most if np.isfinite(most) else None,
        waterborne=situation.waterborne,
    )


def outcomes(drawn: tuple[WetCoat, Air, Part], draws: int) -> tuple[Flags, Flags | None, list[Drying]]:
    """Which draws condense, which separate (None where activities are not known), and the runs behind them.

    Parameters
    ----------
    draws : int
        To a situation; the same random numbers serve each.
    """
    coat, air, part = drawn
    first = evaporation.dry(coat, air, part, seconds=WATCHED_S)
    condensing = 1e3 * first.most_condensed_kg_m2 > CONDENSED_G_M2
    if not _has_groups(coat.volatiles):
        return condensing, None, [first]
    # UNIFAC's own error is within SEPARATING_SPREAD; the spread of ideal activities has no place here.
    second = evaporation.dry(replace(coat, activity_factor=1.0), air, part, seconds=WATCHED_S, dissolve_water=True)
    shake = np.tile(np.exp(SEPARATING_SPREAD * _normals(draws, 1, seed=7)[0]), len(condensing) // draws)
    return condensing, highest_activity(second) * shake > 1.0, [first, second]


def highest_activity(run: Drying) -> Array:
    """Highest activity of the water in a film that still holds solvent, (draws,)."""
    left = run.liquid_kg_m2.sum(axis=1)
    counted = np.where((left > LEFT_SHARE * left[0]) & np.isfinite(run.water_activity), run.water_activity, 0.0)
    return np.asarray(counted.max(axis=0))


def drawn_from(options: list[Situation], draws: int) -> tuple[WetCoat, Air, Part]:
    """Draws around situations that share substrate, thickness and face, the same random numbers for each.

    The blends may differ; a solvent that one of them lacks has no share there.
    """
    first = options[0]
    names = list(dict.fromkeys(name for option in options for name, _ in option.blend))
    z = _normals(draws, 7 + len(names), seed=1)
    tilt = np.exp(BLEND_SPREAD * z[7:])

    def spread(values: list[Array]) -> Array:
        return np.concatenate(values)

    shares = np.concatenate(
        [np.array([dict(option.blend).get(name, 0.0) for name in names])[:, None] * tilt for option in options], axis=1
    )
    shares /= shares.sum(axis=0)
    parts = [_profile(option, option.part_c + option.part_u_k * z[2]) for option in options]
    coat = WetCoat(
        volatiles=[_volatile(name) for name in names],
        mass_fractions=shares,
        wet_film_um=spread([np.maximum(option.wet_film_um * np.exp(option.film_u * z[3]), 1.0) for option in options]),
        solids_mass_fraction=spread([np.full(draws, option.solids_mass_fraction) for option in options]),
        coat_c=spread([_arrives(option) + option.air_u_k * z[0] for option in options]),
        activity_factor=np.tile(np.exp(ACTIVITY_SPREAD * z[4]), len(options)),
    )
    air = Air(
        air_c=spread([option.air_c + option.air_u_k * z[0] for option in options]),
        relative_humidity_pct=spread(
            [np.clip(option.relative_humidity_pct + option.humidity_u_pct * z[1], 1.0, 100.0) for option in options]
        ),
        air_speed_m_s=spread([option.air_speed_m_s * np.exp(option.speed_u * z[5]) for option in options]),
        pressure=first.pressure,
        transfer_factor=np.tile(np.exp(TRANSFER_SPREAD * z[6]), len(options)),
    )
    return coat, air, replace(_part(first), part_c=np.concatenate(parts, axis=-1))


def chill_after(earlier: Situation, seconds: float) -> tuple[float, ...]:
    """How far each layer of the piece is below where it began, some time after a coat was laid. [K]

    Parameters
    ----------
    seconds : float
        Since that coat. [s]
    """
    coat, air, part = _nominal(earlier)
    if part.solid is None or seconds <= 0:
        return ()
    run = evaporation.dry(coat, air, part, seconds=seconds)
    return tuple(float(layer) for layer in earlier.part_c - run.part_c[:, 0])


def _taken_up(runs: list[Drying]) -> float | None:
    """Median of the most water within the film. [g/m²]"""
    if len(runs) < 2:
        return None
    water = runs[1].water_kg_m2
    return 1e3 * float(np.median(water.max(axis=0) - water[0]))


def _nominal(situation: Situation) -> tuple[WetCoat, Air, Part]:
    coat = WetCoat(
        volatiles=[_volatile(name) for name, _ in situation.blend],
        mass_fractions=np.array([share for _, share in situation.blend]),
        wet_film_um=situation.wet_film_um,
        solids_mass_fraction=situation.solids_mass_fraction,
        coat_c=_arrives(situation),
    )
    air = Air(
        air_c=situation.air_c,
        relative_humidity_pct=situation.relative_humidity_pct,
        air_speed_m_s=situation.air_speed_m_s,
        pressure=situation.pressure,
    )
    part = replace(_part(situation), part_c=_profile(situation, np.array([situation.part_c])))
    return coat, air, part


def _part(situation: Situation) -> Part:
    solid = None if situation.substrate == "none" else substrates.substrate(situation.substrate).solid
    return Part(
        solid=solid,
        thickness_mm=situation.thickness_mm,
        part_c=situation.part_c,
        length_m=situation.length_m,
        orientation=situation.orientation,
    )


def _profile(situation: Situation, part_c: Array) -> Array:
    if not situation.chill_k or situation.substrate == "none":
        return part_c
    return np.asarray(part_c - np.array(situation.chill_k)[:, None])


def _arrives(situation: Situation) -> float:
    return situation.air_c if situation.coat_c is None else situation.coat_c


def _has_groups(volatiles: Sequence[Volatile]) -> bool:
    return all(activity.known(volatile.groups) for volatile in volatiles)


def _volatile(name: str) -> Volatile:
    return WATER if name == WATER.name else solvents.find(name).volatile


@lru_cache(maxsize=32)
def _normals(draws: int, dimensions: int, seed: int) -> Array:
    """Standard normal draws that fill the space evenly, (dimensions, draws)."""
    sobol = stats.qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed))
    return np.asarray(stats.norm.ppf(sobol.random(draws)).T, dtype=float)
