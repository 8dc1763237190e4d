"""Promises of the simulated booth: what flows in is what flows out or stays, and the limits come out right."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from collector.demo.booth import (
    AIR_DENSITY_KG_M3,
    AIR_HEAT_J_KG_K,
    FAST_S,
    FAST_SHARE,
    OVERSPRAY_SHARE,
    PERSON_WATER_KG_S,
    SLOW_S,
    SOLVENT_KG_MOL,
    Booth,
    BoothDesign,
    BoothState,
    Doings,
)
from collector.demo.weather import Surroundings

SHOP = Surroundings(outdoor_c=12.0, shop_c=18.0, shop_humidity_ratio=0.0070, pressure=101_000.0)
SPRAY = Doings(fan_on=True, solvent_kg_s=2e-4, water_kg_s=1e-4, solids_kg_s=1e-4, people=1)


def busy_day(booth: Booth, seconds: float) -> None:
    """Hours in which everything happens: spraying, purging, a wet floor, people, and a changing shop."""
    rng = np.random.default_rng(4)
    for index in range(round(8 * 3600 / seconds)):
        hour = index * seconds / 3600
        around = Surroundings(
            outdoor_c=12.0,
            shop_c=18.0 + math.sin(hour),
            shop_humidity_ratio=0.007 + 0.002 * math.sin(2 * hour),
            pressure=101_000.0,
        )
        doings = Doings(
            fan_on=bool(rng.random() < 0.3),
            solvent_kg_s=float(rng.random() < 0.1) * 2e-4,
            water_kg_s=float(rng.random() < 0.1) * 1e-4,
            solids_kg_s=1e-5,
            rinse_kg_s=float(rng.random() < 0.02) * 1e-3,
            people=int(rng.integers(0, 3)),
        )
        booth.step(seconds, around, doings)


@pytest.mark.parametrize("seconds", [1.0, 5.0, 30.0])
def test_heat_water_and_solvent_close_to_a_millionth_of_what_flowed(seconds: float) -> None:
    booth = Booth()
    heat_j, water_kg, solvent_mol = booth.heat_j, booth.water_kg, booth.solvent_mol
    busy_day(booth, seconds)
    flows = booth.flows
    assert flows.heat_in_j > 1e6 and flows.water_in_kg > 0.5 and flows.solvent_in_mol > 0.1
    assert flows.heat_out_j > 1e6 and flows.water_out_kg > 0.5 and flows.solvent_out_mol > 0.1
    assert booth.heat_j - heat_j == pytest.approx(flows.heat_in_j - flows.heat_out_j, abs=1e-6 * flows.heat_in_j)
    assert booth.water_kg - water_kg == pytest.approx(
        flows.water_in_kg - flows.water_out_kg, abs=1e-6 * flows.water_in_kg
    )
    assert booth.solvent_mol - solvent_mol == pytest.approx(
        flows.solvent_in_mol - flows.solvent_out_mol, abs=1e-6 * flows.solvent_in_mol
    )


def test_without_fan_and_leakage_all_solvent_stays_in_the_air() -> None:
    booth = Booth(design=BoothDesign(leak_m3_s=0.0))
    booth.step(60, SHOP, Doings(solvent_kg_s=1e-3))
    for _ in range(4_000):
        booth.step(30, SHOP)
    assert booth.state.solvent_mol == pytest.approx(0.060 / SOLVENT_KG_MOL, rel=1e-9)
    assert booth.flows.solvent_out_mol == pytest.approx(0.0, abs=1e-12)


def test_a_steady_source_settles_at_source_over_flow_whatever_the_volume() -> None:
    settled = []
    for volume_m3 in (10.0, 40.0):
        booth = Booth(design=BoothDesign(volume_m3=volume_m3))
        for _ in range(2_000):
            booth.step(30, SHOP, Doings(fan_on=True, solvent_kg_s=1e-4))
        settled.append(booth.state.solvent_mol / volume_m3)
        expected = 1e-4 / SOLVENT_KG_MOL / booth.exhaust_m3_s
        assert settled[-1] == pytest.approx(expected, rel=1e-6)
    assert settled[0] == pytest.approx(settled[1], rel=1e-6)


def test_solvent_leaves_by_the_two_exponentials_of_its_film() -> None:
    booth = Booth(design=BoothDesign(leak_m3_s=0.0))
    booth.step(1, SHOP, Doings(solvent_kg_s=0.1))
    for _ in range(60):
        booth.step(10, SHOP)
    film_kg = 0.1 * (1 - OVERSPRAY_SHARE)
    still = FAST_SHARE * math.exp(-600 / FAST_S) + (1 - FAST_SHARE) * math.exp(-600 / SLOW_S)
    assert booth.state.fast_kg + booth.state.slow_kg == pytest.approx(film_kg * still, rel=0.005)


def test_after_the_source_ends_the_fan_thins_vapour_by_the_air_change() -> None:
    booth = Booth(state=BoothState(solvent_mol=1.0))
    booth.step(45, SHOP, Doings(fan_on=True))
    rate = booth.exhaust_m3_s / booth.design.volume_m3
    assert booth.state.solvent_mol == pytest.approx(math.exp(-45 * rate), rel=1e-9)


def test_a_booth_at_rest_stays_at_rest() -> None:
    rest = BoothState(
        air_c=18.0,
        walls_c=18.0,
        piece_c=18.0,
        thermostat_c=18.0,
        humidity_ratio=SHOP.shop_humidity_ratio,
        buffer_ratio=SHOP.shop_humidity_ratio,
    )
    booth = Booth(design=BoothDesign(thermostat_c=5.0), state=rest)
    for fan_on in (False, True):
        for _ in range(200):
            booth.step(30, SHOP, Doings(fan_on=fan_on))
    assert booth.state.air_c == pytest.approx(18.0, abs=1e-9)
    assert booth.state.piece_c == pytest.approx(18.0, abs=1e-9)
    assert booth.state.humidity_ratio == pytest.approx(SHOP.shop_humidity_ratio, abs=1e-12)


def test_water_from_a_person_settles_at_its_source_over_the_leakage() -> None:
    booth = Booth()
    for _ in range(20_000):
        booth.step(30, SHOP, Doings(people=1))
    expected = SHOP.shop_humidity_ratio + PERSON_WATER_KG_S / (AIR_DENSITY_KG_M3 * booth.design.leak_m3_s)
    assert booth.state.humidity_ratio == pytest.approx(expected, rel=1e-6)


def test_with_the_heater_always_on_the_air_settles_where_its_power_is_carried_off() -> None:
    booth = Booth(design=BoothDesign(thermostat_c=90.0), state=BoothState(heater_on=True))
    for _ in range(20_000):
        booth.step(30, SHOP, Doings(fan_on=True))
    design, state = booth.design, booth.state
    carried_w = AIR_DENSITY_KG_M3 * AIR_HEAT_J_KG_K * booth.exhaust_m3_s * (state.air_c - SHOP.shop_c)
    through_walls_w = design.outer_w_k * (state.walls_c - SHOP.shop_c)
    assert carried_w + through_walls_w == pytest.approx(design.heater_w, rel=1e-6)
    assert state.walls_c < state.piece_c < state.air_c


def test_the_heater_cycles_within_its_band_and_the_piece_follows_smoothly() -> None:
    booth = Booth()
    air_c, piece_c, heater = [], [], []
    for index in range(6_000):
        booth.step(5, SHOP)
        if index > 2_000:
            air_c.append(booth.state.air_c)
            piece_c.append(booth.state.piece_c)
            heater.append(booth.state.heater_on)
    switched = sum(one != other for one, other in itertools.pairwise(heater))
    assert switched >= 4
    assert booth.design.thermostat_c - 1 < min(air_c) < max(air_c) < booth.design.thermostat_c + 2
    assert max(piece_c) - min(piece_c) < 0.5 * (max(air_c) - min(air_c))


def test_a_wet_coat_chills_the_piece_a_little() -> None:
    sprayed, bare = Booth(), Booth()
    for index in range(120):
        spraying = index < 40
        doings = Doings(fan_on=True, solvent_kg_s=3e-4 if spraying else 0.0)
        sprayed.step(5, SHOP, doings)
        bare.step(5, SHOP, Doings(fan_on=True))
    assert 0.3 < bare.state.piece_c - sprayed.state.piece_c < 3.0


def test_a_wet_floor_moistens_the_air_and_never_past_saturation() -> None:
    booth = Booth(design=BoothDesign(leak_m3_s=0.0))
    booth.step(60, SHOP, Doings(rinse_kg_s=0.2))
    dry = booth.state.humidity_ratio
    for _ in range(3_000):
        booth.step(30, SHOP)
    assert booth.state.floor_water_kg > 0
    assert dry < booth.state.humidity_ratio < 0.0170  # saturated at 22 °C and 101 kPa: 0.0168


def test_a_loaded_filter_lowers_flow_face_velocity_and_booth_pressure() -> None:
    clean = Booth(state=BoothState(filter_load=0.0, fan_on=True))
    loaded = Booth(state=BoothState(filter_load=1.5, fan_on=True))
    assert loaded.exhaust_m3_s < 0.9 * clean.exhaust_m3_s
    assert 0 < loaded.face_velocity < clean.face_velocity
    assert clean.booth_pressure < loaded.booth_pressure < 0
    for _ in range(40):
        clean.step(30, SHOP, SPRAY)
    assert clean.state.filter_load == pytest.approx(OVERSPRAY_SHARE * 40 * 30 * 1e-4 / clean.design.filter_kg)
    loaded.change_filter()
    assert loaded.state.filter_load == 0.0


def test_ppm_is_the_share_of_volume() -> None:
    booth = Booth(state=BoothState(air_c=25.0, solvent_mol=20.0 / 0.02447 * 100e-6))
    assert booth.solvent_ppm(101_325.0) == pytest.approx(100.0, rel=1e-3)  # 24.47 l a mole, common practice


def test_a_halved_step_gives_the_same_day() -> None:
    coarse, fine = Booth(), Booth()
    for hour in range(6):
        for _ in range(120):
            coarse.step(30, SHOP, SPRAY if hour == 2 else Doings())
        for _ in range(240):
            fine.step(15, SHOP, SPRAY if hour == 2 else Doings())
    assert coarse.state.walls_c == pytest.approx(fine.state.walls_c, abs=0.1)
    assert coarse.state.humidity_ratio == pytest.approx(fine.state.humidity_ratio, rel=1e-3)
    assert coarse.solvent_mol == pytest.approx(fine.solvent_mol, rel=1e-4)


@pytest.mark.parametrize("seconds", [0.0, -1.0, 61.0, math.nan])
def test_a_step_too_long_for_the_walls_is_refused(seconds: float) -> None:
    with pytest.raises(ValueError, match="seconds"):
        Booth().step(seconds, SHOP)
