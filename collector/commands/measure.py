"""`tackfree measure`: crackle of a photo; `tackfree marker-sheet`: the markers that give it its scale."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from collector.errors import TackfreeError
from collector.imaging import overlay as overlay_room
from collector.imaging import photo as photo_room
from collector.imaging import scale as scale_room
from collector.imaging.crackle import Correction, Measurement, measure
from collector.imaging.photo import CannotMeasure, Photo
from collector.imaging.sheet import PAPERS_MM, marker_sheet


def _places(_context: click.Context, _option: click.Parameter, value: Any) -> Any:
    """Places in a photo from text such as '120,300 1320,310'; one list of them for each time the option is given."""
    if value is None:
        return None
    if not isinstance(value, str):
        return tuple(_places(_context, _option, each) for each in value)
    try:
        numbers = [float(part) for part in value.replace(",", " ").split()]
    except ValueError:
        raise click.BadParameter(f"{value!r}; expected pixels such as '100,80 900,80 900,700'") from None
    if len(numbers) % 2 or len(numbers) < 4:
        raise click.BadParameter(f"{value!r}; expected x and y of each place")
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


@click.command("measure")
@click.argument("photo_file", metavar="PHOTO", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--marker-mm", type=float, help="Black side of the marker as measured, mm; by default its own number.")
@click.option("--mm-per-pixel", type=float, help="Scale, if no marker is in the photo.")
@click.option(
    "--clicks",
    callback=_places,
    metavar="X,Y X,Y …",
    help="Two places a known length apart, pixels: '120,300 1320,310'.",
)
@click.option("--clicks-mm", type=float, help="What lies between the two, mm.")
@click.option(
    "--region",
    callback=_places,
    metavar="X,Y X,Y …",
    help="Corners of what to measure, pixels; by default all of the photo.",
)
@click.option(
    "--mask",
    "masked",
    callback=_places,
    metavar="X,Y X,Y …",
    multiple=True,
    help="Corners of an area to leave out; may be repeated.",
)
@click.option(
    "--threshold-shift", type=float, default=0.0, show_default=True, help="-0.4 takes less for crack, 0.4 takes more."
)
@click.option("--overlay", type=click.Path(path_type=Path, dir_okay=False), help="Write what was taken for what, PNG.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, unrounded.")
@click.pass_context
def measure_photo(
    ctx: click.Context,
    photo_file: Path,
    marker_mm: float | None,
    mm_per_pixel: float | None,
    clicks: Any,
    clicks_mm: float | None,
    region: Any,
    masked: Any,
    threshold_shift: float,
    overlay: Path | None,
    as_json: bool,
) -> None:
    """Measure the crackle in a photo: island size, cracks, and how even it is.

    The photo shows the piece from above, with a printed marker on it (tackfree marker-sheet), or its scale is given.
    Where no honest number can be had it says why, and ends with exit code 1.

    Example: tackfree measure panel.jpg --marker-mm 40 --overlay seen.png
    """
    if (clicks is None) != (clicks_mm is None):
        raise click.UsageError("--clicks and --clicks-mm go together")
    if sum(given is not None for given in (marker_mm, mm_per_pixel, clicks)) > 1:
        raise click.UsageError("give one of --marker-mm, --mm-per-pixel and --clicks")
    try:
        correction = Correction(threshold_shift=threshold_shift, region=region, masked=masked)
        photo = photo_room.read(photo_file)
        found = measure(photo, _scale(photo, marker_mm, mm_per_pixel, clicks, clicks_mm), correction)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    except CannotMeasure as error:
        if as_json:
            click.echo(json.dumps({"cannot_measure": error.reason, "message": str(error)}, indent=2))
            ctx.exit(1)
        raise
    if overlay is not None:
        overlay_room.write(overlay_room.overlay(found), overlay)
    if as_json:
        click.echo(json.dumps(as_dict(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        click.echo("\n".join(in_words(found)))


@click.command("marker-sheet")
@click.argument("out", metavar="OUT.pdf", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--paper", type=click.Choice(list(PAPERS_MM)), default="a4", show_default=True)
def sheet(out: Path, paper: str) -> None:
    """Write the page of square markers to print and cut out.

    Example: tackfree marker-sheet markers.pdf
    """
    try:
        out.write_bytes(marker_sheet(paper))
    except OSError as error:
        raise TackfreeError(f"{out}: {error.strerror}") from error
    click.echo(f"{out}: print at 100 %, and measure the 100 mm bar")


def as_dict(found: Measurement) -> dict[str, Any]:
    """A measurement as it is printed and kept: plain values, units in the keys."""
    size_map = found.size_map
    return {
        "mean_intercept_mm": found.mean_intercept_mm,
        "mean_intercept_ci95_mm": list(found.mean_intercept_ci95_mm),
        "intercept_by_direction_mm": {
            "horizontal": found.horizontal_mm,
            "vertical": found.vertical_mm,
            "diagonal": found.diagonal_mm,
        },
        "anisotropy": found.anisotropy,
        "island_diameter_mm": {name: each.value_mm for name, each in found.island_diameter.items()},
        "island_diameter_ci95_mm": {name: list(each.ci95_mm) for name, each in found.island_diameter.items()},
        "crack_width_mm": found.crack_width_mm,
        "crack_width_ci95_mm": list(found.crack_width_ci95_mm),
        "crack_area_fraction": found.crack_area_fraction,
        "crack_area_fraction_ci95": list(found.crack_area_fraction_ci95),
        "islands_per_dm2": found.islands_per_dm2,
        "islands_per_dm2_ci95": list(found.islands_per_dm2_ci95),
        "islands": found.islands,
        "unevenness": found.unevenness,
        "polarity": found.polarity,
        "mm_per_pixel": found.mm_per_pixel,
        "crack_px": found.crack_px,
        "ignored_fraction": found.ignored_fraction,
        "glare_fraction": found.glare_fraction,
        "scale": found.scale,
        "size_map": {
            "tile_mm": size_map.tile_mm,
            "size_mm": [[None if value != value else value for value in row] for row in size_map.size_mm.tolist()],
        },
        "correction": {
            "threshold_shift": found.correction.threshold_shift,
            "region": found.correction.region,
            "masked": found.correction.masked,
        },
        "cautions": list(found.cautions),
    }


def in_words(found: Measurement) -> list[str]:
    """The same for a person, rounded to what it is good for."""
    low, high = found.mean_intercept_ci95_mm
    p10, p50, p90 = (found.island_diameter[name] for name in ("p10", "p50", "p90"))
    uneven = "too little seen to say" if found.unevenness is None else f"{found.unevenness:.2f} (0 is even)"
    return [
        f"crack to crack   {found.mean_intercept_mm:.2f} mm, 95 % between {low:.2f} and {high:.2f} mm",
        f"islands          {p50.value_mm:.2f} mm across ({p50.ci95_mm[0]:.2f} to {p50.ci95_mm[1]:.2f}); "
        f"a tenth below {p10.value_mm:.2f}, a tenth above {p90.value_mm:.2f}",
        f"cracks           {found.crack_width_mm:.2f} mm wide, {found.crack_area_fraction:.1%} of the area",
        f"count            {found.islands} whole islands, {found.islands_per_dm2:.0f} per dm²",
        f"evenness         {uneven}; longest over shortest direction {found.anisotropy:.2f}",
        f"taken for        {found.polarity}; {found.ignored_fraction:.0%} left out ({found.glare_fraction:.0%} glare)",
        f"scale            {found.scale}, {found.mm_per_pixel:.4f} mm per pixel",
        *(f"caution          {said}" for said in found.cautions),
    ]


def _scale(
    photo: Photo, marker_mm: float | None, mm_per_pixel: float | None, clicks: Any, clicks_mm: float | None
) -> scale_room.Scale:
    if mm_per_pixel is not None:
        return scale_room.from_mm_per_pixel(mm_per_pixel)
    if clicks is not None and clicks_mm is not None:
        if len(clicks) != 2:
            raise ValueError(f"--clicks with {len(clicks)} places; expected 2")
        return scale_room.from_two_points(clicks[0], clicks[1], clicks_mm)
    return scale_room.from_marker(photo, marker_mm)
