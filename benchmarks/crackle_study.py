"""How well crackle is measured on 240 simulated photos with known truth: the table of docs/crackle.md.

By default a tenth of the photos is made; ``TACKFREE_BENCH_FULL=1`` makes all, in some twenty minutes.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from collector.imaging import crackle, photo, scale
from tests.imaging.synthetic import Scene, Truth, photograph, random_scene

SEEDS = range(2000, 2240)
TENTH = range(2000, 2240, 10)
UNSEEN = 0.755
"""Share of a panel that its photo does not show."""

Shot = tuple[Scene, bytes, Truth]


def shots(seeds: Iterable[int]) -> Iterable[Shot]:
    """Photographs of the study, one after the other."""
    for seed in seeds:
        scene = random_scene(seed)
        file, truth = photograph(scene)
        yield scene, file, truth


def results(taken: Iterable[Shot]) -> tuple[list[dict[str, Any]], Counter[str]]:
    """Errors of each photo measured, in per cent, and why the others were not."""
    rows, refused = [], Counter[str]()
    for scene, file, truth in taken:
        try:
            shot = photo.decode(file)
            found = crackle.measure(shot, scale.from_marker(shot))
        except photo.CannotMeasure as error:
            refused[error.reason] += 1
            continue
        low, high = found.mean_intercept_ci95_mm
        pairs = {
            "mean intercept": (found.mean_intercept_mm, truth.mean_intercept_mm),
            "crack area fraction": (found.crack_area_fraction, truth.crack_area_fraction),
            "crack width": (found.crack_width_mm, truth.crack_width_mm),
            **{f"island diameter {q}": (found.island_diameter[q].value_mm, truth.ecd_mm[q]) for q in truth.ecd_mm},
        }
        rows.append(
            {name: 100.0 * (got / true - 1.0) for name, (got, true) in pairs.items()}
            | {
                "holds": low <= truth.panel_intercept_mm <= high,
                # a photo of a quarter of the panel errs less than one of a finish without end
                "endless holds": abs(np.log(found.mean_intercept_mm / truth.panel_intercept_mm)) / np.sqrt(UNSEEN)
                <= 0.5 * np.log(high / low),
                "half": 50.0 * np.log(high / low),
                "width holds": found.crack_width_ci95_mm[0] <= truth.crack_width_mm <= found.crack_width_ci95_mm[1],
                "median holds": found.island_diameter["p50"].ci95_mm[0]
                <= truth.ecd_mm["p50"]
                <= found.island_diameter["p50"].ci95_mm[1],
                "dark": found.polarity == "dark cracks",
                "polarity": (found.polarity == "dark cracks") == _darker(scene),
                "ratio": _light(scene.crack_rgb) / _light(scene.island_rgb),
                "crack_px": truth.crack_px,
                "tilt": scene.tilt_deg,
                "pattern": scene.pattern,
                "glare": scene.glare,
                "blur": scene.blur_px,
                "jpeg": scene.jpeg,
            }
        )
    return rows, refused


def table(rows: list[dict[str, Any]], refused: Counter[str]) -> list[str]:
    """The rows of the page."""
    said = [f"{len(rows)} measured; not measured: {dict(refused)}", "| quantity | bias | median | 95 % below | worst |"]
    names = [
        name for name in rows[0] if isinstance(rows[0][name], float) and name.startswith(("mean", "crack ", "island"))
    ]
    said += [f"| {name} | {_errors(rows, name)} |" for name in names]
    asked = ("holds", "endless holds", "width holds", "median holds", "polarity")
    share = {name: f"{np.mean([row[name] for row in rows]):.1%}" for name in asked}
    half = np.median([row["half"] for row in rows])
    said.append(
        f"intervals hold: mean intercept {share['holds']} (of a finish without end "
        f"{share['endless holds']}; half-width {half:.1f} %), "
        f"width {share['width holds']}, median diameter {share['median holds']}; polarity right {share['polarity']}"
    )
    groups: dict[str, Callable[[dict[str, Any]], bool]] = {
        "dark cracks": lambda r: r["dark"],
        "light cracks": lambda r: not r["dark"],
        "weak contrast": lambda r: 0.55 < r["ratio"] < 1.8,
        "cracks 5 to 7 pixels": lambda r: r["crack_px"] < 7,
        "tilt above 15°": lambda r: r["tilt"] > 15,
        "blur above 1.4 pixels": lambda r: r["blur"] > 1.4,
        "JPEG quality below 70": lambda r: r["jpeg"] < 70,
        "with glare": lambda r: r["glare"] > 0,
        "cells split in two, again and again": lambda r: r["pattern"] == "split",
    }
    for name, belongs in groups.items():
        chosen = [row for row in rows if belongs(row)]
        said.append(f"| {name} ({len(chosen)}) | {_errors(chosen, 'mean intercept')} |")
    return said


def run() -> list[str]:
    """Measure a tenth of them, or all."""
    return table(*results(shots(SEEDS if os.environ.get("TACKFREE_BENCH_FULL") == "1" else TENTH)))


def _errors(rows: list[dict[str, Any]], name: str) -> str:
    values = np.array([row[name] for row in rows])
    size = np.abs(values)
    return (
        f"{np.median(values):+.1f} % | {np.median(size):.1f} % | {np.percentile(size, 95):.1f} % | {size.max():.1f} %"
    )


def _light(rgb: tuple[float, float, float]) -> float:
    return float(np.dot((0.2126, 0.7152, 0.0722), rgb))


def _darker(scene: Scene) -> bool:
    return _light(scene.crack_rgb) < _light(scene.island_rgb)


if __name__ == "__main__":
    print("\n".join(run()))
