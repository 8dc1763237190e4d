"""What a check is, as evidence: of which stage and material, at which equivalent age, and what is taken for granted.

Plain values, so that learning needs neither records nor readings; :mod:`collector.advice.learning` puts them together.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.physics.censored import STANDARD_NODES, Noise, spread_evenly

Reals = npt.NDArray[np.float64]

ENERGIES_KJ_MOL: Final[Reals] = np.geomspace(8.0, 240.0, 24)
"""Activation energies at which a check's equivalent age is wanted. [kJ/mol]"""

SCENARIOS: Final = 12

NINETY_PER_CENT: Final = 3.2897072539029444
"""Width of the middle 90 % of a normal, in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A stage of a material, and what its data sheet says.

    Attributes
    ----------
    material, stage, chemistry : str
        The material's identity (any text that does not change with an edit), stage and chemistry.
    driver : str
        What governs the stage; the stages of a material with the same driver share an activation energy.
    sheet_low_h, sheet_high_h : float
        The sheet's range at its own conditions. [h]
    activation_energy_kj_mol, activation_energy_log_sd : float
        Of the driver, beforehand: median [kJ/mol] and standard deviation of the logarithm.
    """

    material: str
    stage: str
    chemistry: str
    driver: str
    sheet_low_h: float
    sheet_high_h: float
    activation_energy_kj_mol: float = 50.0
    activation_energy_log_sd: float = 0.317

    def __post_init__(self) -> None:
        if not 0.0 < self.sheet_low_h <= self.sheet_high_h < 1e6:
            raise ValueError(
                f"sheet_low_h {self.sheet_low_h} and sheet_high_h {self.sheet_high_h}; "
                "expected both above 0 h, the first not above the second"
            )
        if not 1.0 <= self.activation_energy_kj_mol <= 300.0:
            raise ValueError(f"activation_energy_kj_mol {self.activation_energy_kj_mol}; expected 1 to 300 kJ/mol")
        if not 0.0 <= self.activation_energy_log_sd <= 1.0:
            raise ValueError(f"activation_energy_log_sd {self.activation_energy_log_sd}; expected 0 to 1")

    @property
    def sheet_middle_h(self) -> float:
        """The range's middle, as far in ratio from one end as from the other. [h]"""
        return float(np.sqrt(self.sheet_low_h * self.sheet_high_h))

    @property
    def key(self) -> tuple[str, str]:
        """Material and stage."""
        return self.material, self.stage


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """One check of one coat.

    Attributes
    ----------
    subject : Subject
        What was checked, with the sheet as it reads now: correcting a sheet changes what is expected of a stage, not
        what was found. If sheets differ between checks, the latest check's counts for all.
    age_h : array
        Equivalent age of the coat at the check, at the sheet's conditions, for each of :data:`ENERGIES_KJ_MOL`. [h]
    passed : bool
        Whether the stage was reached.
    check_id, coat_id : int
        Which check, and of which coat.
    at : datetime
        When.
    age_log_sd : float
        Standard uncertainty of ln age that the log's gaps and the sensor leave.
    """

    subject: Subject
    age_h: Reals
    passed: bool
    check_id: int
    coat_id: int
    at: datetime
    age_log_sd: float = 0.0

    def __post_init__(self) -> None:
        age = np.asarray(self.age_h, np.float64)
        if age.shape != ENERGIES_KJ_MOL.shape:
            raise ValueError(f"age_h of check {self.check_id} has shape {age.shape}; expected {ENERGIES_KJ_MOL.shape}")
        if not np.all(np.isfinite(age) & (age > 0.0)):
            raise ValueError(f"age_h of check {self.check_id} is {age.min()} h at least; expected above 0 and finite")
        if not 0.0 <= self.age_log_sd <= 5.0:
            raise ValueError(f"age_log_sd {self.age_log_sd} of check {self.check_id}; expected 0 to 5")
        object.__setattr__(self, "age_h", age)

    def log_age_ratio(self, subject: Subject) -> Reals:
        """Ln of age over a sheet's middle, at :data:`STANDARD_NODES` of the driver's own activation energy."""
        energy = subject.activation_energy_kj_mol * np.exp(subject.activation_energy_log_sd * STANDARD_NODES)
        return np.asarray(np.interp(energy, ENERGIES_KJ_MOL, np.log(self.age_h / subject.sheet_middle_h)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is taken for granted before the first check, all of ln time; see ``docs/learning.md`` for where from.

    Attributes
    ----------
    shop_sd, chemistry_sd, material_sd, stage_sd : float
        How far shops, chemistries in a shop, materials of a chemistry and stages of a material lie from what their
        data sheets lead to expect. A sheet whose own range is wider than all of these together widens ``stage_sd``.
    effects_spread : float
        How well these four are known: standard deviation of the logarithm of a factor common to them.
    coat_sd, coat_sd_spread : float
        Scatter of coats about their material's time: median, and standard deviation of its logarithm.
    check_sd, check_sd_spread : float
        How sharply a check tells a stage, in ln age: median, and standard deviation of its logarithm.
    lapse : float
        Share of checks that tell nothing.
    """

    shop_sd: float = 0.20
    chemistry_sd: float = 0.15
    material_sd: float = 0.38
    stage_sd: float = 0.28
    effects_spread: float = 0.40
    coat_sd: float = 0.15
    coat_sd_spread: float = 0.50
    check_sd: float = 0.15
    check_sd_spread: float = 0.60
    lapse: float = 0.04

    def __post_init__(self) -> None:
        for name in ("shop_sd", "chemistry_sd", "material_sd", "stage_sd", "coat_sd", "check_sd"):
            if not 0.01 <= getattr(self, name) <= 3.0:
                raise ValueError(f"{name} {getattr(self, name)}; expected 0.01 to 3")
        for name in ("effects_spread", "coat_sd_spread", "check_sd_spread"):
            if not 0.0 <= getattr(self, name) <= 1.5:
                raise ValueError(f"{name} {getattr(self, name)}; expected 0 to 1.5")
        if not 0.001 <= self.lapse <= 0.5:
            raise ValueError(f"lapse {self.lapse}; expected 0.001 to 0.5")

    @cache  # noqa: B019 (priors are few and live as long as the service)
    def noise(self) -> Noise:
        """A dozen scenarios of how large each kind of scatter is, evenly spread over what is thought possible."""
        points = spread_evenly(SCENARIOS, 3)
        return Noise(
            coat_sd=self.coat_sd * np.exp(self.coat_sd_spread * points[:, 0]),
            check_sd=self.check_sd * np.exp(self.check_sd_spread * points[:, 1]),
            scale=np.exp(self.effects_spread * points[:, 2]),
            weight=np.full(SCENARIOS, 1.0 / SCENARIOS),
            lapse=self.lapse,
        )

    def covariance(self, one: Subject, other: Subject) -> float:
        """Of two subjects' ln time over their sheets' middles, beforehand."""
        total = self.shop_sd**2
        if one.chemistry == other.chemistry:
            total += self.chemistry_sd**2
        if one.material == other.material:
            total += self.material_sd**2
            if one.stage == other.stage:
                common = self.shop_sd**2 + self.chemistry_sd**2 + self.material_sd**2
                sheet = (np.log(one.sheet_high_h / one.sheet_low_h) / NINETY_PER_CENT) ** 2
                total += max(self.stage_sd**2, float(sheet) - common)
        return total
