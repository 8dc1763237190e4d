"""Grades of coated abrasive with the size of their grain, each with its source (``abrasives.toml``)."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

from collector.errors import NotFound, RecordError


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """One grade.

    Attributes
    ----------
    name : str
        As ``P800``.
    grain_um : float
        Median grain. [µm]
    source, status : str
    """

    name: str
    grain_um: float
    source: str
    status: str


@cache
def grades() -> tuple[Grade, ...]:
    """Every grade, coarse to fine."""
    text = resources.files("collector.reference").joinpath("abrasives.toml").read_text(encoding="utf-8")
    return tuple(Grade(**table) for table in tomllib.loads(text)["grade"])


def grade(name: str) -> Grade:
    """The grade of that name; the P may be left out.

    Raises
    ------
    NotFound
        If the table has none.
    """
    wanted = name.strip().upper()
    wanted = wanted if wanted.startswith("P") else f"P{wanted}"
    for each in grades():
        if each.name == wanted:
            return each
    raise NotFound(f"grit {name!r} is not in the table; expected one of {', '.join(each.name for each in grades())}")


def sequence(names: Sequence[str]) -> tuple[Grade, ...]:
    """Grades of a sanding sequence.

    Raises
    ------
    NotFound
        If one is not in the table.
    RecordError
        If there is none, or one is not finer than the one before.
    """
    found = tuple(grade(name) for name in names)
    if not found:
        raise RecordError("grits is empty; expected grades from coarse to fine, as P800,P1000,P1500")
    for before, after in pairwise(found):
        if after.grain_um >= before.grain_um:
            raise RecordError(f"grits: {after.name} after {before.name}; expected each finer than the one before")
    return found
