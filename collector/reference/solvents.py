"""The solvents of the finishing trade, each figure with its source, and the blends made of them.

The figures live in ``solvents.toml``; docs/solvents.md tells how to read them. A figure nobody gives is None, never
zero, and what needs it says so instead of guessing.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from collector.errors import NotFound, RecordError
from collector.physics import volatiles
from collector.reference.cells import Cell

NO_RESPONSE: Final = "no response"
"""What stands in pid_response_factor where the lamp cannot ionise the vapour."""

FIELDS: Final = (
    "molar_mass",
    "antoine_a",
    "antoine_b",
    "antoine_c",
    "fit_min_c",
    "fit_max_c",
    "latent_heat",
    "liquid_heat",
    "vapour_heat",
    "density",
    "diffusion_volume",
    "diffusivity",
    "groups",
    "lfl_pct",
    "flash_point_c",
    "osha_pel_ppm",
    "osha_ceiling_ppm",
    "niosh_rel_ppm",
    "niosh_short_term_ppm",
    "niosh_ceiling_ppm",
    "skin",
    "relative_evaporation_rate",
    "pid_response_factor",
    "voc_exempt",
    "water_miscible",
)
"""The columns of the table, in its order."""

_SUM_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Solvent:
    """One solvent as the table has it.

    Attributes
    ----------
    name, cas : str
    aliases : tuple of str
        Other names and, for a mixture of isomers, their CAS numbers.
    notes : str
    cells : mapping of str to Cell
        One for each of FIELDS.
    """

    name: str
    cas: str
    aliases: tuple[str, ...]
    notes: str
    cells: Mapping[str, Cell]

    @property
    def volatile(self) -> volatiles.Volatile:
        """What physics needs of it.

        Raises
        ------
        RecordError
            If one of the figures is not known.
        """
        return volatiles.Volatile(
            name=self.name,
            molar_mass=self._needed("molar_mass") / 1000,
            antoine=(self._needed("antoine_a"), self._needed("antoine_b"), self._needed("antoine_c")),
            density=self._needed("density"),
            latent_heat=self._needed("latent_heat") * 1000,
            liquid_heat=self._needed("liquid_heat"),
            vapour_heat=self._needed("vapour_heat"),
            diffusion_volume=self._needed("diffusion_volume"),
            groups=self.groups,
        )

    @property
    def groups(self) -> Mapping[str, int]:
        """UNIFAC subgroups with their counts; empty where they are not known."""
        value = self.cells["groups"].value
        return value if isinstance(value, Mapping) else {}

    @property
    def molar_mass(self) -> float | None:
        """[kg/mol]"""
        grams = self.cells["molar_mass"].number
        return None if grams is None else grams / 1000

    @property
    def density(self) -> float | None:
        """Of the liquid at 20 °C. [kg/m³]"""
        return self.cells["density"].number

    @property
    def lfl_pct(self) -> float | None:
        """Lower flammable limit in air, the lowest of those cited. [% by volume]"""
        return self.cells["lfl_pct"].number

    @property
    def flash_point_c(self) -> float | None:
        """Closed-cup flash point, the lowest of those cited. [°C]"""
        return self.cells["flash_point_c"].number

    @property
    def osha_pel_ppm(self) -> float | None:
        """OSHA's permissible exposure limit, mean of 8 hours. [ppm]"""
        return self.cells["osha_pel_ppm"].number

    @property
    def osha_ceiling_ppm(self) -> float | None:
        """OSHA's ceiling. [ppm]"""
        return self.cells["osha_ceiling_ppm"].number

    @property
    def niosh_rel_ppm(self) -> float | None:
        """NIOSH's recommended exposure limit, mean of up to 10 hours. [ppm]"""
        return self.cells["niosh_rel_ppm"].number

    @property
    def niosh_short_term_ppm(self) -> float | None:
        """NIOSH's short-term limit, mean of 15 minutes. [ppm]"""
        return self.cells["niosh_short_term_ppm"].number

    @property
    def niosh_ceiling_ppm(self) -> float | None:
        """NIOSH's ceiling. [ppm]"""
        return self.cells["niosh_ceiling_ppm"].number

    @property
    def skin(self) -> bool | None:
        """Whether OSHA or NIOSH warns that it passes through skin."""
        return self.cells["skin"].flag

    @property
    def relative_evaporation_rate(self) -> float | None:
        """Against n-butyl acetate, which is 1. [1]"""
        return self.cells["relative_evaporation_rate"].number

    @property
    def pid_response_factor(self) -> float | None:
        """What a 10.6 eV reading as isobutylene is multiplied by; infinite where the lamp sees nothing. [1]"""
        cell = self.cells["pid_response_factor"]
        return math.inf if cell.value == NO_RESPONSE else cell.number

    @property
    def voc_exempt(self) -> bool | None:
        """Whether 40 CFR 51.100(s) leaves it out of the volatile organic compounds."""
        return self.cells["voc_exempt"].flag

    @property
    def water_miscible(self) -> bool | None:
        """Whether it mixes with water in any proportion at room temperature."""
        return self.cells["water_miscible"].flag

    def _needed(self, field: str) -> float:
        number = self.cells[field].number
        if number is None:
            raise RecordError(
                f"{self.name}: {field} is not known ({self.cells[field].source}); "
                "leave it out of the blend or name a solvent close to it"
            )
        return number


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blend:
    """Solvents by mass.

    Attributes
    ----------
    solvents : tuple of Solvent
    mass_fractions : array
        Of the volatile part, in the order of ``solvents``; they sum to 1.
    """

    solvents: tuple[Solvent, ...]
    mass_fractions: npt.NDArray[np.float64]

    @property
    def names(self) -> tuple[str, ...]:
        """The solvents' names."""
        return tuple(solvent.name for solvent in self.solvents)

    @property
    def volatiles(self) -> tuple[volatiles.Volatile, ...]:
        """What physics needs of each.

        Raises
        ------
        RecordError
            If a figure of one of them is not known.
        """
        return tuple(solvent.volatile for solvent in self.solvents)

    @property
    def mole_fractions(self) -> npt.NDArray[np.float64]:
        """The same blend by moles.

        Raises
        ------
        RecordError
            If a molar mass is not known.
        """
        moles = self.mass_fractions / np.array([solvent._needed("molar_mass") for solvent in self.solvents])
        return np.asarray(moles / moles.sum())


@cache
def solvents() -> tuple[Solvent, ...]:
    """Every solvent of the table, in its order."""
    text = resources.files("collector.reference").joinpath("solvents.toml").read_text(encoding="utf-8")
    return tuple(_solvent(table) for table in tomllib.loads(text)["solvent"])


def find(name: str) -> Solvent:
    """The solvent of that name, alias or CAS number, in either case.

    Raises
    ------
    NotFound
        If the table has none; the error names the nearest names.
    """
    by_name = _by_name()
    key = _key(name)
    if key not in by_name:
        near = difflib.get_close_matches(key, by_name, n=3, cutoff=0.5)
        hint = f"did you mean {', '.join(near)}?" if near else f"it has {', '.join(s.name for s in solvents())}"
        raise NotFound(f"solvent {name!r} is not in the table; {hint}")
    return by_name[key]


def blend(mass_fractions: Mapping[str, float]) -> Blend:
    """A blend of solvents given by name.

    Parameters
    ----------
    mass_fractions : mapping of str to float
        Of the volatile part, each from 0 to 1. Their sum may miss 1 by 0.01 and is then brought to 1; two names of
        one solvent are added up.

    Raises
    ------
    NotFound
        If a solvent is not in the table.
    RecordError
        If there is none, a fraction is negative or not a number, or they do not add up.
    """
    if not mass_fractions:
        raise RecordError("blend is empty; expected solvents with mass fractions, as acetone=0.4,toluene=0.6")
    shares: dict[str, float] = {}
    for name, fraction in mass_fractions.items():
        solvent = find(name)
        if isinstance(fraction, bool) or not isinstance(fraction, (int, float)) or not 0 <= fraction <= 1:
            raise RecordError(f"blend: {name} is {fraction!r}; expected a mass fraction from 0 to 1")
        shares[solvent.name] = shares.get(solvent.name, 0.0) + float(fraction)
    total = sum(shares.values())
    if abs(total - 1) > _SUM_TOLERANCE + 1e-9:
        raise RecordError(f"blend adds up to {total:.3f}; expected 1 (mass fractions of the volatile part)")
    return Blend(
        solvents=tuple(find(name) for name in shares),
        mass_fractions=np.array(list(shares.values())) / total,
    )


def parse_blend(text: str) -> Blend:
    """A blend as a person types it: ``acetone=0.35,toluene=0.65``.

    Raises
    ------
    NotFound, RecordError
        As :func:`blend`, or if the text is not names with numbers.
    """
    shares: dict[str, float] = {}
    for part in text.split(","):
        name, equals, number = part.rpartition("=")
        name = name.strip()
        try:
            fraction = float(number)
        except ValueError:
            equals = ""
            fraction = math.nan
        if not equals or not name or "=" in name:
            raise RecordError(f"blend has {part.strip()!r}; expected name=fraction, as acetone=0.35,toluene=0.65")
        if name in shares:
            raise RecordError(f"blend names {name} twice; expected each solvent once")
        shares[name] = fraction
    return blend(shares)


@cache
def _by_name() -> dict[str, Solvent]:
    return {_key(name): solvent for solvent in solvents() for name in (solvent.name, solvent.cas, *solvent.aliases)}


def _key(name: str) -> str:
    return " ".join(name.lower().split())


def _solvent(table: dict[str, Any]) -> Solvent:
    return Solvent(
        name=table["name"],
        cas=table["cas"],
        aliases=tuple(table["aliases"]),
        notes=table["notes"],
        cells={field: Cell(**table[field]) for field in FIELDS},
    )
