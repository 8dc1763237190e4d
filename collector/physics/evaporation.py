"""A wet film drying on a piece: how cold it gets, how much water it takes up, how fast the solvent leaves.

One film node exchanges heat and vapour with the booth's air and heat with the piece beneath, which is solved as a
one-dimensional conducting slab. Everything is vectorised over draws. Simplifications that were measured to be wrong
and are not made here: a half-space in closed form in place of the conducting piece (the flux is neither a step nor
constant: 0.8 K too cold or 0.7 K too warm), no natural convection (drying time a third too long), a log-mean Stefan
correction for water (two to three times too much condensed).

What is left out: skinning and diffusion within the polymer, the porosity of bare wood, vapour building up in the
booth's air, evaporation on the way from gun to piece.

References
----------
.. [1] T. H. Chilton, A. P. Colburn, "Mass transfer (absorption) coefficients", Ind. Eng. Chem. 26 (1934) 1183-1187.
.. [2] R. B. Bird, W. E. Stewart, E. N. Lightfoot, "Transport Phenomena", 2nd ed. (2002), chapter 22: film theory of
   simultaneous heat and mass transfer (Stefan flow, Ackermann's correction).
.. [3] R. Taylor, R. Krishna, "Multicomponent Mass Transfer" (1993): water among several diffusing vapours.
.. [4] S. W. Churchill, H. H. S. Chu, Int. J. Heat Mass Transfer 18 (1975) 1323-1329: natural convection at a
   vertical plate. VDI Heat Atlas (2010), chapters G4 and F2, for forced and horizontal flow and how the two combine
   (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics import activity, humidity
from collector.physics.boundary_layer import BoundaryLayer, shrinking
from collector.physics.conduction import STEFAN_BOLTZMANN, Slab
from collector.physics.humidity import ATMOSPHERE, ZERO_C, Numbers
from collector.physics.solids import Solid
from collector.physics.volatiles import GAS_CONSTANT, WATER, Volatile

Array = npt.NDArray[np.float64]

SOLIDS_DENSITY_KG_M3: Final = 1200.0
SOLIDS_HEAT_J_KG_K: Final = 1500.0
FILM_CONDUCTIVITY_W_M_K: Final = 0.15
"""Binder: usual values of resins, from memory. The film's own heat is a hundredth of what passes through it."""

FIRST_STEP_S: Final = 0.05
STEP_SHARE: Final = 0.04
EARLY_STEP_S: Final = 2.0
LATE_STEP_SHARE: Final = 0.01
"""Steps grow with time: quick films are coldest when they run dry, within minutes, and a coarse step misses that."""

BACK_CHILL_K: Final = 4.0
"""How much colder than the air the back of a thin piece is taken to be, for the air that moves along it."""

DRY_SHARE: Final = 1e-5
"""Share of the first moles that behaves as not volatile, so that a film runs dry smoothly and not within a step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WetCoat:
    """A coat at the moment it lies on the piece. Numbers may be floats or arrays over draws.

    Attributes
    ----------
    volatiles : sequence of Volatile
        The liquid part of the coat. Water in it is taken as dissolved.
    mass_fractions : array, shape (volatiles,) or (volatiles, draws)
        Of the volatile part.
    wet_film_um : float or array
        [µm]
    solids_mass_fraction : float or array
        [0 to 1)
    coat_c : float or array
        Temperature it arrives with. [°C]
    activity_factor : float or array
        Multiplies the vapour pressures of all but water: 1, or draws of what the activities leave uncertain.
    """

    volatiles: Sequence[Volatile]
    mass_fractions: npt.ArrayLike
    wet_film_um: Numbers
    solids_mass_fraction: Numbers
    coat_c: Numbers
    activity_factor: Numbers = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The air a coat dries in. Numbers may be floats or arrays over draws.

    Attributes
    ----------
    air_c : float or array
        [°C]; the surroundings radiate at the same temperature.
    relative_humidity_pct : float or array
        [%]
    air_speed_m_s : float or array
        Along the coated face. [m/s]
    pressure : float
        [Pa]
    transfer_factor : float or array
        Multiplies heat and mass transfer alike: 1, or draws of what the correlations leave uncertain.
    """

    air_c: Numbers
    relative_humidity_pct: Numbers
    air_speed_m_s: Numbers
    pressure: float = ATMOSPHERE
    transfer_factor: Numbers = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The piece under the coat.

    Attributes
    ----------
    solid : Solid or None
        None: a film that touches nothing (adiabatic below).
    thickness_mm : float
        From the coated to the free back face.
    part_c : float or array
        Temperature through the piece: one, (draws,), or as a profile (cells, draws) that :attr:`Drying.part_c` of
        an earlier coat left. [°C]
    length_m : float
        Of the coated face along the air.
    orientation : str
        ``vertical`` or ``horizontal``.
    emissivity : float
        Of wet coats, usually 0.9.
    """

    solid: Solid | None
    thickness_mm: float = 42.0
    part_c: npt.ArrayLike = 23.0
    length_m: float = 0.35
    orientation: str = "vertical"
    emissivity: float = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Drying:
    """How the coat dried. The last axis of every array is the draw.

    Attributes
    ----------
    time_s : array, shape (times,)
        From when the coat lies. [s]
    film_c : array, shape (times, draws)
        [°C]
    liquid_kg_m2 : array, shape (times, volatiles, draws)
        Left in the film. [kg/m²]
    condensed_kg_m2 : array, shape (times, draws)
        Water on the film; zero where water is taken as dissolved. [kg/m²]
    water_activity : array, shape (times, draws)
        Of the water in the film: above 1 it separates. NaN where water is not followed within the film.
    water_kg_m2 : array, shape (times, draws)
        Water within the film; zero where it is not followed there. [kg/m²]
    part_c : array, shape (cells, draws)
        Temperature through the piece at the end, coated face first; empty without a piece. [°C]
    dew_point_c : array, shape (draws,)
        Of the air far from the film. [°C]
    mass_closure, energy_closure : array, shape (draws,)
        What the balances miss at the end, over all that evaporated.
    """

    time_s: Array
    film_c: Array
    liquid_kg_m2: Array
    condensed_kg_m2: Array
    water_activity: Array
    water_kg_m2: Array
    part_c: Array
    dew_point_c: Array
    mass_closure: Array
    energy_closure: Array

    @property
    def min_film_c(self) -> Array:
        """Coldest film after the first second, while it lasts. [°C], (draws,)"""
        return np.asarray(self.film_c[self.time_s >= 1.0].min(axis=0))

    @property
    def min_margin_k(self) -> Array:
        """Coldest film less dew point. [K], (draws,)"""
        return self.min_film_c - self.dew_point_c

    @property
    def seconds_below_dew_point(self) -> Array:
        """Time the film spends below the dew point after the first second. [s], (draws,)"""
        below = self.film_c - self.dew_point_c
        first, last = below[:-1], below[1:]
        with np.errstate(divide="ignore", invalid="ignore"):
            # Within a step the film's temperature is taken as a straight line.
            share = np.clip(np.where(first == last, 0.5, -np.minimum(first, last) / np.abs(last - first)), 0.0, 1.0)
        share = np.where((first < 0) & (last < 0), 1.0, np.where((first >= 0) & (last >= 0), 0.0, share))
        counted = self.time_s[1:] > 1.0
        return np.asarray((share * np.diff(self.time_s)[:, None])[counted].sum(axis=0))

    @property
    def most_condensed_kg_m2(self) -> Array:
        """Most water that lay on the film at once. [kg/m²], (draws,)"""
        return np.asarray(self.condensed_kg_m2.max(axis=0))

    def flash_off_s(self, share: float) -> Array:
        """Time until a share of the liquid has left; NaN where the run ends first. [s], (draws,)"""
        left = self.liquid_kg_m2.sum(axis=1)
        gone = 1.0 - left / left[0]
        reached = gone >= share
        index = reached.argmax(axis=0)
        draws = np.arange(left.shape[1])
        before = np.maximum(index - 1, 0)
        low, high = gone[before, draws], gone[index, draws]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.clip((share - low) / (high - low), 0.0, 1.0)
        times = self.time_s[before] + part * (self.time_s[index] - self.time_s[before])
        return np.asarray(np.where(reached.any(axis=0), times, np.nan))


def dry(coat: WetCoat, air: Air, part: Part, *, seconds: float = 1800.0, dissolve_water: bool = False) -> Drying:
    """Let a coat dry.

    Parameters
    ----------
    seconds : float
        Length of the run. [s]
    dissolve_water : bool
        Follow the water the film takes up from the air with activities after UNIFAC [activity], in place of ideal
        solvents with water condensing on top. A coat with water in it is always followed within the film, ideally
        unless this is set.

    Raises
    ------
    ValueError
        Naming what is out of range, or that a volatile has no groups where activities are asked for.
    """
    run = _Run(coat, air, part, dissolve_water)
    times = [0.0]
    while times[-1] < seconds:
        step = max(FIRST_STEP_S, min(STEP_SHARE * times[-1], EARLY_STEP_S), LATE_STEP_SHARE * times[-1])
        # Rounded, so that steps repeat and the piece's matrix need not be made anew for each.
        step = min(float(f"{step:.2g}"), seconds - times[-1])
        run.advance(step)
        times.append(times[-1] + step)
    return run.drying(np.array(times))


def steady_film_c(volatile: Volatile, air: Air, part: Part) -> Array:
    """Temperature a continuously wet face of one pure liquid settles at, nothing coming from behind. [°C]

    The wet bulb of a liquid: with water, little radiation and fast air it is near the psychrometric one.
    """
    thick = WetCoat(volatiles=(volatile,), mass_fractions=[1.0], wet_film_um=200.0, solids_mass_fraction=0.0,
                    coat_c=air.air_c)  # fmt: skip
    run = _Run(thick, air, Part(solid=None, length_m=part.length_m, orientation=part.orientation,
                                emissivity=part.emissivity), False)  # fmt: skip
    for _ in range(400):
        run.advance(2.0, drains=False)
    return run.film_c


class _Run:
    """The state of a run, advanced step by step."""

    def __init__(self, coat: WetCoat, air: Air, part: Part, dissolve_water: bool) -> None:
        _check(coat, air, part)
        fractions = np.asarray(coat.mass_fractions, dtype=float)
        numbers = (coat.wet_film_um, coat.solids_mass_fraction, coat.coat_c, air.air_c, air.relative_humidity_pct,
                   air.air_speed_m_s, air.transfer_factor, coat.activity_factor)  # fmt: skip
        shapes = [np.shape(number) for number in numbers] + [fractions.shape[1:], np.shape(part.part_c)[-1:]]
        draws = int(np.prod(np.broadcast_shapes(*shapes))) or 1
        wet_um, solids, coat_c, air_c, damp, speed, factor, activity_factor = (
            np.array(np.broadcast_to(np.asarray(number, dtype=float), (draws,))) for number in numbers
        )
        self.volatiles = list(coat.volatiles)
        fractions = np.array(np.broadcast_to(fractions.reshape(len(self.volatiles), -1), (len(self.volatiles), draws)))
        fractions /= fractions.sum(axis=0)
        wet_water = any(volatile.name == WATER.name for volatile in self.volatiles)
        if dissolve_water and not wet_water:
            self.volatiles.append(WATER)
            fractions = np.vstack([fractions, np.zeros(draws)])
        self.water = next((i for i, v in enumerate(self.volatiles) if v.name == WATER.name), None)
        self.model = activity.Unifac([v.groups for v in self.volatiles]) if dissolve_water else None

        def column(name: str) -> Array:
            return np.array([getattr(volatile, name) for volatile in self.volatiles], dtype=float)[:, None]

        self.molar_mass = column("molar_mass")
        self.vapour_heat = column("vapour_heat")
        self.liquid_heat = self.molar_mass * column("liquid_heat")
        self.latent_20 = column("latent_heat")
        self.antoine = [np.array([v.antoine[i] for v in self.volatiles])[:, None] for i in range(3)]
        self.activity_factor = np.broadcast_to(activity_factor, (len(self.volatiles), draws)).copy()
        if self.water is not None:
            self.activity_factor[self.water] = 1.0
        self.solvents = np.array([i for i in range(len(self.volatiles)) if i != self.water], dtype=int)

        specific_volume = (1 - solids) * (fractions / column("density")).sum(axis=0) + solids / SOLIDS_DENSITY_KG_M3
        mass = 1e-6 * wet_um / specific_volume
        self.solids_kg = mass * solids
        self.moles = mass * (1 - solids) * fractions / self.molar_mass
        self.first_moles = self.moles.copy()
        self.never_leaves = DRY_SHARE * self.moles.sum(axis=0)
        self.liquid_volume = column("molar_mass") / column("density")
        self.condensed = np.zeros(draws)

        self.pressure, self.emissivity = air.pressure, part.emissivity
        self.air_c, self.air_k = air_c, air_c + ZERO_C
        vapour = np.asarray(humidity.vapour_pressure(air_c, damp))
        self.dew_point_c = np.asarray(humidity.dew_point_c(air_c, np.maximum(damp, 1e-3)))
        self.film_c = coat_c
        self.flux = np.zeros_like(self.moles)
        self.layer = BoundaryLayer(
            self.volatiles,
            air_c=air_c,
            far_water=vapour / air.pressure,
            speed=speed,
            factor=factor,
            pressure=air.pressure,
            length=part.length_m,
            vertical=part.orientation == "vertical",
            water_index=self.water,
        )
        self.slab = None
        if part.solid is not None:
            # One value for all draws: the back of a wooden piece feels nothing within the minutes that count, and
            # that of a thin sheet is about as cold as its face.
            back = self.layer.coefficients(air_c - BACK_CHILL_K, np.zeros_like(self.moles)).heat
            radiated = 4 * part.emissivity * STEFAN_BOLTZMANN * self.air_k**3
            self.slab = Slab(part.solid, part.thickness_mm, part.part_c, float(np.median(back + radiated)), air_c)

        self.owed_j = np.zeros(draws)
        self.heat_in_j = np.zeros(draws)
        self.latent_j = np.zeros(draws)
        self.carried_j = np.zeros(draws)
        self.evaporated = np.zeros_like(self.moles)
        self.taken_up = np.zeros(draws)
        self.first_energy_j = self._energy_j()
        self.activity_now = np.full(draws, np.nan)
        self.record: list[tuple[Array, Array, Array, Array]] = []
        self._keep()

    def _keep(self) -> None:
        self.record.append((self.film_c.copy(), self.moles * self.molar_mass, self.condensed * WATER.molar_mass,
                            self.activity_now.copy()))  # fmt: skip

    def _film_heat(self, moles: Array) -> Array:
        """Heat capacity of the film. [J/(m²·K)]"""
        water = self.condensed * WATER.molar_mass * WATER.liquid_heat
        return np.asarray(self.solids_kg * SOLIDS_HEAT_J_KG_K + (moles * self.liquid_heat).sum(axis=0) + water)

    def _energy_j(self) -> Array:
        """Sensible heat of film and piece, counted from the air's temperature. [J/m²]"""
        film = self._film_heat(self.moles) * (self.film_c - self.air_c)
        return np.asarray(film if self.slab is None else film + self.slab.energy_j(self.air_c))

    def advance(self, step: float, drains: bool = True) -> None:
        """One step: passes over the film's temperature and what leaves in the meantime."""
        old_c, old_moles, old_condensed = self.film_c, self.moles, self.condensed
        guess_c, middle = old_c, old_moles
        below = None if self.slab is None else self.slab.look_ahead(step, self.air_c)
        owed_w = self.owed_j / step
        for _ in range(2 if step <= EARLY_STEP_S else 3):
            film_k = guess_c + ZERO_C
            share = middle / (middle.sum(axis=0) + self.never_leaves)
            gamma: Array = self.activity_factor
            if self.model is not None:
                ideal = middle / np.maximum(middle.sum(axis=0), 1e-30)
                gamma = gamma * self.model.coefficients(ideal, float(film_k.mean()))
            saturation = np.exp(self.antoine[0] - self.antoine[1] / (film_k + self.antoine[2])) / self.pressure
            at_film = np.minimum(share * gamma * saturation, 0.95)
            passes = self.layer.coefficients(guess_c, at_film)
            flux = self.layer.solvent_flux(at_film, passes, self.flux)
            out, into = self.layer.water_flux(flux, at_film, passes)
            new_moles = old_moles * np.exp(-step * flux / np.maximum(middle, 1e-30))
            latent = self.latent_20 + (self.vapour_heat - self.liquid_heat) * (guess_c - 20.0)
            stiffness = (passes.vapours * at_film * latent**2)[self.solvents].sum(axis=0)
            new_condensed = old_condensed
            if self.water is None:
                at_water = np.exp(WATER.antoine[0] - WATER.antoine[1] / (film_k + WATER.antoine[2]))
                net = out * at_water / self.pressure - into
                new_condensed = np.maximum(old_condensed - step * net, 0.0)
                water_latent = WATER.latent_heat + (WATER.vapour_heat - 75.3) * (guess_c - 20.0)
                left_water = old_condensed - new_condensed
                active = (net < 0) | (old_condensed > 0)
                stiffness = stiffness + active * out * at_water / self.pressure * water_latent**2
            else:
                w = self.water
                total = middle.sum(axis=0) + self.never_leaves
                rate = out * gamma[w] * saturation[w] / total
                new_moles[w] = (old_moles[w] + step * into) / (1 + step * rate)
                water_latent, left_water = latent[w], np.zeros_like(out)
                stiffness = stiffness + out * at_film[w] * water_latent**2
            stiffness = stiffness / (GAS_CONSTANT * film_k**2)
            leaving = old_moles - new_moles if drains else step * flux
            if not drains and self.water is not None:
                leaving[self.water] = step * (out * at_film[self.water] - into)
            used = ((leaving * latent).sum(axis=0) + left_water * water_latent) / step
            vapours = ((leaving * self.vapour_heat).sum(axis=0) + left_water * WATER.vapour_heat) / step
            convected = passes.heat * shrinking(vapours / passes.heat)
            radiated = self.emissivity * STEFAN_BOLTZMANN * (self.air_k**2 + film_k**2) * (self.air_k + film_k)
            gain = convected + radiated
            holds = self._film_heat(new_moles if drains else old_moles) / step
            top = holds * old_c + gain * self.air_c - used + stiffness * guess_c + owed_w
            bottom = holds + gain + stiffness
            link = None
            if below is not None and self.slab is not None:
                link = self.slab.link(below, 0.5 * self._film_m(middle) / FILM_CONDUCTIVITY_W_M_K)
                top, bottom = top + link * below.face_c, bottom + link
            new_c = top / bottom
            guess_before, guess_c = guess_c, new_c
            middle = 0.5 * (old_moles + new_moles) if drains else old_moles
        # The linearised latent heat was met at the last guess only; what that owes is paid in the next step.
        self.owed_j = -step * stiffness * (guess_before - new_c)
        self.heat_in_j += step * gain * (self.air_c - new_c)
        self.latent_j += step * used
        self.film_c = new_c
        if below is not None and self.slab is not None and link is not None:
            self.slab.settle(below, link * (new_c - below.face_c))
        if drains:
            self.carried_j += (self._film_heat(old_moles) - self._film_heat(new_moles)) * (old_c - self.air_c)
            self.evaporated += leaving
            self.taken_up += new_condensed - old_condensed
            self.moles, self.condensed = new_moles, new_condensed
            self.carried_j -= (
                (new_condensed - old_condensed) * WATER.molar_mass * WATER.liquid_heat * (new_c - self.air_c)
            )
        self.flux = flux
        if self.water is not None:
            self.activity_now = at_film[self.water] / saturation[self.water]
        self._keep()

    def _film_m(self, moles: Array) -> Array:
        return np.asarray(self.solids_kg / SOLIDS_DENSITY_KG_M3 + (moles * self.liquid_volume).sum(axis=0))

    def drying(self, time_s: Array) -> Drying:
        """Everything the run kept."""
        film, liquid, condensed, active = (np.stack(kept) for kept in zip(*self.record, strict=True))
        gone = self.evaporated.sum(axis=0)
        missing = (self.first_moles - self.moles - self.evaporated).sum(axis=0) + self.taken_up - self.condensed
        balance = self._energy_j() - self.first_energy_j - self.heat_in_j + self.latent_j + self.carried_j
        if self.slab is not None:
            balance = balance - self.slab.back_in_j
        scale = np.maximum(np.abs(self.latent_j), 1.0)
        return Drying(
            time_s=time_s,
            film_c=film,
            liquid_kg_m2=liquid,
            condensed_kg_m2=condensed,
            water_activity=active,
            water_kg_m2=np.zeros_like(film) if self.water is None else liquid[:, self.water],
            part_c=np.empty((0, film.shape[1])) if self.slab is None else self.slab.cells_c,
            dew_point_c=self.dew_point_c,
            mass_closure=np.abs(missing) / np.maximum(np.abs(gone), 1e-12),
            energy_closure=np.abs(balance) / scale,
        )


def _check(coat: WetCoat, air: Air, part: Part) -> None:
    ranges = (
        ("wet_film_um", coat.wet_film_um, 1.0, 2_000.0, "µm"),
        ("solids_mass_fraction", coat.solids_mass_fraction, 0.0, 0.95, ""),
        ("coat_c", coat.coat_c, -20.0, 60.0, "°C"),
        ("air_c", air.air_c, -20.0, 50.0, "°C"),
        ("relative_humidity_pct", air.relative_humidity_pct, 0.0, 100.0, "%"),
        ("air_speed_m_s", air.air_speed_m_s, 0.0, 20.0, "m/s"),
        ("pressure", air.pressure, 50_000.0, 110_000.0, "Pa"),
        ("transfer_factor", air.transfer_factor, 0.05, 20.0, ""),
        ("activity_factor", coat.activity_factor, 0.05, 20.0, ""),
        ("part_c", part.part_c, -20.0, 60.0, "°C"),
        ("thickness_mm", part.thickness_mm, 0.05, 500.0, "mm"),
        ("length_m", part.length_m, 0.005, 5.0, "m"),
        ("emissivity", part.emissivity, 0.0, 1.0, ""),
    )
    for name, value, low, high, unit in ranges:
        numbers = np.asarray(value, dtype=float)
        if not bool(np.all((numbers >= low) & (numbers <= high))):
            worst = numbers.flat[int(np.argmax(~((numbers >= low) & (numbers <= high))))]
            raise ValueError(f"{name} {worst:g}; expected {low:g} to {high:g} {unit}".rstrip())
    fractions = np.asarray(coat.mass_fractions, dtype=float)
    if fractions.shape[:1] != (len(coat.volatiles),) or not len(coat.volatiles):
        raise ValueError(f"mass_fractions has {fractions.shape[:1]} rows; expected one for each volatile")
    if not bool(np.all(fractions >= 0)) or not bool(np.all(fractions.sum(axis=0) > 0)):
        raise ValueError("mass_fractions; expected none below 0 and a sum above 0")
    if part.orientation not in ("vertical", "horizontal"):
        raise ValueError(f"orientation {part.orientation!r}; expected vertical or horizontal")
    if not math.isfinite(air.pressure):
        raise ValueError(f"pressure {air.pressure}; expected a number of Pa")
