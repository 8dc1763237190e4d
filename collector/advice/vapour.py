"""What a solvent vapour amounts to: against fire, against breathing, and to a photo-ionisation detector.

The vapour is taken to have the blend's own proportions, as if all of it had evaporated: the air over a film is at
first richer in the quick solvents, later in the slow ones. Water is no solvent here. Fire and breathing are two
questions with two answers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from collector.advice.airflow import CANNOT_TELL, GO, HOLD, MARGINAL
from collector.errors import RecordError
from collector.physics import ventilation
from collector.reference.solvents import Blend, Solvent

WATER: Final = "water"

FIRE, PEL, REL = "lfl", "pel", "rel"
"""The three yardsticks: lower flammable limit, OSHA's permissible and NIOSH's recommended exposure limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VapourLimit:
    """One limit of one solvent with where it comes from; ``value`` is None where nobody gives one.

    The flammable limit is in % by volume, the others in ppm.
    """

    solvent: str
    yardstick: str
    value: float | None
    unit: str
    source: str
    status: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """A vapour held against its limits.

    Attributes
    ----------
    ppm : float
        All solvents together.
    by_solvent_ppm : mapping
    percent_of_lfl, exposure_index_pel, exposure_index_rel : float or None
        None where no solvent of the blend has the limit; a least value where some have none.
    missing : mapping
        Yardstick to the solvents left out of it for want of a limit.
    """

    ppm: float
    by_solvent_ppm: Mapping[str, float]
    percent_of_lfl: float | None
    exposure_index_pel: float | None
    exposure_index_rel: float | None
    missing: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What a 10.6 eV detector's reading as isobutylene is multiplied by to give the blend's vapour.

    Attributes
    ----------
    factor, low, high : float or None
        With the range where makers differ; None where nothing in the blend answers.
    blind : tuple of str
        Solvents the lamp cannot ionise: inferred from the blend's proportions, never seen.
    unknown : tuple of str
        Solvents whose factor nobody gives; counted as unseen, which gives the higher vapour.
    """

    factor: float | None
    low: float | None
    high: float | None
    blind: tuple[str, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A vapour held against one yardstick.

    Attributes
    ----------
    yardstick : str
    verdict : str
        ``go`` (within, with all of its range), ``marginal`` (its range passes the limit), ``hold`` (over) or ``cannot
        tell`` (within as far as it can be summed, or nothing to hold it against).
    value, low, high : float or None
        In % of the flammable limit, or as an exposure index; None where no solvent has the limit.
    limit : float
        The shop's ceiling in %, or an index of 1.
    missing : tuple of str
        Solvents left out for want of a limit.
    """

    yardstick: str
    verdict: str
    value: float | None
    low: float | None
    high: float | None
    limit: float
    missing: tuple[str, ...]


def limits_of(blend: Blend, overrides: Mapping[str, float] | None = None) -> list[VapourLimit]:
    """Every limit the blend is held against, with its source.

    Parameters
    ----------
    overrides : mapping, optional
        Solvent to a lower flammable limit [% by volume] that takes the table's place.
    """
    given = overrides or {}
    found: list[VapourLimit] = []
    for solvent in _present(blend):
        cell = solvent.cells["lfl_pct"]
        value, source, status = cell.number, cell.source, cell.status
        if solvent.name in given:
            value, source, status = given[solvent.name], "given with the question", "given"
        found.append(VapourLimit(solvent=solvent.name, yardstick=FIRE, value=value, unit="% by volume",
                                 source=source, status=status))  # fmt: skip
        for yardstick, mean, ceiling in (
            (PEL, "osha_pel_ppm", "osha_ceiling_ppm"),
            (REL, "niosh_rel_ppm", "niosh_ceiling_ppm"),
        ):
            # n-Butanol, for one, has a ceiling in place of a mean over the shift.
            cell = solvent.cells[mean if solvent.cells[mean].number is not None else ceiling]
            cell = cell if cell.number is not None else solvent.cells[mean]
            found.append(VapourLimit(solvent=solvent.name, yardstick=yardstick, value=cell.number, unit="ppm",
                                     source=cell.source, status=cell.status))  # fmt: skip
    return found


def levels(blend: Blend, ppm: float, overrides: Mapping[str, float] | None = None) -> Levels:
    """The blend's vapour of a total concentration held against its limits.

    Parameters
    ----------
    ppm : float
        All solvents together, water left out.
    overrides : mapping, optional
        As in :func:`limits_of`.
    """
    parts = {name: ppm * share for name, share in mole_shares(blend).items()}
    held = limits_of(blend, overrides)
    fire = ventilation.percent_of_lfl(parts, _values(held, FIRE))
    permissible = ventilation.exposure_index(parts, _values(held, PEL))
    recommended = ventilation.exposure_index(parts, _values(held, REL))
    return Levels(
        ppm=ppm,
        by_solvent_ppm=parts,
        percent_of_lfl=_known(fire, parts),
        exposure_index_pel=_known(permissible, parts),
        exposure_index_rel=_known(recommended, parts),
        missing={FIRE: fire.missing, PEL: permissible.missing, REL: recommended.missing},
    )


def against(
    blend: Blend, ppm: float, low_ppm: float, high_ppm: float, lfl_ceiling_pct: float, *, isocyanate: bool
) -> tuple[Against, ...]:
    """A concentration with its range held against fire, the PEL and the REL, in that order.

    With isocyanates about, no solvent reading clears the air for breathing: what would be ``go`` is ``cannot tell``.
    """
    found = levels(blend, 1.0)  # each yardstick is in proportion to the concentration
    shares = ((FIRE, found.percent_of_lfl, lfl_ceiling_pct), (PEL, found.exposure_index_pel, 1.0),
              (REL, found.exposure_index_rel, 1.0))  # fmt: skip
    held = [
        _against(yardstick, each, (ppm, low_ppm, high_ppm), limit, found.missing[yardstick])
        for yardstick, each, limit in shares
    ]
    return tuple(
        replace(each, verdict=CANNOT_TELL) if isocyanate and each.yardstick != FIRE and each.verdict == GO else each
        for each in held
    )


def vapour_m3_h(blend: Blend, rate_ml_min: float) -> dict[str, float]:
    """Vapour at 20 °C of each solvent from a rate of volatile liquid, water counted in the liquid only. [m³/h]

    Everything evaporates in the end.
    """
    per_ml = ventilation.vapour_ml_per_ml(
        [float(share) for share in blend.mass_fractions],
        [_needed(solvent, "molar_mass", solvent.molar_mass) for solvent in blend.solvents],
        [_needed(solvent, "density", solvent.density) for solvent in blend.solvents],
    )
    made = zip(blend.names, per_ml, strict=True)
    return {name: float(each) * rate_ml_min * 60 / 1e6 for name, each in made if name != WATER and each > 0}


def exhaust_needed(
    blend: Blend,
    rate_ml_min: float,
    lfl_ceiling_pct: float,
    mixing_factor: float,
    overrides: Mapping[str, float] | None = None,
) -> dict[str, float | None]:
    """Least exhaust by yardstick: for a share of the flammable limit, and for an exposure index of 1. [m³/h]

    None where no solvent has the limit; a least value where some have none.
    """
    sources = vapour_m3_h(blend, rate_ml_min)
    held = limits_of(blend, overrides)
    ceiling = {
        name: None if limit is None else limit * 1e4 * lfl_ceiling_pct / 100
        for name, limit in _values(held, FIRE).items()
    }
    sets = {FIRE: ceiling, PEL: _values(held, PEL), REL: _values(held, REL)}
    return {
        yardstick: _known(ventilation.exhaust_needed_m3_h(sources, limits, mixing_factor), sources)
        for yardstick, limits in sets.items()
    }


def mole_shares(blend: Blend) -> dict[str, float]:
    """Share of each solvent in the vapour, by volume, water and those with none left out; empty for water alone."""
    shares = zip(blend.names, blend.mole_fractions, strict=True)
    held = {name: float(share) for name, share in shares if share > 0 and name != WATER}
    total = sum(held.values())
    return {name: share / total for name, share in held.items()}


def response(blend: Blend) -> Response:
    """Response factor of the blend, with its range where makers differ and what the lamp does not see."""
    shares = mole_shares(blend)
    present = _present(blend)
    cells = {solvent.name: solvent.cells["pid_response_factor"] for solvent in present}
    middle = {solvent.name: solvent.pid_response_factor for solvent in present}
    unknown = tuple(name for name, factor in middle.items() if factor is None)
    blind = tuple(name for name, factor in middle.items() if factor is not None and math.isinf(factor))

    def mixed(pick: Callable[[str], float | None]) -> float | None:
        factors = {name: math.inf if (factor := pick(name)) is None else factor for name in shares}
        found = ventilation.mixture_limit(shares, factors)
        return found if math.isfinite(found) else None

    return Response(
        factor=mixed(lambda name: middle[name]),
        low=mixed(lambda name: cells[name].low if cells[name].low is not None else middle[name]),
        high=mixed(lambda name: cells[name].high if cells[name].high is not None else middle[name]),
        blind=blind,
        unknown=unknown,
    )


def _against(
    yardstick: str, per_ppm: float | None, ppm: tuple[float, float, float], limit: float, missing: tuple[str, ...]
) -> Against:
    if per_ppm is None:
        return Against(yardstick=yardstick, verdict=CANNOT_TELL, value=None, low=None, high=None, limit=limit,
                       missing=missing)  # fmt: skip
    value, low, high = (per_ppm * each for each in ppm)
    verdict = HOLD if value > limit else MARGINAL if high > limit else CANNOT_TELL if missing else GO
    return Against(yardstick=yardstick, verdict=verdict, value=value, low=low, high=high, limit=limit,
                   missing=missing)  # fmt: skip


def _present(blend: Blend) -> list[Solvent]:
    pairs = zip(blend.solvents, blend.mass_fractions, strict=True)
    return [solvent for solvent, share in pairs if share > 0 and solvent.name != WATER]


def _values(held: list[VapourLimit], yardstick: str) -> dict[str, float | None]:
    return {limit.solvent: limit.value for limit in held if limit.yardstick == yardstick}


def _known(found: ventilation.Counted, parts: Mapping[str, float]) -> float | None:
    value = float(found.value)
    if math.isnan(value):
        return None if parts else 0.0  # of no solvent at all there is no vapour
    return value


def _needed(solvent: Solvent, field: str, value: float | None) -> float:
    if value is None:
        raise RecordError(
            f"{solvent.name}: {field} is not known; leave it out of the blend or name a solvent close to it"
        )
    return value


YARDSTICK_WORDS: Final[Mapping[str, str]] = {
    FIRE: "lower flammable limit",
    PEL: "OSHA PEL",
    REL: "NIOSH REL",
}
