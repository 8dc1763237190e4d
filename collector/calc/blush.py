"""Chance of blush as a command."""

from __future__ import annotations

import click

from collector.advice.blush import NOT_THE_CLIMATE, Situation, blush
from collector.calc.options import JSON, RELATIVE_HUMIDITY, answered, number
from collector.errors import RecordError
from collector.physics.humidity import ATMOSPHERE
from collector.reference.solvents import parse_blend
from collector.reference.substrates import substrate as find_substrate


@click.command("blush")
@click.option("--blend", required=True, help="Solvents by mass of the volatile part: acetone=0.4,toluene=0.6.")
@number("--air-c", "Air temperature,", -20, 50, "°C")
@RELATIVE_HUMIDITY
@number("--surface-c", "Temperature of the piece,", -20, 60, "°C")
@number("--air-speed-m-s", "Air along the face,", 0, 20, "m/s", 0.3)
@number("--wet-film-um", "Wet film,", 1, 2_000, "µm", 100.0)
@number("--solids-mass-fraction", "Solids of the mix as sprayed, by mass,", 0, 0.95, "", 0.2)
@click.option(
    "--substrate", default="maple", show_default=True, help="As in docs/solvents.md; none: a film that touches nothing."
)
@click.option("--thickness-mm", type=float, help="Thickness of the piece; by default the substrate's usual one.")
@number("--part-length-m", "Coated face along the air,", 0.005, 5, "m", 0.35)
@click.option(
    "--orientation", type=click.Choice(["vertical", "horizontal"]), default="vertical", show_default=True, help="Face."
)
@click.option("--coat-c", type=float, help="Temperature the coat arrives with; by default the air's.")
@number("--pressure", "Air pressure,", 50_000, 110_000, "Pa", ATMOSPHERE)
@JSON
def blush_command(
    blend: str,
    air_c: float,
    relative_humidity_pct: float,
    surface_c: float,
    air_speed_m_s: float,
    wet_film_um: float,
    solids_mass_fraction: float,
    substrate: str,
    thickness_mm: float | None,
    part_length_m: float,
    orientation: str,
    coat_c: float | None,
    pressure: float,
    as_json: bool,
) -> None:
    """What a wet coat will do: how cold it gets, how much water it takes up, the chance of blush.

    The chance carries the usual errors of sensors, air speed, film and blend, and the model's own.

    Example: tackfree calc blush --blend "acetone=0.35,toluene=0.35,isopropanol=0.15,n-butyl acetate=0.15" --air-c 25
    --relative-humidity-pct 70 --surface-c 24 --air-speed-m-s 0.3 --wet-film-um 100 --solids-mass-fraction 0.2
    --substrate maple --thickness-mm 42 --part-length-m 0.35 --orientation vertical
    """
    parsed = parse_blend(blend)
    under = None if substrate == "none" else find_substrate(substrate)
    situation = Situation(
        blend=tuple(zip(parsed.names, (float(share) for share in parsed.mass_fractions), strict=True)),
        air_c=air_c,
        relative_humidity_pct=relative_humidity_pct,
        part_c=surface_c,
        air_speed_m_s=air_speed_m_s,
        wet_film_um=wet_film_um,
        solids_mass_fraction=solids_mass_fraction,
        substrate="none" if under is None else under.name,
        thickness_mm=thickness_mm if thickness_mm is not None else (1.0 if under is None else under.thickness_mm),
        length_m=part_length_m,
        orientation=orientation,
        coat_c=coat_c,
        pressure=pressure,
    )
    try:
        found = blush(situation)
    except ValueError as error:
        raise RecordError(str(error)) from error
    answer = {
        "min_film_c": found.min_film_c,
        "dew_point_c": found.dew_point_c,
        "min_margin_k": found.min_margin_k,
        "seconds_below_dew_point": found.seconds_below_dew_point,
        "water_g_m2": found.condensed_g_m2,
        "flash_off_50_s": found.flash_off_50_s,
        "flash_off_90_s": found.flash_off_90_s,
        "probability": found.probability,
        "probability_condensing": found.condensing,
        "probability_separating": found.separating,
        "min_film_interval90_c": [found.min_film_low_c, found.min_film_high_c],
        "min_margin_interval90_k": [found.min_margin_low_k, found.min_margin_high_k],
        "water_taken_up_g_m2": found.taken_up_g_m2,
        "word": found.word,
    }
    separating = "not known" if found.separating is None else f"{found.separating:.0%}"
    taken = "" if found.taken_up_g_m2 is None else f"; within the film {found.taken_up_g_m2:.2f} g/m²"
    answered(
        answer,
        as_json,
        (
            f"blush          {found.word}, chance {found.probability:.0%} (condensing {found.condensing:.0%}, "
            f"separating {separating})",
            f"coldest film   {found.min_film_c:.1f} °C ({found.min_film_low_c:.1f} to {found.min_film_high_c:.1f}); "
            f"dew point {found.dew_point_c:.1f} °C",
            f"margin         {found.min_margin_k:.1f} K "
            f"({found.min_margin_low_k:.1f} to {found.min_margin_high_k:.1f}); "
            f"{found.seconds_below_dew_point:.0f} s below the dew point",
            f"water          condensed {found.condensed_g_m2:.2f} g/m² (up to {found.condensed_high_g_m2:.2f}){taken}",
            f"flash-off      half in {_time(found.flash_off_50_s)}, nine tenths in {_time(found.flash_off_90_s)}",
            NOT_THE_CLIMATE,
        ),
    )


def _time(seconds: float | None) -> str:
    return "more than half an hour" if seconds is None else f"{seconds:.0f} s"
