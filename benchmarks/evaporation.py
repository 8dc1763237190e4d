"""Five hundred draws of a coat drying for half an hour, against bare exponentials of the same count."""

import time
from collections.abc import Callable

import numpy as np

from collector.physics.evaporation import Air, Part, WetCoat, dry
from collector.reference.solvents import blend
from collector.reference.substrates import substrate

DRAWS = 500
FAST = {"acetone": 0.35, "toluene": 0.30, "isopropanol": 0.15, "n-butyl acetate": 0.20}


def _best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs. [s]"""
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return min(spans)


def run() -> list[str]:
    """Time of the model, ideal and with activities, as a multiple of ten million exponentials."""
    rng = np.random.default_rng(1)
    mix = blend(FAST)
    coat = WetCoat(
        volatiles=mix.volatiles,
        mass_fractions=mix.mass_fractions,
        wet_film_um=rng.normal(100, 15, DRAWS),
        solids_mass_fraction=0.2,
        coat_c=25.0,
    )
    air = Air(
        air_c=rng.normal(25, 0.3, DRAWS),
        relative_humidity_pct=rng.normal(70, 3, DRAWS),
        air_speed_m_s=rng.normal(0.3, 0.05, DRAWS),
    )
    part = Part(solid=substrate("maple").solid, part_c=rng.normal(25, 0.5, DRAWS))
    values = rng.uniform(-5, 0, 10_000_000)
    bare = _best_of(3, lambda: np.exp(values))
    lines = []
    for words, dissolve in (("ideal, water on top", False), ("activities, water within", True)):
        whole = _best_of(3, lambda dissolve=dissolve: dry(coat, air, part, dissolve_water=dissolve))  # type: ignore[misc]
        lines.append(
            f"{DRAWS} draws of 30 min, {words}: {whole:.2f} s, {whole / bare:.1f} times 10 million exp ({bare:.2f} s)"
        )
    return lines


if __name__ == "__main__":
    print("\n".join(run()))
