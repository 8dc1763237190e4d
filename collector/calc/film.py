"""Film build and the sanding budget as commands."""

from __future__ import annotations

from typing import Any

import click

from collector.calc.options import JSON, answered, number
from collector.errors import RecordError
from collector.physics import film as physics
from collector.physics import sanding as sanding_physics
from collector.reference.abrasives import sequence


@click.command("film")
@number("--wet-um", "Wet film,", 0, 5_000, "µm")
@number("--solids-volume-fraction", "Solids by volume of the paint as supplied,", 0, 1, "")
@number("--thinner-per-paint", "Thinner, volumes per volume of paint,", 0, 20, "", 0.0)
@number("--catalyst-per-paint", "Catalyst, volumes per volume of paint,", 0, 20, "", 0.0)
@number("--catalyst-solids-volume-fraction", "Solids by volume of the catalyst,", 0, 1, "", 0.0)
@JSON
def film(
    wet_um: float,
    solids_volume_fraction: float,
    thinner_per_paint: float,
    catalyst_per_paint: float,
    catalyst_solids_volume_fraction: float,
    as_json: bool,
) -> None:
    """Dry film of a wet one, thinned and catalysed.

    Example: tackfree calc film --wet-um 75 --solids-volume-fraction 0.2 --thinner-per-paint 0.5
    """
    solids = physics.solids_as_applied(
        solids_volume_fraction, thinner_per_paint, catalyst_per_paint, catalyst_solids_volume_fraction
    )
    dry = float(physics.dry_film_um(wet_um, solids))
    coverage = float(physics.coverage_m2_l(solids, dry)) if dry > 0 else None
    answer = {"dry_um": dry, "solids_volume_fraction_as_applied": float(solids), "coverage_m2_l": coverage}
    spread = "" if coverage is None else f"; a litre covers {coverage:.1f} m² so, nothing lost"
    answered(answer, as_json, (f"dry film  {dry:.1f} µm at {float(solids):.1%} solids by volume{spread}",))


@click.command("sanding")
@number("--dry-um", "Dry film,", 0, 5_000, "µm")
@number("--dry-sd-um", "Standard uncertainty of it,", 0, 5_000, "µm")
@click.option("--grits", required=True, help="FEPA P grades from coarse to fine: P800,P1000,P1500,P2000.")
@number("--texture-um", "Height of the texture to level (orange peel), peak to valley,", 0, 1_000, "µm")
@number("--spot-sd-um", "How much spots of the piece differ in film,", 0, 5_000, "µm", 0.0)
@click.option("--spots", type=click.IntRange(1, 10_000), default=1, show_default=True, help="How many such spots.")
@JSON
def sanding(
    dry_um: float, dry_sd_um: float, grits: str, texture_um: float, spot_sd_um: float, spots: int, as_json: bool
) -> None:
    """What level-sanding and compounding take off, and the chance of going through.

    Example: tackfree calc sanding --dry-um 60 --dry-sd-um 10 --grits P800,P1000,P1500,P2000 --texture-um 15
    """
    used = sequence([name for name in grits.split(",") if name.strip()])
    try:
        found = sanding_physics.sand(
            dry_um, dry_sd_um, [each.grain_um for each in used], texture_um, spots=spots, spot_sd_um=spot_sd_um
        )
    except ValueError as error:
        raise RecordError(str(error)) from error
    steps = [each.name for each in used] + ["compound"]
    rows: list[dict[str, Any]] = [
        {
            "step": step,
            "removed_um": float(found.removed_um[i]),
            "removed_sd_um": float(found.removed_sd_um[i]),
            "left_um": float(found.left_um[i]),
            "probability_through": float(found.probability_through[i]),
        }
        for i, step in enumerate(steps)
    ]
    last = rows[-1]
    answer = {
        **{name: last[name] for name in ("removed_um", "removed_sd_um", "left_um", "probability_through")},
        "steps": rows,
    }
    answered(
        answer,
        as_json,
        [
            f"{row['step']:<9} {row['removed_um']:5.1f} ± {2 * row['removed_sd_um']:.1f} µm off, "
            f"{row['left_um']:5.1f} µm left, chance of going through {row['probability_through']:.1%}"
            for row in rows
        ],
    )
