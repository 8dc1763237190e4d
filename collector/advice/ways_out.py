"""What would bring the chance of blush under the shop's limit: for each thing that can be changed, the least change.

All the changes share their random draws, so that a difference between two of them is a difference of the change and
not of the draw. Never among them: less air than the shop's least face velocity, whatever it would do for the film.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np

from collector.advice.blush import Situation, drawn_from, outcomes
from collector.advice.display import Units
from collector.physics import humidity

DRAWS: Final = 64
"""A chance near ten in a hundred is known to about four of them: enough to choose a change, too few to quote."""

WARMEST_C: Final = 35.0
DRIEST_PCT: Final = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOut:
    """One change and what it would do.

    Attributes
    ----------
    what : str
        ``air_temperature``, ``relative_humidity``, ``part_temperature``, ``retarder``, ``wet_film``, ``air_speed`` or
        ``waiting``.
    value : float or None
        The least change that brings the chance under the limit: air and part temperature as a rise [K], the others as
        the value to reach: relative humidity [%], retarder [% of the solvents, by mass], wet film [µm], air speed
        [m/s], waiting [min]. None: no change within what was tried is enough.
    probability : float
        The chance it leaves, or the least one that was found.
    words : str
        For a person.
    """

    what: str
    value: float | None
    probability: float
    words: str

    def to_dict(self) -> dict[str, Any]:
        """The way out as JSON-ready values."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How the booth moves by itself, from the last hour; None where it does not, or is not known. [K/h, %/h]"""

    air_k_h: float | None = None
    humidity_pct_h: float | None = None
    part_k_h: float | None = None


@dataclass(frozen=True, slots=True)
class _Lever:
    what: str
    values: tuple[float, ...]
    situations: tuple[Situation, ...]
    words: Callable[[float], str]
    nothing: str


@lru_cache(maxsize=64)
def ways_out(
    situation: Situation,
    limit: float,
    *,
    retarder: str,
    least_air_speed_m_s: float,
    drift: Drift | None = None,
    units: str = "metric",
) -> tuple[WayOut, ...]:
    """The least change of each kind that brings the chance of blush to the limit.

    Parameters
    ----------
    limit : float
        Chance the shop accepts, 0 to 1.
    retarder : str
        The shop's retarder, as named in the solvent table.
    least_air_speed_m_s : float
        No slower air is looked at. [m/s]
    drift : Drift, optional
        To tell when waiting is enough.

    Raises
    ------
    NotFound, RecordError, ValueError
        As :func:`collector.advice.blush.blush`.
    """
    levers = _levers(situation, retarder, least_air_speed_m_s, drift, Units(units))
    if not levers:
        return ()
    options = [option for lever in levers for option in lever.situations]
    condensing, separating, _ = outcomes(drawn_from(options, DRAWS), DRAWS)
    either = condensing if separating is None else condensing | separating
    chances = either.reshape(len(options), DRAWS).mean(axis=1)
    found, start = [], 0
    for lever in levers:
        found.append(_least(lever, chances[start : start + len(lever.values)], limit))
        start += len(lever.values)
    return tuple(sorted(found, key=lambda way: way.value is None))


def _least(lever: _Lever, chances: Sequence[float], limit: float) -> WayOut:
    """The first value that is enough with every stronger one also enough."""
    enough = np.asarray(chances) <= limit
    from_here = np.logical_and.accumulate(enough[::-1])[::-1]
    if not from_here.any():
        least = float(np.min(chances))
        words = f"{lever.nothing} ({100 * least:.0f} % at best)"
        return WayOut(what=lever.what, value=None, probability=least, words=words)
    index = int(np.argmax(from_here))
    value = lever.values[index]
    return WayOut(
        what=lever.what,
        value=value,
        probability=float(chances[index]),
        words=f"{lever.words(value)}: about {100 * chances[index]:.0f} %",
    )


def _levers(
    now: Situation, retarder: str, least_air_speed_m_s: float, drift: Drift | None, show: Units
) -> list[_Lever]:
    vapour = float(humidity.vapour_pressure(now.air_c, now.relative_humidity_pct))

    def damp_at(air_c: float) -> float:
        return min(100.0, 100.0 * vapour / float(humidity.saturation_pressure(air_c)))

    warmer = tuple(rise for rise in (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0) if now.air_c + rise <= WARMEST_C)
    drier = tuple(
        damp
        for damp in (round(now.relative_humidity_pct) - step for step in (3, 6, 10, 15, 20, 25, 30, 40))
        if damp >= DRIEST_PCT
    )
    piece = tuple(rise for rise in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0) if now.part_c + rise <= WARMEST_C)
    slow = (3.0, 5.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0)
    thin = tuple(5.0 * round(now.wet_film_um * share / 5) for share in (0.85, 0.7, 0.6, 0.5, 0.4, 0.3))
    speeds = tuple(sorted(
        (speed for speed in (0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 1.5)
         if speed >= least_air_speed_m_s and abs(speed - now.air_speed_m_s) > 0.05),
        key=lambda speed: abs(speed - now.air_speed_m_s),
    ))  # fmt: skip
    levers = [
        _Lever(
            "air_temperature",
            warmer,
            tuple(
                replace(
                    now,
                    air_c=now.air_c + rise,
                    relative_humidity_pct=damp_at(now.air_c + rise),
                    part_c=now.part_c + rise,
                )
                for rise in warmer
            ),
            lambda rise: f"Warm booth and piece by {show.difference(rise, 0)}, adding no water",
            "Warming booth and piece is not enough",
        ),
        _Lever(
            "relative_humidity",
            drier,
            tuple(replace(now, relative_humidity_pct=damp) for damp in drier),
            lambda damp: f"Dry the air to {damp:.0f} %",
            "Drying the air is not enough",
        ),
        _Lever(
            "part_temperature",
            piece,
            tuple(replace(now, part_c=now.part_c + rise) for rise in piece),
            lambda rise: f"Warm the piece by {show.difference(rise, 0)}",
            "Warming the piece is not enough",
        ),
        _Lever(
            "retarder",
            slow,
            tuple(replace(now, blend=_retarded(now.blend, retarder, share / 100)) for share in slow),
            lambda share: f"{share:.0f} % of {retarder} in the solvents (by mass), where the data sheet allows it",
            f"{retarder[:1].upper()}{retarder[1:]} as a retarder is not enough",
        ),
        _Lever(
            "wet_film",
            thin,
            tuple(replace(now, wet_film_um=film) for film in thin),
            lambda film: f"A thinner coat, {show.film(film)} wet",
            "A thinner coat is not enough",
        ),
        _Lever(
            "air_speed",
            speeds,
            tuple(replace(now, air_speed_m_s=speed) for speed in speeds),
            lambda speed: f"Air at {show.velocity(speed)}",
            "Changing the air speed is not enough",
        ),
    ]
    if drift is not None and any((drift.air_k_h, drift.humidity_pct_h, drift.part_k_h)):
        minutes = (15.0, 30.0, 60.0, 90.0, 120.0, 180.0, 240.0)
        levers.append(
            _Lever(
                "waiting",
                minutes,
                tuple(_later(now, drift, wait / 60) for wait in minutes),
                lambda wait: f"Wait {wait:.0f} min, if the last hour's trend goes on",
                "The last hour's trend does not bring it within 4 h",
            )
        )
    return [lever for lever in levers if lever.values]


def _retarded(blend: tuple[tuple[str, float], ...], retarder: str, share: float) -> tuple[tuple[str, float], ...]:
    mixed = {name: fraction * (1 - share) for name, fraction in blend}
    mixed[retarder] = mixed.get(retarder, 0.0) + share
    return tuple(mixed.items())


def _later(now: Situation, drift: Drift, hours: float) -> Situation:
    return replace(
        now,
        air_c=float(np.clip(now.air_c + (drift.air_k_h or 0.0) * hours, 0.0, WARMEST_C)),
        relative_humidity_pct=float(
            np.clip(now.relative_humidity_pct + (drift.humidity_pct_h or 0.0) * hours, DRIEST_PCT, 100.0)
        ),
        part_c=float(np.clip(now.part_c + (drift.part_k_h or 0.0) * hours, 0.0, WARMEST_C)),
        chill_k=() if hours > 0.25 else now.chill_k,
    )
