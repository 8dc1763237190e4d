"""Age curves over the surroundings of one path, each made once however many coats and stages ask for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property

import numpy as np

from collector.advice.coat_history import Reals
from collector.advice.stage_legs import curve, parameters
from collector.advice.surroundings import Surroundings
from collector.physics.age_curve import AgeCurve, age_curve
from collector.physics.drying_drivers import DriverParameters, SheetConditions, air_factor, influences


class Curves:
    """Surroundings, and the age curves over them made so far."""

    def __init__(self, around: Surroundings) -> None:
        self.around = around
        self._drawn: dict[tuple[str, str, SheetConditions, bytes], AgeCurve] = {}
        self._typical: dict[tuple[str, str, SheetConditions], AgeCurve] = {}
        self._air: dict[tuple[str, str, float], Reals] = {}
        self._waits: dict[tuple[str, str, SheetConditions], dict[str, float]] = {}

    def drawn(
        self, driver: str, chemistry: str, sheet: SheetConditions, energy_kj_mol: Reals | None
    ) -> tuple[DriverParameters, AgeCurve]:
        """A driver's parameters and its age, draws by times, with activation energies in place of its own."""
        driven = parameters(driver, chemistry, energy_kj_mol)
        key = (driver, chemistry, sheet, b"" if energy_kj_mol is None else energy_kj_mol.tobytes())
        if key not in self._drawn:
            self._drawn[key] = self._made(driven, chemistry, sheet)
        return driven, self._drawn[key]

    def typical(self, driver: str, chemistry: str, sheet: SheetConditions) -> AgeCurve:
        """The likeliest age of a driver until now, one row."""
        key = (driver, chemistry, sheet)
        if key not in self._typical:
            driven = parameters(driver, chemistry, None, typical=True)
            self._typical[key] = curve(driven, self.middle, sheet)
        return self._typical[key]

    def waits(self, driver: str, chemistry: str, sheet: SheetConditions) -> Mapping[str, float]:
        """How many times as long each condition makes a driver's wait now: temperature, humidity and air."""
        key = (driver, chemistry, sheet)
        if key not in self._waits:
            here, driven = self.around, parameters(driver, chemistry, None, typical=True)
            found = influences(driven, here.now_c, here.now_pct, here.now_m_s, sheet)
            self._waits[key] = {name: 1.0 / max(float(np.asarray(value)), 1e-3) for name, value in found.items()}
        return self._waits[key]

    @cached_property
    def middle(self) -> Surroundings:
        """The likeliest surroundings until now, without draws."""
        past = self.around.time_h <= 0.0
        return replace(
            self.around,
            time_h=self.around.time_h[past],
            air_c=np.median(self.around.air_c[:, past], axis=0),
            relative_humidity_pct=np.median(self.around.relative_humidity_pct[:, past], axis=0),
            air_speed_m_s=np.median(self.around.air_speed_m_s[:, past], axis=0),
        )

    def _made(self, driven: DriverParameters, chemistry: str, sheet: SheetConditions) -> AgeCurve:
        if not np.any(driven.air_exponent):
            return curve(driven, self.around, sheet)
        # What the air does is the same for every temperature and stage, and the slowest part to work out.
        key = (driven.driver, chemistry, sheet.air_speed_m_s)
        if key not in self._air:
            exponent = np.asarray(driven.air_exponent)[:, np.newaxis]
            self._air[key] = air_factor(self.around.air_speed_m_s, sheet, air_exponent=exponent)
        still = curve(replace(driven, air_exponent=0.0), self.around, sheet)
        return age_curve(still.time_h, still.rate * self._air[key])
