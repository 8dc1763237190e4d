"""``tackfree calc``: each physics computation as a command; options and answers carry their units in their names."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import click

from collector.physics import humidity


@click.group()
def calc() -> None:
    """Compute one thing from numbers you type; units are in the option names."""


def _number(
    name: str, meaning: str, low: float, high: float, unit: str, default: float | None = None
) -> Callable[[Any], Any]:
    """An option that takes a finite number of a range; anything else ends the command with one line about it."""
    allowed = f"{low:g} to {high:g} {unit}".rstrip()

    def check(_context: click.Context, _option: click.Parameter, value: float) -> float:
        if not low <= value <= high:  # also refuses nan
            raise click.UsageError(f"{name} {value:g} {unit}".rstrip() + f"; expected {allowed}")
        return value

    return click.option(
        name,
        type=float,
        required=default is None,
        default=default,
        show_default=default is not None,
        callback=check,
        help=f"{meaning} {allowed}.",
    )


_HUMIDITY = _number("--relative-humidity-pct", "Relative humidity over water,", 0.01, 100, "%")

_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON, unrounded.")


@calc.command("dew-point")
@_number("--air-c", "Air temperature,", -40, 60, "°C")
@_HUMIDITY
@_number("--pressure", "Air pressure,", 30_000, 110_000, "Pa", humidity.ATMOSPHERE)
@_JSON
def dew_point(air_c: float, relative_humidity_pct: float, pressure: float, as_json: bool) -> None:
    """Dew point, frost point, wet bulb and humidity of air.

    The frost point is the dew point above 0 °C.

    Example: tackfree calc dew-point --air-c 20 --relative-humidity-pct 60 --json
    """
    vapour = humidity.vapour_pressure(air_c, relative_humidity_pct)
    answer: dict[str, Any] = {
        "dew_point_c": humidity.dew_point_c(air_c, relative_humidity_pct),
        "frost_point_c": humidity.frost_point_c(air_c, relative_humidity_pct),
        "wet_bulb_c": humidity.wet_bulb_c(air_c, relative_humidity_pct, pressure),
        "vapour_pressure_pa": vapour,
        "absolute_humidity_g_m3": humidity.absolute_humidity_g_m3(air_c, relative_humidity_pct),
        "humidity_ratio": humidity.humidity_ratio(vapour, pressure),
        "vapour_pressure_deficit_pa": humidity.vapour_pressure_deficit(air_c, relative_humidity_pct),
    }
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
@_number("--air-c", "Air temperature,", -60, 90, "°C")
@_HUMIDITY
@_number("--surface-c", "Surface temperature,", -60, 200, "°C")
@_number("--air-accuracy-k", "± limit of the air temperature,", 0, 50, "K")
@_number("--relative-humidity-accuracy-pct", "± limit of the relative humidity,", 0, 100, "%")
@_number("--surface-accuracy-k", "± limit of the surface temperature,", 0, 50, "K")
@_number("--limit-k", "Margin wanted,", 0, 100, "K", 3.0)
@_number("--correlation", "Correlation of the errors of air and surface temperature,", -1, 1, "", 0.0)
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
    answer: dict[str, Any] = {
        "margin_k": found.margin_k,
        "standard_uncertainty_k": found.standard_uncertainty_k,
        "guarded_limit_k": guarded,
        "verdict": "hold" if found.margin_k < limit_k else above,
    }
    _print(
        answer,
        as_json,
        (
            f"margin         {answer['margin_k']:.2f} K, standard uncertainty {answer['standard_uncertainty_k']:.2f} K",
            f"limit          {limit_k:.2f} K; with its guard {answer['guarded_limit_k']:.2f} K",
            f"verdict        {answer['verdict']}",
        ),
    )


def _print(answer: Mapping[str, Any], as_json: bool, lines: tuple[str, ...]) -> None:
    if as_json:
        click.echo(json.dumps(answer, indent=2, allow_nan=False))
    else:
        click.echo("\n".join(lines))
