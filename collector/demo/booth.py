"""One small spray booth stepped through time: heat, water, solvent, fan, filter, and one wooden piece in it.

Every balance is of the form "what the step put in, less what it took out, is what stayed", and the booth's
air, which is quicker than a step, is solved exactly within it. So the balances close to rounding for any
step, and a step of half a minute stays stable though the fan changes the air in that time.

Limiting cases it keeps to (``tests/demo/test_booth.py``):

* fan off and no leakage: solvent vapour stays as it is once all has flashed off, and no water leaves;
* a steady source: the concentration settles at source / flow, whatever the volume;
* everything at the shop's temperature and nothing running: nothing changes;
* heat held on with the fan running: the air settles where flow and walls carry off the heater's power.

The booth is drawn from no particular one. All sizes are guesses that a shop of two could have.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

from collector.demo.weather import Surroundings
from collector.physics import humidity

AIR_DENSITY_KG_M3: Final = 1.2
"""Held constant, so that volume and mass of air are one balance; at 15 to 25 °C it is within 2 % of it."""

AIR_HEAT_J_KG_K: Final = 1006.0
WATER_LATENT_J_KG: Final = 2.45e6
SOLVENT_LATENT_J_KG: Final = 3.5e5
"""Guess: about that of esters and ketones (0.3 to 0.4 MJ/kg)."""

SOLVENT_KG_MOL: Final = 0.105
"""Guess for a lacquer thinner as one substance, between toluene (0.092) and butyl acetate (0.116)."""

GAS_CONSTANT_J_MOL_K: Final = 8.314462618


@dataclass(frozen=True, slots=True, kw_only=True)
class BoothDesign:
    """What the booth is built of.

    Attributes
    ----------
    volume_m3 : float
        Air in it.
    leak_m3_s : float
        Air changed with the shop while the fan stands.
    fan_stall_pa, fan_slope : float
        Fan curve: pressure = fan_stall_pa - fan_slope * flow². [Pa, Pa per (m³/s)²]
    inlet_resistance, exhaust_resistance : float
        Pressure per flow² over the inlet grille, and over the clean exhaust filter and duct. [Pa per (m³/s)²]
    face_m2 : float
        Section the air passes where its velocity is measured.
    filter_kg : float
        Overspray that doubles the exhaust's resistance.
    heater_w, thermostat_c, thermostat_half_band_k, thermostat_lag_s : float
        On/off heater and its thermostat.
    air_j_k, walls_j_k, piece_j_k : float
        Heat held by air with light contents, by walls and floor, and by the piece.
    walls_w_k, outer_w_k, piece_air_w_k, piece_walls_w_k : float
        Heat passed between air and walls, walls and shop, piece and air, piece and walls (radiation).
    buffer_kg, buffer_kg_s : float
        Paper, wood and paint that take up water: as much as this mass of air would, passed at this rate.
    floor_kg_s : float
        Evaporation from a wet floor, per difference of humidity ratio.
    """

    volume_m3: float = 20.0
    leak_m3_s: float = 0.012
    fan_stall_pa: float = 250.0
    fan_slope: float = 411.0
    inlet_resistance: float = 33.3
    exhaust_resistance: float = 250.0
    face_m2: float = 0.8
    filter_kg: float = 0.6
    heater_w: float = 2_200.0
    thermostat_c: float = 21.5
    thermostat_half_band_k: float = 0.5
    thermostat_lag_s: float = 40.0
    air_j_k: float = 90_000.0
    walls_j_k: float = 500_000.0
    piece_j_k: float = 6_000.0
    walls_w_k: float = 150.0
    outer_w_k: float = 45.0
    piece_air_w_k: float = 6.5
    piece_walls_w_k: float = 4.5
    buffer_kg: float = 150.0
    buffer_kg_s: float = 0.006
    floor_kg_s: float = 0.022


@dataclass(slots=True, kw_only=True)
class BoothState:
    """Everything the booth remembers from one step to the next.

    Attributes
    ----------
    air_c, walls_c, piece_c, thermostat_c : float
        Temperatures. [°C]
    humidity_ratio, buffer_ratio : float
        Water in the air, and the humidity ratio the buffer is at rest with. [kg/kg]
    solvent_mol : float
        Vapour in the booth's air.
    fast_kg, slow_kg, coat_water_kg, floor_water_kg : float
        Solvent in the wet film that leaves fast and slowly; water in the wet film, and on the floor.
    filter_load : float
        Overspray in the exhaust filter, in units that double its resistance.
    fan_on, heater_on : bool
    """

    air_c: float = 21.5
    walls_c: float = 20.8
    piece_c: float = 21.2
    thermostat_c: float = 21.5
    humidity_ratio: float = 0.0075
    buffer_ratio: float = 0.0075
    solvent_mol: float = 0.0
    fast_kg: float = 0.0
    slow_kg: float = 0.0
    coat_water_kg: float = 0.0
    floor_water_kg: float = 0.0
    filter_load: float = 0.2
    fan_on: bool = False
    heater_on: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Doings:
    """What people do in the booth during a step; rates hold for the whole of it.

    Attributes
    ----------
    fan_on : bool
    solvent_kg_s, water_kg_s, solids_kg_s : float
        Leaving the gun, per second.
    rinse_kg_s : float
        Water poured on the floor, per second.
    people : int
        Each gives off heat and water.
    """

    fan_on: bool = False
    solvent_kg_s: float = 0.0
    water_kg_s: float = 0.0
    solids_kg_s: float = 0.0
    rinse_kg_s: float = 0.0
    people: int = 0


NOTHING: Final = Doings()

# Guesses about spraying: a third of the solvent evaporates on its way, the rest from the film in two stages
# (free evaporation, then diffusion out of the skinned film). A third of the solids misses the piece.
OVERSPRAY_SHARE: Final = 0.35
FAST_SHARE: Final = 0.7
FAST_S: Final = 180.0
SLOW_S: Final = 2_400.0
COAT_WATER_S: Final = 700.0

# Guess for light work: half the heat of a working person warms the air, and 60 g of water an hour.
PERSON_W: Final = 120.0
PERSON_WATER_KG_S: Final = 1.7e-5


@dataclass(slots=True, kw_only=True)
class Flows:
    """What has crossed the booth's boundary since the start; stocks change by just these.

    Attributes
    ----------
    heat_in_j, heat_out_j : float
        Sensible heat by heater, people, air and walls; evaporation takes it out, as it leaves as latent heat.
    water_in_kg, water_out_kg : float
        With air and people, from the gun and onto the floor.
    solvent_in_mol, solvent_out_mol : float
        From the gun, and with the exhaust or leakage.
    """

    heat_in_j: float = 0.0
    heat_out_j: float = 0.0
    water_in_kg: float = 0.0
    water_out_kg: float = 0.0
    solvent_in_mol: float = 0.0
    solvent_out_mol: float = 0.0

    def add_heat(self, joule: float) -> None:
        """Count heat that came in, or went out if negative. [J]"""
        if joule >= 0:
            self.heat_in_j += joule
        else:
            self.heat_out_j -= joule

    def add_water(self, kilogram: float) -> None:
        """Count water that came in, or went out if negative. [kg]"""
        if kilogram >= 0:
            self.water_in_kg += kilogram
        else:
            self.water_out_kg -= kilogram


@dataclass(slots=True)
class Booth:
    """A booth of one design, its present state, and what has flowed through it."""

    design: BoothDesign = field(default_factory=BoothDesign)
    state: BoothState = field(default_factory=BoothState)
    flows: Flows = field(default_factory=Flows)

    @property
    def air_kg(self) -> float:
        """Mass of the booth's air."""
        return AIR_DENSITY_KG_M3 * self.design.volume_m3

    @property
    def heat_j(self) -> float:
        """Sensible heat in air, walls and piece, counted from 0 °C."""
        design, state = self.design, self.state
        return design.air_j_k * state.air_c + design.walls_j_k * state.walls_c + design.piece_j_k * state.piece_c

    @property
    def water_kg(self) -> float:
        """Water in air, buffer, wet film and on the floor."""
        state = self.state
        return (
            self.air_kg * state.humidity_ratio
            + self.design.buffer_kg * state.buffer_ratio
            + state.coat_water_kg
            + state.floor_water_kg
        )

    @property
    def solvent_mol(self) -> float:
        """Solvent in air and in the wet film."""
        state = self.state
        return state.solvent_mol + (state.fast_kg + state.slow_kg) / SOLVENT_KG_MOL

    @property
    def flow_m3_s(self) -> float:
        """Air changed at present, by fan or leakage."""
        return self.exhaust_m3_s if self.state.fan_on else self.design.leak_m3_s

    @property
    def exhaust_m3_s(self) -> float:
        """Flow at which the fan's curve meets the resistance, were it running now."""
        design = self.design
        resistance = design.inlet_resistance + design.exhaust_resistance * (1 + self.state.filter_load)
        return math.sqrt(design.fan_stall_pa / (design.fan_slope + resistance))

    @property
    def booth_pressure(self) -> float:
        """Booth less shop: below zero while the fan draws air through the inlet. [Pa]"""
        return -self.design.inlet_resistance * self.exhaust_m3_s**2 if self.state.fan_on else 0.0

    @property
    def face_velocity(self) -> float:
        """Velocity of the air past the piece. [m/s]"""
        return self.exhaust_m3_s / self.design.face_m2 if self.state.fan_on else 0.0

    def solvent_ppm(self, pressure: float) -> float:
        """Solvent vapour by volume, for the shop's air pressure [Pa]."""
        per_m3 = self.state.solvent_mol / self.design.volume_m3
        return per_m3 * GAS_CONSTANT_J_MOL_K * (self.state.air_c + 273.15) / pressure * 1e6

    def step(self, seconds: float, around: Surroundings, doings: Doings = NOTHING) -> None:
        """Advance by a time short against walls and piece: up to about 30 s.

        Raises
        ------
        ValueError
            If ``seconds`` is not above 0 and at most 60.
        """
        if not 0 < seconds <= 60:
            raise ValueError(f"seconds {seconds}; expected above 0, at most 60")
        self.state.fan_on = doings.fan_on
        flow_m3_s = self.flow_m3_s
        from_film_kg, on_the_way_kg = self._solvent(seconds, flow_m3_s, doings)
        from_coat_kg, from_floor_kg = self._water(seconds, flow_m3_s, around, doings)
        self._heat(
            seconds,
            flow_m3_s,
            around,
            doings,
            piece_j=SOLVENT_LATENT_J_KG * from_film_kg + WATER_LATENT_J_KG * from_coat_kg,
            walls_j=WATER_LATENT_J_KG * from_floor_kg,
            air_j=SOLVENT_LATENT_J_KG * on_the_way_kg,
        )
        missed = OVERSPRAY_SHARE * doings.solids_kg_s * seconds
        self.state.filter_load += missed / self.design.filter_kg

    def _solvent(self, seconds: float, flow_m3_s: float, doings: Doings) -> tuple[float, float]:
        state = self.state
        sprayed_kg = doings.solvent_kg_s * seconds
        on_the_way_kg = OVERSPRAY_SHARE * sprayed_kg
        to_film_kg_s = (1 - OVERSPRAY_SHARE) * doings.solvent_kg_s
        before_kg = state.fast_kg + state.slow_kg
        state.fast_kg = _emptying(state.fast_kg, FAST_SHARE * to_film_kg_s, FAST_S, seconds)
        state.slow_kg = _emptying(state.slow_kg, (1 - FAST_SHARE) * to_film_kg_s, SLOW_S, seconds)
        from_film_kg = before_kg + to_film_kg_s * seconds - state.fast_kg - state.slow_kg
        source_mol = (from_film_kg + on_the_way_kg) / SOLVENT_KG_MOL
        after, _ = _settling(state.solvent_mol, source_mol / seconds, flow_m3_s / self.design.volume_m3, seconds)
        self.flows.solvent_in_mol += sprayed_kg / SOLVENT_KG_MOL
        self.flows.solvent_out_mol += state.solvent_mol + source_mol - after
        state.solvent_mol = after
        return from_film_kg, on_the_way_kg

    def _water(self, seconds: float, flow_m3_s: float, around: Surroundings, doings: Doings) -> tuple[float, float]:
        design, state = self.design, self.state
        on_the_way_kg = OVERSPRAY_SHARE * doings.water_kg_s * seconds
        before_kg = state.coat_water_kg
        to_film_kg_s = (1 - OVERSPRAY_SHARE) * doings.water_kg_s
        state.coat_water_kg = _emptying(before_kg, to_film_kg_s, COAT_WATER_S, seconds)
        from_coat_kg = before_kg + to_film_kg_s * seconds - state.coat_water_kg

        state.floor_water_kg += doings.rinse_kg_s * seconds
        from_floor_kg = 0.0
        if state.floor_water_kg > 0:
            above = humidity.saturation_pressure(state.walls_c)
            pull = float(humidity.humidity_ratio(above, around.pressure)) - state.humidity_ratio
            from_floor_kg = min(state.floor_water_kg, max(0.0, design.floor_kg_s * pull * seconds))
            state.floor_water_kg -= from_floor_kg

        people_kg = PERSON_WATER_KG_S * doings.people * seconds
        source_kg_s = (from_coat_kg + on_the_way_kg + from_floor_kg + people_kg) / seconds
        flow_kg_s = AIR_DENSITY_KG_M3 * flow_m3_s
        gain = (
            source_kg_s + flow_kg_s * around.shop_humidity_ratio + design.buffer_kg_s * state.buffer_ratio
        ) / self.air_kg
        loss = (flow_kg_s + design.buffer_kg_s) / self.air_kg
        after, mean = _settling(state.humidity_ratio, gain, loss, seconds)
        state.humidity_ratio = after
        state.buffer_ratio += design.buffer_kg_s * (mean - state.buffer_ratio) * seconds / design.buffer_kg

        self.flows.add_water(flow_kg_s * (around.shop_humidity_ratio - mean) * seconds)
        self.flows.add_water(people_kg + (doings.water_kg_s + doings.rinse_kg_s) * seconds)
        return from_coat_kg, from_floor_kg

    def _heat(
        self,
        seconds: float,
        flow_m3_s: float,
        around: Surroundings,
        doings: Doings,
        *,
        piece_j: float,
        walls_j: float,
        air_j: float,
    ) -> None:
        design, state = self.design, self.state
        if state.thermostat_c > design.thermostat_c + design.thermostat_half_band_k:
            state.heater_on = False
        elif state.thermostat_c < design.thermostat_c - design.thermostat_half_band_k:
            state.heater_on = True
        source_w = PERSON_W * doings.people + (design.heater_w if state.heater_on else 0.0)
        flow_w_k = AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * flow_m3_s
        # Moving air takes twice as much heat to and from the piece as still air: a guess within what tables
        # of free and forced convection along a plate span.
        piece_air_w_k = design.piece_air_w_k * (2.0 if state.fan_on else 1.0)
        gain = (
            source_w
            - air_j / seconds
            + flow_w_k * around.shop_c
            + design.walls_w_k * state.walls_c
            + piece_air_w_k * state.piece_c
        ) / design.air_j_k
        loss = (flow_w_k + design.walls_w_k + piece_air_w_k) / design.air_j_k
        after_c, mean_c = _settling(state.air_c, gain, loss, seconds)

        to_walls_j = design.walls_w_k * (mean_c - state.walls_c) * seconds
        to_piece_j = piece_air_w_k * (mean_c - state.piece_c) * seconds
        radiated_j = design.piece_walls_w_k * (state.walls_c - state.piece_c) * seconds
        through_walls_j = design.outer_w_k * (around.shop_c - state.walls_c) * seconds
        state.air_c = after_c
        state.walls_c += (to_walls_j - radiated_j + through_walls_j - walls_j) / design.walls_j_k
        state.piece_c += (to_piece_j + radiated_j - piece_j) / design.piece_j_k
        state.thermostat_c += (mean_c - state.thermostat_c) * -math.expm1(-seconds / design.thermostat_lag_s)

        self.flows.add_heat(source_w * seconds)
        self.flows.add_heat(flow_w_k * (around.shop_c - mean_c) * seconds)
        self.flows.add_heat(through_walls_j)
        self.flows.add_heat(-(piece_j + walls_j + air_j))

    def change_filter(self) -> None:
        """Put in a clean exhaust filter."""
        self.state = replace(self.state, filter_load=0.0)


def _emptying(stock: float, inflow: float, time_constant_s: float, seconds: float) -> float:
    """Stock after a step in which it drains in proportion to itself while ``inflow`` fills it."""
    kept = math.exp(-seconds / time_constant_s)
    return stock * kept + inflow * time_constant_s * (1 - kept)


def _settling(value: float, gain: float, loss: float, seconds: float) -> tuple[float, float]:
    """Value after a step, and its mean over it, where value' = gain - loss * value, solved exactly.

    Without loss the value only grows, which is also what the exact form tends to.
    """
    if loss * seconds < 1e-9:
        after = value + gain * seconds
        return after, (value + after) / 2
    after = value + (gain / loss - value) * -math.expm1(-loss * seconds)
    return after, (gain - (after - value) / seconds) / loss
