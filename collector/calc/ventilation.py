"""What a spray rate does to the air of a booth, as a command."""

from __future__ import annotations

from typing import Any

import click

from collector.advice import vapour
from collector.advice.vapour import FIRE, PEL, REL
from collector.calc.options import JSON, answered, number
from collector.errors import RecordError
from collector.physics import ventilation as physics
from collector.reference.solvents import Blend, find, parse_blend

DEFER = "Your local fire and air rules and the product's safety data sheet take precedence."


@click.command("ventilation")
@click.option("--blend", "blend_text", required=True, help="Solvents as mass fractions of the volatile part.")
@number("--rate-ml-min", "Volatile liquid leaving the gun,", 0.01, 100_000, "ml/min")
@number("--exhaust-m3-h", "Exhaust flow,", 1, 1_000_000, "m³/h")
@number("--volume-m3", "Air in the booth,", 0.1, 100_000, "m³")
@number("--mixing-factor", "K: parts of air that do the work of one,", 1, 20, "", 3.0)
@number("--minutes", "Spraying without a break, from clean air,", 0.1, 600, "min", 10.0)
@number("--lfl-ceiling-pct", "Ceiling you set for fire,", 1, 100, "% of the LFL", 25.0)
@click.option("--lfl-pct", "lfl_text", default="", help="LFLs in place of the table's, as toluene=1.1 [% by volume].")
@JSON
def ventilation(
    blend_text: str,
    rate_ml_min: float,
    exhaust_m3_h: float,
    volume_m3: float,
    mixing_factor: float,
    minutes: float,
    lfl_ceiling_pct: float,
    lfl_text: str,
    as_json: bool,
) -> None:
    """Vapour in a booth while spraying, against fire and against breathing; purge time and exhaust needed.

    Everything is taken to evaporate, with vapour at 20 °C. A solvent without a limit is named and left out, which makes
    the sum a least value. exhaust_needed_m3_h is for the most demanding of the limits, each of which is told too.

    Example: tackfree calc ventilation --blend "toluene=1" --rate-ml-min 100 --exhaust-m3-h 1019.4 --volume-m3 12
    --mixing-factor 1 --json
    """
    blend = parse_blend(blend_text)
    given = _lfls(lfl_text, blend)
    source = sum(vapour.vapour_m3_h(blend, rate_ml_min).values())
    steady = float(physics.steady_ppm(source, exhaust_m3_h, mixing_factor))
    course = physics.well_mixed(
        [minutes], [source], exhaust_m3_h=exhaust_m3_h, volume_m3=volume_m3, mixing_factor=mixing_factor
    )
    found = vapour.levels(blend, steady, given)
    needed = vapour.exhaust_needed(blend, rate_ml_min, lfl_ceiling_pct, mixing_factor, given)
    answer: dict[str, Any] = {
        "steady_ppm": steady,
        "percent_of_lfl": found.percent_of_lfl,
        "exposure_index_pel": found.exposure_index_pel,
        "exposure_index_rel": found.exposure_index_rel,
        "purge_minutes_to_10pct": physics.purge_minutes(volume_m3, exhaust_m3_h, mixing_factor, fraction=0.1),
        "exhaust_needed_m3_h": max((flow for flow in needed.values() if flow is not None), default=None),
        "exhaust_needed_fire_m3_h": needed[FIRE],
        "exhaust_needed_pel_m3_h": needed[PEL],
        "exhaust_needed_rel_m3_h": needed[REL],
        "vapour_m3_h": source,
        "plug_flow_ppm": physics.steady_ppm(source, exhaust_m3_h),
        "peak_ppm": float(course.peak_ppm),
        "shift_mean_ppm": float(course.time_weighted_ppm(max(480.0, minutes))),
        "lfl_pct": _lfl_of_mixture(found),
        "lfl_ceiling_pct": lfl_ceiling_pct,
        "by_solvent_ppm": dict(found.by_solvent_ppm),
        "limits": [
            {"solvent": limit.solvent, "limit": limit.yardstick, "value": limit.value, "unit": limit.unit,
             "source": limit.source, "status": limit.status}
            for limit in vapour.limits_of(blend, given)
        ],
        "without_limit": {yardstick: list(names) for yardstick, names in found.missing.items()},
    }  # fmt: skip
    answered(answer, as_json, _lines(answer, found, minutes))


def _lines(answer: dict[str, Any], found: vapour.Levels, minutes: float) -> list[str]:
    lines = [
        f"vapour made       {answer['vapour_m3_h']:.2f} m³/h",
        f"lasting spraying  {answer['steady_ppm']:,.0f} ppm; after {minutes:g} min {answer['peak_ppm']:,.0f} ppm",
        f"fire              {_fire(answer, found)}",
        f"breathing         {_breathing(found)}",
        f"purge             {answer['purge_minutes_to_10pct']:.1f} min to a tenth once nothing more evaporates",
    ]
    for yardstick, key in ((FIRE, "fire"), (PEL, "pel"), (REL, "rel")):
        flow = answer[f"exhaust_needed_{key}_m3_h"]
        what = f"{answer['lfl_ceiling_pct']:g} % of the LFL" if yardstick == FIRE else vapour.YARDSTICK_WORDS[yardstick]
        lines.append(f"exhaust needed    {'not known' if flow is None else f'{flow:,.0f} m³/h'} for {what}")
    for limit in answer["limits"]:
        value = "none known" if limit["value"] is None else f"{limit['value']:g} {limit['unit']}"
        what = vapour.YARDSTICK_WORDS[limit["limit"]]
        lines.append(f"  {limit['solvent']}, {what}: {value} ({limit['source']}; {limit['status']})")
    return [*lines, f"A mean over the booth's air, not an exposure: a painter in the plume breathes more. {DEFER}"]


def _lfl_of_mixture(found: vapour.Levels) -> float | None:
    """The flammable limit that percent_of_lfl was taken of [% by volume]; None where a part of it is not known."""
    if not found.percent_of_lfl or found.missing[FIRE]:
        return None
    return found.ppm / 100 / found.percent_of_lfl


def _fire(answer: dict[str, Any], found: vapour.Levels) -> str:
    share = found.percent_of_lfl
    if share is None:
        return "cannot tell: no lower flammable limit is known for this blend"
    ceiling = answer["lfl_ceiling_pct"]
    verdict = "OVER" if share > ceiling else "cannot tell if within" if found.missing[FIRE] else "within"
    return f"{share:.1f} % of the LFL{_least(found, FIRE)}: {verdict} the {ceiling:g} % you set"


def _breathing(found: vapour.Levels) -> str:
    parts = []
    for yardstick, index in ((PEL, found.exposure_index_pel), (REL, found.exposure_index_rel)):
        words = vapour.YARDSTICK_WORDS[yardstick]
        if index is None:
            parts.append(f"{words} cannot tell, none is known for this blend")
            continue
        verdict = "OVER" if index > 1 else "cannot tell if within" if found.missing[yardstick] else "within"
        parts.append(f"{index:.1f} x the {words}{_least(found, yardstick)}: {verdict}")
    return "; ".join(parts)


def _least(found: vapour.Levels, yardstick: str) -> str:
    names = found.missing[yardstick]
    return f", at least, as {', '.join(names)} has no limit" if names else ""


def _lfls(text: str, blend: Blend) -> dict[str, float]:
    given: dict[str, float] = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        name, _, value = part.partition("=")
        try:
            limit = float(value)
        except ValueError:
            limit = -1.0
        if not 0 < limit <= 100:
            raise RecordError(f"--lfl-pct has {part!r}; expected name=percent by volume, as toluene=1.1")
        solvent = find(name.strip()).name
        if solvent not in blend.names:
            raise RecordError(f"--lfl-pct names {solvent}, which is not in the blend: {', '.join(blend.names)}")
        given[solvent] = limit
    return given
