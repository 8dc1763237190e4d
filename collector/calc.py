"""``tackfree calc``: each physics computation as a command; options and answers carry their units in their names."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

import click

from collector.physics import humidity


@click.group()
def calc() -> None:
    """Compute one thing from numbers you type; units are in the option names."""


def _finite(_ctx: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value}; expected a finite number", param=parameter)
    return value


def _number(name: str, meaning: str, default: float | None = None) -> Callable[[Any], Any]:
    return click.option(
        name,
        type=float,
        required=default is None,
        default=default,
        show_default=default is not None,
        callback=_finite,
        help=meaning,
    )


_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON, unrounded.")


@calc.command("dew-point")
@_number("--air-c", "Air temperature. [°C], -40 to 60")
@_number("--relative-humidity-pct", "Relative humidity over water. [%], above 0 to 100")
@_number("--pressure", "Air pressure. [Pa]", humidity.ATMOSPHERE)
@_JSON
def dew_point(air_c: float, relative_humidity_pct: float, pressure: float, as_json: bool) -> None:
    """Dew point, frost point, wet bulb and humidity of air.

    The frost point is the dew point above 0 °C.

    Example: tackfree calc dew-point --air-c 20 --relative-humidity-pct 60 --json
    """
    if relative_humidity_pct == 0:
        raise click.BadParameter(
            "0; expected above 0 to 100 %: dry air has no dew point", param_hint="--relative-humidity-pct"
        )

    def compute() -> dict[str, Any]:
        vapour = humidity.vapour_pressure(air_c, relative_humidity_pct)
        return {
            "dew_point_c": humidity.dew_point_c(air_c, relative_humidity_pct),
            "frost_point_c": humidity.frost_point_c(air_c, relative_humidity_pct),
            "wet_bulb_c": humidity.wet_bulb_c(air_c, relative_humidity_pct, pressure),
            "vapour_pressure_pa": vapour,
            "absolute_humidity_g_m3": humidity.absolute_humidity_g_m3(air_c, relative_humidity_pct),
            "humidity_ratio": humidity.humidity_ratio(vapour, pressure),
            "vapour_pressure_deficit_pa": humidity.vapour_pressure_deficit(air_c, relative_humidity_pct),
        }

    answer = _computed(compute)
    _print(
        answer,
        as_json,
        (
            f"dew point          {answer['dew_point_c']:.2f} °C",
            f"frost point        {answer['frost_point_c']:.2f} °C",
            f"wet bulb           {answer['wet_bulb_c']:.2f} °C",
            f"vapour pressure    {answer['vapour_pressure_pa']:.0f} Pa",
            f"absolute humidity  {answer['absolute_humidity_g_m3']:.2f} g/m³",
            f"humidity ratio     {answer['humidity_ratio']:.5f} kg/kg",
            f"deficit            {answer['vapour_pressure_deficit_pa']:.0f} Pa",
        ),
    )


@calc.command("margin")
@_number("--air-c", "Air temperature. [°C], -60 to 90")
@_number("--relative-humidity-pct", "Relative humidity over water. [%], above 0 to 100")
@_number("--surface-c", "Surface temperature. [°C], -60 to 90")
@_number("--air-accuracy-k", "± limit of the air temperature. [K]")
@_number("--relative-humidity-accuracy-pct", "± limit of the relative humidity. [%]")
@_number("--surface-accuracy-k", "± limit of the surface temperature. [K]")
@_number("--limit-k", "Margin wanted. [K]", 3.0)
@_number("--correlation", "Correlation of the errors of air and surface temperature, -1 to 1.", 0.0)
@_JSON
def margin(
    air_c: float,
    relative_humidity_pct: float,
    surface_c: float,
    air_accuracy_k: float,
    relative_humidity_accuracy_pct: float,
    surface_accuracy_k: float,
    limit_k: float,
    correlation: float,
    as_json: bool,
) -> None:
    """Surface above dew point, with its uncertainty and guard band.

    Accuracies are a datasheet's ± limits, read as rectangular half-widths. The verdict is go beyond the guarded
    limit (95 %, one-sided), hold below the limit, marginal between.

    Example: tackfree calc margin --air-c 23 --relative-humidity-pct 50 --surface-c 16 --air-accuracy-k 0.2
    --relative-humidity-accuracy-pct 1.8 --surface-accuracy-k 0.5
    """
    if relative_humidity_pct == 0:
        raise click.BadParameter(
            "0; expected above 0 to 100 %: dry air has no dew point", param_hint="--relative-humidity-pct"
        )

    def compute() -> dict[str, Any]:
        found = humidity.margin(
            air_c,
            relative_humidity_pct,
            surface_c,
            air_uncertainty_k=humidity.rectangular(air_accuracy_k),
            relative_humidity_uncertainty_pct=humidity.rectangular(relative_humidity_accuracy_pct),
            surface_uncertainty_k=humidity.rectangular(surface_accuracy_k),
            correlation=correlation,
        )
        guarded = humidity.guarded(limit_k, found.standard_uncertainty_k)
        above = "go" if found.margin_k >= guarded else "marginal"
        return {
            "margin_k": found.margin_k,
            "standard_uncertainty_k": found.standard_uncertainty_k,
            "guarded_limit_k": guarded,
            "verdict": "hold" if found.margin_k < limit_k else above,
        }

    answer = _computed(compute)
    _print(
        answer,
        as_json,
        (
            f"margin         {answer['margin_k']:.2f} K, standard uncertainty {answer['standard_uncertainty_k']:.2f} K",
            f"limit          {limit_k:.2f} K; with its guard {answer['guarded_limit_k']:.2f} K",
            f"verdict        {answer['verdict']}",
        ),
    )


def _computed(compute: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Run a computation; a value the physics refuses becomes a usage error that names it."""
    try:
        return compute()
    except ValueError as error:
        raise click.UsageError(f"--{str(error).replace('_', '-', str(error).split(' ')[0].count('_'))}") from error


def _print(answer: Mapping[str, Any], as_json: bool, lines: tuple[str, ...]) -> None:
    if as_json:
        click.echo(json.dumps(answer, indent=2, allow_nan=False))
    else:
        click.echo("\n".join(lines))
