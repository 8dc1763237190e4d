"""Evaporation rates of pure solvents as a standard test measures them, computed, beside the published ones.

A filter paper disc of 90 mm takes 0.70 ml of liquid in a stream of dry air at 25 °C and hangs there wet on both faces;
the time to lose 90 % of its mass, n-butyl acetate's over the solvent's, is the solvent's relative evaporation rate.
Disc, amount and the 470 s of n-butyl acetate are as ASTM D3539 has them (from memory). One figure is fitted: the air
speed at which n-butyl acetate takes its 470 s. Everything else is prediction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from collector.physics.evaporation import Air, Part, WetCoat, dry
from collector.physics.volatiles import Volatile
from collector.reference.solvents import Solvent, find, solvents

DISC_M = 0.090
LIQUID_ML = 0.70
AIR_C = 25.0
SHARE_GONE = 0.90
N_BUTYL_ACETATE_S = 470.0

AIR_SPEED_M_S = 0.062
"""Fitted: makes n-butyl acetate take 470 s (:func:`fitted_air_speed_m_s` finds it again)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A solvent's rate. The published one has ``low`` and ``high`` where sources differ."""

    name: str
    published: float
    low: float
    high: float
    model: float
    coldest_c: float

    @property
    def ratio(self) -> float:
        """Model over published."""
        return self.model / self.published


def disc_seconds(
    liquid: Volatile, air_speed_m_s: float = AIR_SPEED_M_S, seconds: float = 2_000.0, emissivity: float = 1.0
) -> tuple[float, float]:
    """Time to lose 90 % of the mass [s], NaN beyond ``seconds``, and the coldest the disc gets [°C]."""
    face_m2 = math.pi * (DISC_M / 2) ** 2
    coat = WetCoat(
        volatiles=[liquid],
        mass_fractions=[1.0],
        wet_film_um=LIQUID_ML / 2 / face_m2,  # half of it leaves by each face; 1 ml/m² is 1 µm
        solids_mass_fraction=0.0,
        coat_c=AIR_C,
    )
    air = Air(air_c=AIR_C, relative_humidity_pct=0.0, air_speed_m_s=air_speed_m_s)
    disc = Part(solid=None, length_m=DISC_M, orientation="horizontal", emissivity=emissivity)
    drying = dry(coat, air, disc, seconds=seconds)
    return float(drying.flash_off_s(SHARE_GONE)[0]), float(drying.min_film_c[0])


def fitted_air_speed_m_s() -> float:
    """The air speed at which n-butyl acetate takes 470 s, by bisection."""
    low, high = 0.01, 0.3
    liquid = find("n-butyl acetate").volatile
    for _ in range(14):
        middle = (low + high) / 2
        slow = not disc_seconds(liquid, middle)[0] < N_BUTYL_ACETATE_S
        low, high = (middle, high) if slow else (low, middle)
    return (low + high) / 2


def rates() -> list[Rate]:
    """Every solvent of the table that has a published rate, the fastest first."""
    known = [solvent for solvent in solvents() if solvent.relative_evaporation_rate]
    return sorted((_rate(solvent) for solvent in known), key=lambda rate: -rate.model)


def rms_factor(found: list[Rate]) -> float:
    """exp of the root mean square of the logarithms of model over published."""
    return math.exp(math.sqrt(sum(math.log(rate.ratio) ** 2 for rate in found) / len(found)))


def _rate(solvent: Solvent) -> Rate:
    cell = solvent.cells["relative_evaporation_rate"]
    published = solvent.relative_evaporation_rate or math.nan
    seconds, coldest_c = disc_seconds(solvent.volatile, seconds=2 * N_BUTYL_ACETATE_S / published)
    return Rate(
        name=solvent.name,
        published=published,
        low=published if cell.low is None else cell.low,
        high=published if cell.high is None else cell.high,
        model=N_BUTYL_ACETATE_S / seconds,
        coldest_c=coldest_c,
    )


def run() -> list[str]:
    """The table of docs/evaporation.md."""
    found = rates()
    lines = [f"fitted air speed {fitted_air_speed_m_s():.4f} m/s", f"{'':37} published  range        model  ratio  °C"]
    lines += [
        f"{rate.name:37} {rate.published:8.3g}  {rate.low:5.3g} - {rate.high:<5.3g} {rate.model:6.3g}"
        f"  {rate.ratio:5.2f}  {rate.coldest_c:5.1f}"
        for rate in found
    ]
    return [*lines, f"root mean square factor of {len(found)}: {rms_factor(found):.3f}"]


if __name__ == "__main__":
    print("\n".join(run()))
