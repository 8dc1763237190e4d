"""Dew point and margin as commands."""

from __future__ import annotations

from typing import Any

import click

from collector.calc.options import JSON, RELATIVE_HUMIDITY, answered, number
from collector.physics import humidity


@click.command("dew-point")
@number("--air-c", "Air temperature,", -40, 60, "°C")
@RELATIVE_HUMIDITY
@number("--pressure", "Air pressure,", 30_000, 110_000, "Pa", humidity.ATMOSPHERE)
@JSON
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
    answered(
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


@click.command("margin")
@number("--air-c", "Air temperature,", -60, 90, "°C")
@RELATIVE_HUMIDITY
@number("--surface-c", "Surface temperature,", -60, 200, "°C")
@number("--air-accuracy-k", "± limit of the air temperature,", 0, 50, "K")
@number("--relative-humidity-accuracy-pct", "± limit of the relative humidity,", 0, 100, "%")
@number("--surface-accuracy-k", "± limit of the surface temperature,", 0, 50, "K")
@number("--limit-k", "Margin wanted,", 0, 100, "K", 3.0)
@number("--correlation", "Correlation of the errors of air and surface temperature,", -1, 1, "", 0.0)
@JSON
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
    answered(
        answer,
        as_json,
        (
            f"margin         {answer['margin_k']:.2f} K, standard uncertainty {answer['standard_uncertainty_k']:.2f} K",
            f"limit          {limit_k:.2f} K; with its guard {answer['guarded_limit_k']:.2f} K",
            f"verdict        {answer['verdict']}",
        ),
    )
