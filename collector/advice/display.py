"""Display units, metric or US customary: the one place where a number leaves the units it is kept in.

Used by screens, commands and reports only; nothing inside ever sees a converted number.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

UM_PER_MIL: Final = 25.4
ML_PER_US_FL_OZ: Final = 29.5735295625
M_S_PER_FT_MIN: Final = 0.00508
PA_PER_IN_WATER: Final = 249.08891


@dataclass(frozen=True, slots=True)
class Units:
    """How numbers are shown: ``metric`` or ``us``. A missing number shows as a dash."""

    system: str = "metric"

    @property
    def us(self) -> bool:
        """Whether US customary units are shown."""
        return self.system == "us"

    @property
    def temperature_unit(self) -> str:
        """°C or °F."""
        return "°F" if self.us else "°C"

    @property
    def difference_unit(self) -> str:
        """Unit of a difference of temperatures: K or °F."""
        return "°F" if self.us else "K"

    @property
    def film_unit(self) -> str:
        """µm or mil."""
        return "mil" if self.us else "µm"

    @property
    def volume_unit(self) -> str:
        """Millilitres or US fluid ounces."""
        return "fl oz" if self.us else "ml"

    @property
    def velocity_unit(self) -> str:
        """m/s or ft/min."""
        return "ft/min" if self.us else "m/s"

    def temperature_value(self, celsius: float) -> float:
        """A temperature [°C] in the unit shown."""
        return celsius * 1.8 + 32.0 if self.us else celsius

    def celsius(self, shown: float) -> float:
        """A temperature as shown, back in °C."""
        return (shown - 32.0) / 1.8 if self.us else shown

    def difference_value(self, kelvin: float) -> float:
        """A difference of temperatures [K] in the unit shown."""
        return kelvin * 1.8 if self.us else kelvin

    def film_value(self, um: float) -> float:
        """A film thickness [µm] in the unit shown."""
        return um / UM_PER_MIL if self.us else um

    def film_um(self, shown: float) -> float:
        """A film thickness as shown, back in µm."""
        return shown * UM_PER_MIL if self.us else shown

    def volume_value(self, ml: float) -> float:
        """A volume [ml] in the unit shown."""
        return ml / ML_PER_US_FL_OZ if self.us else ml

    def volume_ml(self, shown: float) -> float:
        """A volume as shown, back in ml."""
        return shown * ML_PER_US_FL_OZ if self.us else shown

    def velocity_value(self, m_s: float) -> float:
        """An air velocity [m/s] in the unit shown."""
        return m_s / M_S_PER_FT_MIN if self.us else m_s

    def temperature(self, celsius: float | None, digits: int = 1) -> str:
        """A temperature with its unit."""
        return _with_unit(celsius, self.temperature_value, digits, self.temperature_unit)

    def difference(self, kelvin: float | None, digits: int = 1) -> str:
        """A difference of temperatures with its unit."""
        return _with_unit(kelvin, self.difference_value, digits, self.difference_unit)

    def film(self, um: float | None) -> str:
        """A film thickness with its unit."""
        return _with_unit(um, self.film_value, 1 if self.us else 0, self.film_unit)

    def volume(self, ml: float | None) -> str:
        """A volume with its unit."""
        return _with_unit(ml, self.volume_value, 1 if self.us else 0, self.volume_unit)

    def velocity(self, m_s: float | None) -> str:
        """An air velocity with its unit."""
        return _with_unit(m_s, self.velocity_value, 0 if self.us else 2, self.velocity_unit)

    def quantity(self, unit: str | None, value: float | None, digits: int = 1) -> str:
        """A wire quantity's value in the unit shown; ``unit`` is the SenML one it is kept in."""
        if unit == "Cel":
            return self.temperature(value, digits)
        if unit == "K":
            return self.difference(value, digits)
        if unit == "m/s":
            return self.velocity(value)
        return _with_unit(value, float, digits, _PLAIN_UNITS.get(unit or "", unit or ""))


_PLAIN_UNITS: Final = {"%RH": "% RH", "%EL": "%"}


def duration(seconds: float) -> str:
    """A length of time in the unit a person would use."""
    seconds = abs(seconds)
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7_200:
        return f"{seconds / 60:.0f} min"
    if seconds < 172_800:
        return f"{seconds / 3_600:.1f} h"
    return f"{seconds / 86_400:.0f} d"


def _with_unit(value: float | None, convert: Callable[[float], float], digits: int, unit: str) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    shown = convert(value)
    text = f"{shown:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return f"{text} {unit}".rstrip()
