"""How much film a piece carries, and how much of it is clear down to the colour.

A coat's wet film comes from the comb gauge; else from its millilitres; else the shop's usual one stands in, and each
says so by its uncertainty. What goes with the material's solids, the gauge or the hand that sprays is the same for all
coats and adds up; what differs from coat to coat partly cancels. Earlier sandings are taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from collector.errors import NotFound, RecordError
from collector.physics import film as film_physics
from collector.physics.sanding import Cut, removed_draws
from collector.records.model import Coat, Mix, Piece, Sanding
from collector.reference.abrasives import sequence
from collector.settings import Settings

GAUGED, SPRAYED, USUAL, UNKNOWN = "gauge", "millilitres", "usual", "unknown"

GAUGE_BIAS: Final = 0.05
"""Of a wet film read late or with a worn comb; the same for all coats. Judgement."""

SOLIDS_SPREAD: Final = 0.05
"""Of the volume solids a data sheet gives and a shop mixes. Judgement."""

CATALYST_SPREAD: Final = 0.3
"""Of the catalyst's solids, which are taken as the material's own. Judgement."""

TRANSFER_SPREAD: Final = 0.35
"""Of the share of the spray that stays on a piece. Judgement; published shares run from 0.1 to 0.8."""

REPEATED_SPREAD: Final = 0.15
"""Of a coat's millilitres against those of gauged coats of the same piece. Judgement."""

AREA_SPREAD: Final = 0.1
USUAL_SPREAD: Final = 0.25
"""Of a usual wet film: once for the shop's hand, and once more for each coat. Judgement."""

TEXTURE_UM: Final = {1: 3.0, 2: 8.0, 3: 14.0, 4: 20.0, 5: 30.0}
"""Peak to valley of a texture by grade. Judgement around orange peel of 10 to 25 µm, no source. [µm]"""

TEXTURE_WORDS: Final = {1: "nearly flat", 2: "slight", 3: "as usual", 4: "heavy", 5: "very heavy"}

MEASURED_SPREAD: Final = 0.2
GRADED_SPREAD: Final = 0.4
"""Of a texture measured, and of one judged by eye; standard deviations of the logarithm. Judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidFilm:
    """Dry film of one coat as laid.

    Attributes
    ----------
    coat : Coat
    um : float
        [µm]; 0 where it cannot be told
    own_um, shared_um : float
        Standard uncertainty of this coat alone, and what it has in common with the others. [µm]
    basis : str
        ``gauge``, ``millilitres``, ``usual`` or ``unknown``.
    how : str
        The same in words.
    """

    coat: Coat
    um: float
    own_um: float
    shared_um: float
    basis: str
    how: str

    @property
    def sd_um(self) -> float:
        """Standard uncertainty. [µm]"""
        return math.hypot(self.own_um, self.shared_um)

    @property
    def clear(self) -> bool:
        """Whether it is a clear coat."""
        return self.coat.mix.material.role == "clear"


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmStack:
    """The films of a piece that count, the lowest first.

    Attributes
    ----------
    piece : Piece
    zone : str
        Part of the piece it is for; empty for the most sanded.
    films : tuple of LaidFilm
        Since it was sanded back.
    clear : tuple of LaidFilm
        Those of them that are clear, down to the first that is not, or to where it was sanded through.
    removed_um, removed_sd_um : float
        What sandings since took off the clear. [µm]
    sandings : tuple of Sanding
    notes : tuple of str
        What was taken for granted.
    """

    piece: Piece
    zone: str
    films: tuple[LaidFilm, ...]
    clear: tuple[LaidFilm, ...]
    removed_um: float
    removed_sd_um: float
    sandings: tuple[Sanding, ...]
    notes: tuple[str, ...]

    @property
    def total_um(self) -> float:
        """All film as laid. [µm]"""
        return sum(each.um for each in self.films)

    @property
    def clear_um(self) -> float:
        """Clear left. [µm]"""
        return max(sum(each.um for each in self.clear) - self.removed_um, 0.0)

    @property
    def shared_um(self) -> float:
        """What is common to the clear coats: solids, gauge, hand. [µm]"""
        return sum(each.shared_um for each in self.clear)

    @property
    def own_um(self) -> float:
        """What differs from coat to coat, and what is not known of earlier sandings. [µm]"""
        return math.hypot(*(each.own_um for each in self.clear), self.removed_sd_um)

    @property
    def clear_sd_um(self) -> float:
        """Standard uncertainty of the clear left. [µm]"""
        return math.hypot(self.shared_um, self.own_um)

    def to_dict(self) -> dict[str, Any]:
        """The stack as JSON holds it."""
        return {
            "clear_um": self.clear_um,
            "clear_sd_um": self.clear_sd_um,
            "clear_shared_sd_um": self.shared_um,
            "clear_own_sd_um": self.own_um,
            "total_laid_um": self.total_um,
            "removed_um": self.removed_um,
            "removed_sd_um": self.removed_sd_um,
            "coats": [
                {
                    "coat_id": each.coat.id,
                    "material": each.coat.mix.material.name,
                    "role": each.coat.mix.material.role,
                    "dry_um": each.um,
                    "dry_sd_um": each.sd_um,
                    "basis": each.basis,
                    "counts": each in self.clear,
                }
                for each in self.films
            ],
            "notes": list(self.notes),
        }


def film_stack(
    piece: Piece,
    coats: Sequence[Coat],
    sandings: Sequence[Sanding],
    settings: Settings,
    *,
    zone: str = "",
    area_m2: float | None = None,
    cut: Cut | None = None,
) -> FilmStack:
    """The films of a piece.

    Parameters
    ----------
    coats, sandings
        Of the piece, in any order.
    zone : str
        Part of the piece; empty: that of the zones sanded most.
    area_m2 : float, optional
        Coated area; by default the shop's usual one. [m²]
    cut : Cut, optional
        How the shop sands, for what earlier sandings took off.

    Raises
    ------
    RecordError
        If the area is out of range.
    """
    if area_m2 is not None and not 0.001 <= area_m2 <= 100:
        raise RecordError(f"area_m2 {area_m2:g}; expected 0.001 to 100")
    area = area_m2 if area_m2 is not None else settings.sanding.piece_area_m2 or None
    back = max((each.at for each in sandings if each.sanded_back and _meant(each, zone)), default=None)
    laid = sorted(
        (coat for coat in coats if back is None or coat.started_at > back), key=lambda coat: (coat.started_at, coat.id)
    )
    gauged = _um_per_ml(laid)
    films = tuple(dry_film(coat, settings, area_m2=area, um_per_ml=gauged) for coat in laid)
    notes = [f"{each.coat.mix.material.name}: {each.how}" for each in films if each.basis in (UNKNOWN, USUAL)]
    top: list[LaidFilm] = []
    for each in reversed(films):
        if not each.clear:
            break
        top.insert(0, each)
    since = [each for each in sandings if not each.sanded_back and (back is None or each.at > back)]
    since.sort(key=lambda each: (each.at, each.id))
    through = [each for each in since if each.through and _meant(each, zone)]
    if through and top:
        last = through[-1]
        above = [each for each in top if each.coat.started_at > last.at]
        if len(above) < len(top):
            notes.append(
                f"Sanded through on {last.at:%Y-%m-%d}{f' ({last.zone})' if last.zone else ''}: only what was laid "
                "since counts there."
            )
            top, since = above, [each for each in since if each.at > last.at]
    first = top[0].coat.started_at if top else None
    counted = [each for each in since if first is not None and each.at > first]
    removed, spread, used = _taken_off(counted, [each.coat for each in top], zone, cut or Cut(), settings)
    return FilmStack(
        piece=piece,
        zone=zone,
        films=films,
        clear=tuple(top),
        removed_um=removed,
        removed_sd_um=spread,
        sandings=used,
        notes=tuple(dict.fromkeys(notes)),
    )


def dry_film(
    coat: Coat, settings: Settings, *, area_m2: float | None = None, um_per_ml: tuple[float, float] | None = None
) -> LaidFilm:
    """Dry film of one coat.

    Parameters
    ----------
    area_m2 : float, optional
        Coated. [m²]
    um_per_ml : tuple of float, optional
        Wet film a millilitre makes on this piece, by its gauged coats, with its relative uncertainty. [µm/ml]
    """
    solids, solids_spread = solids_of(coat.mix)
    if solids is None:
        how = "its solids are not known, so that it is not counted"
        return LaidFilm(coat=coat, um=0.0, own_um=0.0, shared_um=0.0, basis=UNKNOWN, how=how)
    wet, own, shared, basis, how = _wet(coat, settings, area_m2, um_per_ml)
    dry = wet * solids
    return LaidFilm(
        coat=coat, um=dry, own_um=dry * own, shared_um=dry * math.hypot(shared, solids_spread), basis=basis, how=how
    )


def solids_of(mix: Mix) -> tuple[float | None, float]:
    """Solids by volume of a mix as applied, and their relative standard uncertainty."""
    own = mix.material.solids_volume_fraction
    if not own:
        return None, 0.0
    thinner = mix.reducer_fraction + mix.retarder_fraction
    applied = float(film_physics.solids_as_applied(own, thinner, mix.catalyst_fraction, own))
    share = mix.catalyst_fraction / (1.0 + mix.catalyst_fraction)
    return applied, math.hypot(SOLIDS_SPREAD, CATALYST_SPREAD * share)


def texture_of(um: float | None, grade: int | None, settings: Settings) -> tuple[float, float, str]:
    """Height of a texture [µm], its spread, and where it comes from in words.

    Raises
    ------
    RecordError
        If it is out of range.
    """
    if um is not None:
        if not 0 <= um <= 1_000:
            raise RecordError(f"texture_um {um:g}; expected 0 to 1000")
        return um, MEASURED_SPREAD, f"texture {um:g} µm as measured"
    chosen = settings.sanding.texture_grade if grade is None else grade
    if chosen not in TEXTURE_UM:
        raise RecordError(f"texture grade {chosen}; expected 1 (nearly flat) to 5 (very heavy)")
    height = TEXTURE_UM[chosen]
    return height, GRADED_SPREAD, f"texture grade {chosen}, {TEXTURE_WORDS[chosen]}: taken as {height:g} µm"


def _wet(
    coat: Coat, settings: Settings, area_m2: float | None, um_per_ml: tuple[float, float] | None
) -> tuple[float, float, float, str, str]:
    """Wet film [µm], its own and its shared relative uncertainty, its basis and how."""
    gauge = _gauge(coat)
    if gauge is not None:
        low, high = gauge
        read = film_physics.gauged(low, high, relative_bias=0.0)
        own = float(read.standard_uncertainty_um) / float(read.um)
        return float(read.um), own, GAUGE_BIAS, GAUGED, f"comb gauge {low:g} to {high:g} µm wet"
    if coat.sprayed_ml and um_per_ml is not None:
        per_ml, spread = um_per_ml
        how = f"{coat.sprayed_ml:g} ml, against the gauged coats of this piece"
        return coat.sprayed_ml * per_ml, REPEATED_SPREAD, math.hypot(spread, GAUGE_BIAS), SPRAYED, how
    transfer = settings.ventilation.transfer_pct / 100.0
    if coat.sprayed_ml and area_m2 and transfer > 0:
        wet = float(film_physics.sprayed(coat.sprayed_ml, area_m2, transfer).um)
        if wet <= 5_000:
            how = f"{coat.sprayed_ml:g} ml on {area_m2:g} m² with {transfer:.0%} of it staying"
            return wet, REPEATED_SPREAD, math.hypot(TRANSFER_SPREAD, AREA_SPREAD), SPRAYED, how
    usual = settings.readiness.wet_film_um
    return usual, USUAL_SPREAD, USUAL_SPREAD, USUAL, f"wet film not measured; the usual {usual:g} µm is assumed"


def _gauge(coat: Coat) -> tuple[float, float] | None:
    """The comb's interval; where one end was noted, that film alone."""
    ends = [each for each in (coat.wet_film_low_um, coat.wet_film_high_um) if each]
    return (ends[0], ends[-1]) if ends else None


def _um_per_ml(coats: Sequence[Coat]) -> tuple[float, float] | None:
    found = [(gauge, coat.sprayed_ml) for coat in coats if coat.sprayed_ml and (gauge := _gauge(coat)) is not None]
    if not found:
        return None
    ratios = [0.5 * (low + high) / ml for (low, high), ml in found]
    widest = max((high - low) / math.sqrt(12.0) / (0.5 * (low + high)) for (low, high), _ in found)
    return float(np.median(ratios)), widest


def _meant(sanding: Sanding, zone: str) -> bool:
    """Whether a sanding touched the zone asked for."""
    return not zone or not sanding.zone or sanding.zone.casefold() == zone.casefold()


def _taken_off(
    sandings: Sequence[Sanding], clear: Sequence[Coat], zone: str, cut: Cut, settings: Settings
) -> tuple[float, float, tuple[Sanding, ...]]:
    """What sandings took off the clear: of one zone, or of that which lost most. [µm]"""
    everywhere = [each for each in sandings if not each.zone]
    zones = {each.zone.casefold() for each in sandings if each.zone}
    wanted = [zone.casefold()] if zone else [*zones, ""]
    best: tuple[float, float, tuple[Sanding, ...]] = (0.0, 0.0, ())
    for name in wanted:
        own = [each for each in sandings if each.zone and each.zone.casefold() == name]
        each_off = [(sanding, *_one_taken_off(sanding, clear, cut, settings)) for sanding in (*everywhere, *own)]
        total = sum(um for _, um, _ in each_off)
        if total >= best[0]:
            best = (total, math.hypot(*(sd for _, _, sd in each_off)), tuple(one for one, _, _ in each_off))
    return best


def _one_taken_off(sanding: Sanding, clear: Sequence[Coat], cut: Cut, settings: Settings) -> tuple[float, float]:
    """Mean and standard uncertainty of what one sanding took off. [µm]

    Scratches left standing are filled by the next coat; until then they count as gone.
    """
    try:
        grains = np.array([each.grain_um for each in sequence(sanding.grits)])
    except (NotFound, RecordError):
        return 0.0, 0.0
    texture, spread, _ = texture_of(sanding.texture_um, sanding.texture_grade, settings)
    as_cut = Cut(
        scratch_per_grain=cut.scratch_per_grain,
        scratch_spread=cut.scratch_spread,
        excess=cut.excess,
        excess_spread=cut.excess_spread,
        texture_spread=spread,
    )
    bottoms = removed_draws(grains, texture, as_cut)
    gone = bottoms[-1 if sanding.compounded else -2]
    filled = any(coat.started_at > sanding.at for coat in clear)
    off = float(gone.mean())
    if filled and not sanding.compounded:
        off -= cut.scratch_per_grain * math.exp(0.5 * cut.scratch_spread**2) * float(grains[-1])
    return max(off, 0.0), float(gone.std())
