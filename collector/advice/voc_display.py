"""Masses, volumes and VOC contents of the ledger as a person reads them, in the shop's units and with their ±."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from collector.advice.display import Units
from collector.advice.ledger import ABOVE, CANNOT_TELL, TOO_CLOSE, WITHIN, WITHIN_SO_FAR, Entry, Figure, Total
from collector.physics.voc import G_L_PER_LB_GAL

KG_PER_LB: Final = 0.45359237
L_PER_US_GALLON: Final = 3.785411784

STANDS: Final[Mapping[str, str]] = {
    "": "No limit set",
    WITHIN: "Within the limit you set",
    WITHIN_SO_FAR: "Within the limit you set so far; not everything is counted",
    TOO_CLOSE: "Too close to the limit you set to tell",
    ABOVE: "Above the limit you set",
    CANNOT_TELL: "Cannot tell",
}


@dataclass(frozen=True, slots=True)
class LedgerUnits:
    """Kilograms, litres and g/l, or pounds, US gallons and lb/gal."""

    units: Units

    @property
    def mass_unit(self) -> str:
        """kg or lb."""
        return "lb" if self.units.us else "kg"

    @property
    def volume_unit(self) -> str:
        """Litres or US gallons."""
        return "gal" if self.units.us else "l"

    @property
    def content_unit(self) -> str:
        """g/l or lb/gal."""
        return "lb/gal" if self.units.us else "g/l"

    def mass_value(self, kg: float) -> float:
        """A mass [kg] in the unit shown."""
        return kg / KG_PER_LB if self.units.us else kg

    def volume_value(self, litres: float) -> float:
        """A volume [l] in the unit shown."""
        return litres / L_PER_US_GALLON if self.units.us else litres

    def volume_l(self, shown: float) -> float:
        """A volume as shown, back in litres."""
        return shown * L_PER_US_GALLON if self.units.us else shown

    def content_value(self, g_l: float) -> float:
        """A VOC content [g/l] in the unit shown."""
        return g_l / G_L_PER_LB_GAL if self.units.us else g_l

    def content_g_l(self, shown: float) -> float:
        """A VOC content as shown, back in g/l."""
        return shown * G_L_PER_LB_GAL if self.units.us else shown

    def mass(self, figure: Figure | None) -> str:
        """A mass with its ± and unit."""
        return _shown(figure, 1 / KG_PER_LB if self.units.us else 1.0, self.mass_unit)

    def content(self, figure: Figure | None) -> str:
        """A VOC content with its ± and unit."""
        return _shown(figure, 1 / G_L_PER_LB_GAL if self.units.us else 1.0, self.content_unit)

    @property
    def small_mass_unit(self) -> str:
        """Unit of what one coat gives off: g or lb."""
        return "lb" if self.units.us else "g"

    def bare_small_mass(self, figure: Figure | None) -> str:
        """What one coat gives off, with its ±, in :attr:`small_mass_unit`."""
        return _shown(figure, 1 / KG_PER_LB if self.units.us else 1000.0, "")

    def bare_content(self, figure: Figure | None) -> str:
        """A VOC content with its ±, in :attr:`content_unit`."""
        return _shown(figure, 1 / G_L_PER_LB_GAL if self.units.us else 1.0, "")

    def plain_mass(self, kg: float) -> str:
        """A mass with its unit."""
        return f"{self.mass_value(kg):.3g} {self.mass_unit}"

    def volume(self, litres: float | None) -> str:
        """A volume with its unit; less than a litre or a quarter gallon in the unit of a gun's cup."""
        if litres is None:
            return "–"
        if self.volume_value(litres) < (0.25 if self.units.us else 1.0):
            return self.units.volume(litres * 1000.0)
        return f"{self.volume_value(litres):.3g} {self.volume_unit}"


def left_out_words(total: Total) -> str:
    """What a total does not hold, in one sentence; empty where it holds everything."""
    out = len(total.left_out)
    if not out:
        return ""
    return f"Not counted: {out} of {out + total.counted} entries, so the total can only be higher."


def entry_name(entry: Entry) -> str:
    """What an entry is of, in words."""
    return f"{entry.what} on {entry.piece}" if entry.piece else entry.what


def number_and_spread(value: float, plus_minus: float) -> tuple[str, str]:
    """A number and its ±, cut where the ± stops telling: one digit of it, two where it begins with 1 or 2."""
    if plus_minus <= 0 or not math.isfinite(plus_minus):
        return f"{value:.3g}", "0"
    power = math.floor(math.log10(plus_minus))
    digits = max(0, -power + (1 if plus_minus / 10**power < 2.95 else 0))
    return f"{value:.{digits}f}", f"{plus_minus:.{digits}f}"


def _shown(figure: Figure | None, factor: float, unit: str) -> str:
    if figure is None or not math.isfinite(figure.value):
        return "cannot tell"
    number, spread = number_and_spread(figure.value * factor, figure.plus_minus * factor)
    return (number if spread == "0" else f"{number} ± {spread}") + (f" {unit}" if unit else "")
