"""Gathers the facts of a piece from records, readings and advice.

Films are those of :mod:`collector.advice.film_stack`, so that record and sanding budget agree.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from collector.advice import conditions, film_stack, progress
from collector.advice.coat_progress import PieceProgress
from collector.advice.conditions import Conditions, Spread
from collector.advice.film_stack import FilmStack, LaidFilm
from collector.advice.sanding import learned_of
from collector.physics import humidity
from collector.readings.base import ReadingStore
from collector.records.model import Coat, Outcome, Piece, PiecePlace, RecoatWindow, StageTime
from collector.records.repository import Records
from collector.report.facts import (
    EARLY,
    LATE,
    NO_GATE,
    REOPENED,
    WITHIN,
    CheckFact,
    CoatFact,
    DefectFact,
    DryFilm,
    Left,
    Measured,
    Picture,
    PieceRecord,
    Wait,
    WhileSpraying,
)
from collector.settings import Readiness, Settings

BEFORE, AFTER = timedelta(minutes=30), timedelta(hours=4)
"""What the charts show around a coat."""


def gather(readings: ReadingStore, records: Records, settings: Settings, piece: Piece, now: datetime) -> PieceRecord:
    """All there is to tell of a piece's finish.

    Parameters
    ----------
    readings, records
        The shop's stores.
    piece : Piece
        As :meth:`Records.piece` gives it.
    now : datetime
        Aware.
    """
    coats = sorted(records.coats(piece_id=piece.id, until=now + timedelta(milliseconds=1)), key=_order)
    checks, outcomes = {c.id: records.checks(c.id) for c in coats}, {c.id: records.outcomes(c.id) for c in coats}
    moves = tuple(move for move in records.places(piece.id) if move.at <= now)
    logged = [sanding for sanding in records.sandings() if sanding.at <= now]
    own = tuple(sanding for sanding in logged if sanding.piece_id == piece.id)
    cut = learned_of(records, settings, logged).cut if own else None
    stack = film_stack.film_stack(piece, coats, own, settings, cut=cut)
    films = {laid.coat.id: laid for laid in stack.films}
    facts = []
    for i, coat in enumerate(coats):
        around = _around(readings, coat, now, settings.readiness)
        ended = coat.ended_at or coat.started_at
        later = coats[i + 1 :]
        sheet = {stage.stage: stage for stage in coat.mix.material.stages}
        mixed_at = coat.mix.mixed_at
        facts.append(
            CoatFact(
                number=i + 1,
                coat=coat,
                film=_film(films.get(coat.id), coat),
                sanded_back=coat.id not in films,
                solids_as_applied=film_stack.solids_of(coat.mix)[0],
                mix_age_h=None if mixed_at is None else (coat.started_at - mixed_at).total_seconds() / 3600,
                conditions=around,
                spraying=_while_spraying(around, coat, settings.readiness),
                checks=tuple(
                    CheckFact(
                        check=check,
                        after_h=(check.at - ended).total_seconds() / 3600,
                        sheet=sheet.get(check.stage),
                    )
                    for check in sorted(checks[coat.id], key=lambda check: check.at)
                ),
                defects=tuple(
                    _defect(found, i, coat, later[0] if later else None, outcomes)
                    for found in sorted(outcomes[coat.id], key=lambda found: found.seen_at)
                    if found.defect is not None
                ),
                right=tuple(found for found in outcomes[coat.id] if found.defect is None),
            )
        )
    return PieceRecord(
        piece=piece,
        settings=settings,
        at=now,
        coats=tuple(facts),
        waits=tuple(
            _wait(readings, i + 1, lower, upper, moves, settings.readiness)
            for i, (lower, upper) in enumerate(itertools.pairwise(coats))
        ),
        stands=_stands(readings, records, settings, piece, now) if coats else None,
        moves=moves,
        sandings=own,
        left=_left(stack),
        pictures=pictures_of(records, piece),
        crackle=crackle_of(records, piece),
    )


def pictures_of(records: Records, piece: Piece) -> tuple[Picture, ...]:
    """Photos of a piece. The record store keeps none yet."""
    return ()


def crackle_of(records: Records, piece: Piece) -> tuple[Measured, ...]:
    """What was measured of a piece's crackle. The record store keeps no measurement yet."""
    return ()


# -- film ----------------------------------------------------------------------------------------------------


def _film(laid: LaidFilm | None, coat: Coat) -> DryFilm | None:
    """A coat's film as the sanding budget has it; None where it cannot be told, or was sanded back."""
    if laid is None or laid.basis == film_stack.UNKNOWN:
        return None
    solids, _ = film_stack.solids_of(coat.mix)
    catalyst = ", the catalyst counted as the material" if coat.mix.catalyst_fraction else ""
    return DryFilm(
        um=laid.um,
        standard_uncertainty_um=laid.sd_um,
        shared_uncertainty_um=laid.shared_um,
        basis=laid.basis,
        how=f"{laid.how}; {0.0 if solids is None else solids:.0%} solids by volume as applied{catalyst}",
    )


def _left(stack: FilmStack) -> Left | None:
    """The clear that is left, once something was sanded off it."""
    if not stack.sandings or not stack.clear:
        return None
    return Left(um=stack.clear_um, standard_uncertainty_um=stack.clear_sd_um, removed_um=stack.removed_um,
                removed_uncertainty_um=stack.removed_sd_um, notes=stack.notes)  # fmt: skip


# -- conditions ----------------------------------------------------------------------------------------------


def _around(readings: ReadingStore, coat: Coat, now: datetime, settings: Readiness) -> Conditions:
    ended = coat.ended_at or now
    end = max(min(ended + AFTER, now), coat.started_at + timedelta(minutes=1))
    return conditions.gather(readings, coat.booth, _ms(coat.started_at - BEFORE), _ms(end), settings)


def _while_spraying(around: Conditions, coat: Coat, settings: Readiness) -> WhileSpraying:
    first, last = _ms(coat.started_at), max(_ms(coat.ended_at or coat.started_at), _ms(coat.started_at) + 1)

    def spread(values: conditions.FloatArray | None) -> Spread:
        if values is None:
            return Spread(low=None, mean=None, high=None)
        return conditions.spread(around.time_ms, values, first, last, around.width_ms)

    dew = spread(around.dew_point_uncertainty_k).mean
    limit = settings.surface_accuracy_k if around.surface_node else settings.surface_from_air_accuracy_k
    return WhileSpraying(
        air_c=spread(around.air_c),
        surface_c=spread(around.surface_c),
        dew_point_c=spread(around.dew_point_c),
        relative_humidity_pct=spread(around.relative_humidity_pct.get(around.node)),
        margin_k=spread(around.margin_k),
        margin_uncertainty_k=None if dew is None else math.hypot(dew, float(humidity.rectangular(limit))),
    )


def _wait(
    readings: ReadingStore,
    number: int,
    lower: Coat,
    upper: Coat,
    moves: Sequence[PiecePlace],
    settings: Readiness,
) -> Wait:
    since, until = lower.ended_at or lower.started_at, upper.started_at
    length = until - since
    material = lower.mix.material
    air = damp = Spread(low=None, mean=None, high=None)
    if length > timedelta(minutes=1):
        found = conditions.gather(readings, lower.booth, _ms(since), _ms(until), settings)
        span = (found.time_ms, found.start_ms, found.end_ms, found.width_ms)
        air = conditions.spread(span[0], found.air_c, *span[1:])
        if found.node in found.relative_humidity_pct:
            damp = conditions.spread(span[0], found.relative_humidity_pct[found.node], *span[1:])
    return Wait(
        lower=number,
        upper=number + 1,
        length=length,
        window=material.recoat,
        verdict=gate(length.total_seconds() / 3600, material.recoat),
        sheet=_stage(material.stages, "dry_to_recoat"),
        air_c=air,
        relative_humidity_pct=damp,
        elsewhere=any(since < move.at < until for move in moves),
    )


def gate(hours: float, window: RecoatWindow | None) -> str:
    """How a wait stands against a recoat window: ``no gate``, ``early``, ``within``, ``late`` or ``reopened``."""
    if window is None:
        return NO_GATE
    if hours < window.min_h:
        return EARLY
    if window.reopen_h is not None and hours >= window.reopen_h:
        return REOPENED
    if window.soft_end_h is not None and hours > window.soft_end_h:
        return LATE
    return WITHIN


# -- outcomes ------------------------------------------------------------------------------------------------


def _defect(
    found: Outcome, index: int, coat: Coat, upper: Coat | None, outcomes: dict[int, list[Outcome]]
) -> DefectFact:
    own_later = [each for each in outcomes[coat.id] if each.seen_at > found.seen_at and each.defect is None]
    if upper is None:
        return DefectFact(outcome=found, came_right=True if own_later else None, by_itself=bool(own_later))
    above = outcomes[upper.id]
    right = True if own_later else None if not above else all(each.defect is None for each in above)
    return DefectFact(
        outcome=found,
        changes=_changes(coat, upper),
        next_number=index + 2,
        came_right=right,
        by_itself=bool(own_later),
    )


def _changes(lower: Coat, upper: Coat) -> tuple[str, ...]:
    before, after = lower.mix, upper.mix
    told = []
    if after.material.name != before.material.name:
        return (f"the next coat is {after.material.name}",)
    for name in ("reducer", "retarder", "catalyst"):
        was, then = getattr(before, f"{name}_fraction"), getattr(after, f"{name}_fraction")
        if abs(was - then) > 1e-6:
            told.append(f"{name} {then:.0%} ({f'{was:.0%}' if was else 'none'} before)")
    return tuple(told)


def _stands(
    readings: ReadingStore, records: Records, settings: Settings, piece: Piece, now: datetime
) -> PieceProgress | None:
    if piece.done_at is not None:
        return None
    rack = progress.rack(readings, records, settings, _ms(now))
    return next((each for each in rack.pieces if each.piece.id == piece.id), None)


def _stage(stages: Sequence[StageTime], name: str) -> StageTime | None:
    return next((stage for stage in stages if stage.stage == name), None)


def _order(coat: Coat) -> tuple[datetime, int]:
    return coat.started_at.astimezone(UTC), coat.id


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
