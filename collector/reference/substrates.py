"""What gets coated, as heat sees it, each figure with its source (``substrates.toml``)."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from collector.errors import NotFound
from collector.physics.solids import Solid
from collector.reference.cells import Cell

FIELDS: Final = ("conductivity", "density", "heat_capacity", "thickness_mm")
"""The columns of the table, in its order; none may be unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Substrate:
    """One material of a piece.

    Attributes
    ----------
    name : str
    aliases : tuple of str
    notes : str
    cells : mapping of str to Cell
        One for each of FIELDS.
    """

    name: str
    aliases: tuple[str, ...]
    notes: str
    cells: Mapping[str, Cell]

    def __post_init__(self) -> None:
        for field in FIELDS:
            number = self.cells[field].number
            if number is None or number <= 0:
                raise ValueError(f"substrate {self.name}: {field} is {number}; expected a number above 0")

    @property
    def solid(self) -> Solid:
        """What physics needs of it."""
        return Solid(
            name=self.name,
            conductivity=self._number("conductivity"),
            density=self._number("density"),
            heat_capacity=self._number("heat_capacity"),
        )

    @property
    def thickness_mm(self) -> float:
        """Thickness of a piece when nobody says. [mm]"""
        return self._number("thickness_mm")

    def _number(self, field: str) -> float:
        number = self.cells[field].number
        assert number is not None  # checked on construction
        return number


@cache
def substrates() -> tuple[Substrate, ...]:
    """Every substrate of the table, in its order."""
    text = resources.files("collector.reference").joinpath("substrates.toml").read_text(encoding="utf-8")
    return tuple(_substrate(table) for table in tomllib.loads(text)["substrate"])


def substrate(name: str) -> Substrate:
    """The substrate of that name or alias, in either case.

    Raises
    ------
    NotFound
        If the table has none.
    """
    by_name = _by_name()
    key = " ".join(name.lower().split())
    if key not in by_name:
        near = difflib.get_close_matches(key, by_name, n=2, cutoff=0.5)
        hint = f" did you mean {' or '.join(near)}?" if near else ""
        raise NotFound(
            f"substrate {name!r} is not in the table;{hint} expected one of {', '.join(s.name for s in substrates())}"
        )
    return by_name[key]


@cache
def _by_name() -> dict[str, Substrate]:
    return {name: entry for entry in substrates() for name in (entry.name, *entry.aliases)}


def _substrate(table: dict[str, Any]) -> Substrate:
    return Substrate(
        name=table["name"],
        aliases=tuple(table["aliases"]),
        notes=table["notes"],
        cells={field: Cell(**table[field]) for field in FIELDS},
    )
