"""What holds a coat up, and what stays true of it, in a person's words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from collector.advice.display import Units
from collector.advice.surroundings import Surroundings

MATTERS: Final = 1.15
"""A wait longer by less than this is not worth a word."""


def limiting(waits: Mapping[str, float], around: Surroundings, thicker: float, young: int, units: Units) -> str:
    """What holds a stage up most, against the data sheet's conditions; empty where nothing does.

    Parameters
    ----------
    waits : mapping
        How many times as long temperature, humidity and air make the leg that goes on now take.
    thicker : float
        How much longer its film makes it take than the data sheet's.
    young : int
        Coats that are one film with it, itself among them.
    """
    film = f"{young} young coats as one film" if young > 1 else "a thick film"
    words = {
        "temperature": f"cold: {units.temperature(around.now_c, 0)}",
        "humidity": f"damp: {around.now_pct:.0f} % humidity",
        "air": "still air",
        "film": f"thick: {film}",
    }
    longer = {**waits, "film": thicker}
    worst = max(longer, key=lambda name: longer[name])
    return f"{words[worst]} {times(longer[worst])}" if longer[worst] >= MATTERS else ""


def times(longer: float) -> str:
    """How much longer a wait is."""
    if longer >= 100.0:
        return "stops it"
    if 1.8 <= longer <= 2.2:
        return "doubles the wait"
    if 2.7 <= longer <= 3.3:
        return "trebles the wait"
    return (
        f"makes the wait {longer:.0f} times as long" if longer > 3.3 else f"makes the wait {longer:.1f} times as long"
    )
