"""ECharts specifications as plain dicts, and nothing that needs a browser or a page to be tested.

All times are naive shop-local wall clock, in the table and in every mark: the browser would shift anything
else to its own zone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from collector.advice.coat_air import VapourCourse
from collector.advice.conditions import Conditions
from collector.advice.display import Units
from collector.records.model import ApplicationLimits

Spec = dict[str, Any]

COVERAGE: Final = 2.0
"""Bands and ± on the screens are twice the standard uncertainty."""

_LIGHT: Final = {"air": "#0072B2", "surface": "#B3470A", "dew": "#00795A", "damp": "#5B3FA0", "vapour": "#7A5200"}
_DARK: Final = {"air": "#63B8EC", "surface": "#FF9A57", "dew": "#3FD0A0", "damp": "#B9A2F2", "vapour": "#E8B64C"}
_LIMIT_NAMES: Final = {"lfl": "fire ceiling", "pel": "1 x PEL", "rel": "1 x REL"}
_OTHERS: Final = ("triangle", "diamond", "rect", "arrow")


def local(moment: datetime, zone: ZoneInfo) -> str:
    """A moment as naive shop-local wall clock, as the charts take it."""
    return moment.astimezone(zone).replace(tzinfo=None).isoformat(timespec="seconds")


def local_times(time_ms: Any, zone: ZoneInfo) -> pd.DatetimeIndex:
    """Times [ms since 1970, UTC] as naive shop-local wall clock."""
    return pd.to_datetime(time_ms, unit="ms", utc=True).tz_convert(zone).tz_localize(None)


def table(found: Conditions, zone: ZoneInfo, units: Units, margin_limit_k: float) -> pd.DataFrame:
    """The conditions as the chart's table, in display units; a gap is a row of nothing."""
    low = found.dew_point_c - COVERAGE * found.dew_point_uncertainty_k
    width = 2 * COVERAGE * found.dew_point_uncertainty_k
    columns: dict[str, Any] = {
        "time": local_times(found.time_ms, zone),
        "Air": _temperatures(found.air_c, units),
        "Surface": _temperatures(found.surface_c, units),
        "Dew point": _temperatures(found.dew_point_c, units),
        "Dew point, low": _temperatures(low, units),
        "Dew point, width": width * (1.8 if units.us else 1.0),
        "Least surface": _temperatures(found.dew_point_c + margin_limit_k, units),
        "Vapour": found.vapour_ppm,
    }
    for node, damp in found.relative_humidity_pct.items():
        columns[_damp_name(found, node)] = damp
    return pd.DataFrame({name: values if name == "time" else np.round(values, 3) for name, values in columns.items()})


def booth(
    found: Conditions,
    *,
    zone: ZoneInfo,
    units: Units,
    limits: ApplicationLimits,
    margin_limit_k: float,
    coats: Sequence[tuple[datetime, datetime]] = (),
    dark: bool = False,
    event: tuple[datetime, datetime] | None = None,
) -> Spec:
    """Temperatures with the dew-point band over humidity over vapour, on one time axis.

    Parameters
    ----------
    limits : ApplicationLimits
        Drawn as dashed lines.
    coats : sequence of (start, end)
        Spraying, shaded grey in every panel.
    event : (start, end), optional
        One coat to set off from the others by an outline.
    """
    colours = _DARK if dark else _LIGHT
    frame = table(found, zone, units, margin_limit_k)
    spans = _spans(coats, zone, dark, event)
    lines = _temperature_series(colours, dark)
    lines[-1]["markLine"] = _bounds(
        limits.surface_min_c, limits.surface_max_c, units.temperature_value, units.temperature_unit, dark
    )
    lines[0]["markArea"] = spans
    main = _damp_name(found, found.node)
    nodes = list(found.relative_humidity_pct)
    damp = [
        _damp_series(name, _damp_name(found, name), colours["damp"], index, found) for index, name in enumerate(nodes)
    ]
    if not damp:
        frame[main] = np.nan
        damp = [_line(main, main, colours["damp"], panel=1)]
    damp[0]["markArea"] = spans
    damp[0]["markLine"] = _bounds(limits.relative_humidity_min_pct, limits.relative_humidity_max_pct, float, "%", dark)
    vapour = {**_line("Vapour, highest", "Vapour", colours["vapour"], panel=2), "step": "end", "markArea": spans}
    panels = [
        _panel("11%", "39%"),
        _panel("57%", "17%"),
        _panel("80%", "13%"),
    ]
    start = local(datetime.fromtimestamp(found.start_ms / 1000, zone), zone)
    end = local(datetime.fromtimestamp(found.end_ms / 1000, zone), zone)
    names = [f"Temperature, {units.temperature_unit}", "Relative humidity, %", "Vapour, ppm"]
    return {
        "animation": False,
        "dataset": {"source": frame},
        "legend": {"top": 0, "left": 0, "data": _legend(found), "itemGap": 16, "textStyle": {"fontSize": 14}},
        "tooltip": {"trigger": "axis", "valueFormatter": "%.1f", "confine": True},
        "axisPointer": {"link": [{"xAxisIndex": "all"}]},
        "grid": panels,
        "xAxis": [_time_axis(index, start, end, last=index == 2) for index in range(3)],
        "yAxis": [_value_axis(index, name) for index, name in enumerate(names)],
        "series": [*lines, *damp, vapour],
    }


def vapour(
    found: VapourCourse,
    *,
    zone: ZoneInfo,
    limit_ppm: Mapping[str, float],
    coats: Sequence[tuple[datetime, datetime]] = (),
    dark: bool = False,
) -> Spec:
    """Vapour as measured and as predicted with its interval, on one time axis.

    Parameters
    ----------
    limit_ppm : mapping
        Yardstick to the concentration at its limit; drawn where the vapour comes near it.
    coats : sequence of (start, end)
        Spraying, shaded grey.
    """
    colours = _DARK if dark else _LIGHT
    columns = {
        "Measured": found.measured_ppm,
        "Predicted": found.predicted_ppm,
        "Predicted, low": found.low_ppm,
        "Predicted, width": found.high_ppm - found.low_ppm,
    }
    frame = pd.DataFrame({"time": local_times(found.time_ms, zone), **{k: np.round(v, 2) for k, v in columns.items()}})
    hidden = {"tooltip": {"show": False}, "silent": True, "stack": "prediction", "stackStrategy": "all"}
    low = {**_line("Prediction band", "Predicted, low", colours["air"], width=0, opacity=0), **hidden}
    band = {
        **_line("Prediction band", "Predicted, width", colours["air"], width=0, opacity=0),
        **hidden,
        "areaStyle": {"color": colours["air"], "opacity": 0.38 if dark else 0.25},
    }
    measured = {**_line("Measured", "Measured", colours["vapour"], width=2.5), "step": "end"}
    low["markArea"] = _spans(coats, zone, dark, None)
    measured["markLine"] = _reached(limit_ppm, _highest(found), dark)
    start, end = (local(datetime.fromtimestamp(ms / 1000, zone), zone) for ms in (found.start_ms, found.end_ms))
    return {
        "animation": False,
        "dataset": {"source": frame},
        "legend": {
            "top": 0,
            "left": 0,
            "data": ["Measured", "Predicted"],
            "itemGap": 16,
            "textStyle": {"fontSize": 14},
        },
        "tooltip": {"trigger": "axis", "valueFormatter": "%.0f", "confine": True},
        "grid": [_panel("20%", "68%")],
        "xAxis": [_time_axis(0, start, end, last=True)],
        # A detector's noise about nought is not to fill the panel.
        "yAxis": [{**_value_axis(0, "Vapour, ppm"), "scale": False, "min": 0, **_least_height(found)}],
        "series": [low, band, _line("Predicted", "Predicted", colours["air"], type="dashed", width=2), measured],
    }


def describe_vapour(found: VapourCourse) -> str:
    """The vapour chart in words, for a reader who does not see it."""

    def most(values: Any) -> str:
        held = values[np.isfinite(values)]
        return f"at most {held.max():.0f} ppm" if held.size else "nothing"

    measured, predicted = most(found.measured_ppm), most(found.predicted_ppm)
    return f"Vapour in {found.booth} over time. Measured {measured}; predicted {predicted}."


def _highest(found: VapourCourse) -> float:
    both = np.concatenate([found.measured_ppm, found.high_ppm])
    held = both[np.isfinite(both)]
    return float(held.max()) if held.size else 0.0


def _least_height(found: VapourCourse) -> Spec:
    return {"max": 10} if _highest(found) < 10 else {}


def _reached(limit_ppm: Mapping[str, float], highest: float, dark: bool) -> Spec:
    """Limits the vapour comes near; one far above would only press the curves flat."""
    ink = "#F1EFE9" if dark else "#1E1D1A"
    return {
        "silent": True,
        "symbol": "none",
        "animation": False,
        "lineStyle": {"type": "dashed", "color": ink, "width": 1.2, "opacity": 0.75},
        "label": {"color": ink, "fontSize": 12, "formatter": "{b}", "position": "insideStartTop"},
        "data": [
            {"yAxis": round(ppm, 1), "name": f"{_LIMIT_NAMES[yardstick]}, {ppm:.0f} ppm"}
            for yardstick, ppm in limit_ppm.items()
            if ppm <= 1.1 * highest
        ],
    }


def describe(found: Conditions, units: Units) -> str:
    """The chart in words, for a reader who does not see it."""
    if found.empty:
        return "Nothing was measured in this time."

    def ends(values: Any) -> str:
        held = values[np.isfinite(values)]
        return f"{units.temperature(held.min())} to {units.temperature(held.max())}" if held.size else "not measured"

    return (
        f"Booth {found.booth} over time. Air {ends(found.air_c)}; surface {ends(found.surface_c)}; "
        f"dew point {ends(found.dew_point_c)}."
    )


def _temperatures(celsius: Any, units: Units) -> Any:
    return celsius * 1.8 + 32.0 if units.us else celsius


def _damp_name(found: Conditions, node: str) -> str:
    return "Humidity" if node == found.node else f"Humidity, {node}"


def _legend(found: Conditions) -> list[str]:
    others = [_damp_name(found, node) for node in found.relative_humidity_pct if node != found.node]
    return ["Surface", "Air", "Dew point", "Least surface", *others]


def _line(name: str, column: str, colour: str, *, panel: int = 0, **style: Any) -> Spec:
    return {
        "name": name,
        "type": "line",
        "xAxisIndex": panel,
        "yAxisIndex": panel,
        "encode": {"x": "time", "y": column, "tooltip": [column]},
        "showSymbol": False,
        "connectNulls": False,
        "itemStyle": {"color": colour},
        "lineStyle": {"color": colour, "width": 2, **style},
    }


def _temperature_series(colours: dict[str, str], dark: bool) -> list[Spec]:
    # A band is two stacked areas: an unseen one up to its low edge, and a tinted one as high as it is wide.
    hidden = {"tooltip": {"show": False}, "silent": True, "stack": "dew band", "stackStrategy": "all"}
    low = {**_line("Dew point band", "Dew point, low", colours["dew"], width=0, opacity=0), **hidden}
    band = {
        **_line("Dew point band", "Dew point, width", colours["dew"], width=0, opacity=0),
        **hidden,
        "areaStyle": {"color": colours["dew"], "opacity": 0.38 if dark else 0.28},
    }
    return [
        low,
        band,
        _line("Dew point", "Dew point", colours["dew"], width=1.5),
        _line("Least surface", "Least surface", colours["dew"], type="dashed", width=1.5),
        _line("Air", "Air", colours["air"], width=2),
        _line("Surface", "Surface", colours["surface"], width=3),
    ]


def _damp_series(node: str, column: str, colour: str, index: int, found: Conditions) -> Spec:
    if node == found.node:
        return _line(column, column, colour, panel=1)
    # Another node may have sent a single reading, which a line without symbols would not show.
    return {
        **_line(column, column, colour, panel=1),
        "type": "scatter",
        "symbol": _OTHERS[index % len(_OTHERS)],
        "symbolSize": 9,
    }


def _spans(
    coats: Sequence[tuple[datetime, datetime]],
    zone: ZoneInfo,
    dark: bool,
    event: tuple[datetime, datetime] | None,
) -> Spec:
    grey = "rgba(235,235,225,0.22)" if dark else "rgba(60,58,50,0.16)"
    edge = "#F1EFE9" if dark else "#1E1D1A"
    areas: list[Any] = []
    for start, end in coats:
        outline = {"borderColor": edge, "borderWidth": 1.5} if (start, end) == event else {}
        areas.append([{"xAxis": local(start, zone), "itemStyle": {"color": grey, **outline}},
                      {"xAxis": local(end, zone)}])  # fmt: skip
    return {"silent": True, "data": areas}


def _bounds(least: float | None, most: float | None, convert: Any, unit: str, dark: bool) -> Spec:
    ink = "#F1EFE9" if dark else "#1E1D1A"
    return {
        "silent": True,
        "symbol": "none",
        "animation": False,
        "lineStyle": {"type": "dashed", "color": ink, "width": 1.2, "opacity": 0.75},
        "label": {"color": ink, "fontSize": 12, "formatter": "{b}"},
        "data": [
            {
                "yAxis": round(convert(value), 2),
                "name": f"limit {convert(value):.0f} {unit}",
                "label": {"position": position},
            }
            for value, position in ((least, "insideStartTop"), (most, "insideStartBottom"))
            if value is not None
        ],
    }


def _panel(top: str, height: str) -> Spec:
    return {"left": 52, "right": 16, "top": top, "height": height}


def _time_axis(index: int, start: str, end: str, *, last: bool) -> Spec:
    return {
        "type": "time",
        "gridIndex": index,
        "min": start,
        "max": end,
        "axisLabel": {"show": last, "fontSize": 13, "hideOverlap": True},
        "axisTick": {"show": last},
        "splitLine": {"show": False},
    }


def _value_axis(index: int, name: str) -> Spec:
    return {
        "type": "value",
        "gridIndex": index,
        "scale": index < 2,
        "name": name,
        "nameLocation": "end",
        "nameGap": 8,
        "nameTextStyle": {"align": "left", "fontSize": 13, "fontWeight": "bold"},
        "axisLabel": {"fontSize": 13},
        "splitNumber": 5 if index == 0 else 3,
        **({"min": 0} if index == 2 else {}),
    }
