"""How far every piece in hand has come, and what can be done to it next: the rack.

For each piece its last coat; for each stage a couple of hundred draws of the stage's time and activation energy as the
shop's checks left them, of how its drivers answer to their surroundings, and of the days ahead. What is told of a stage
are the shares of draws in which it is reached. Coats of one material on pieces of one path are reckoned together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import forecast
from collector.advice.coat_history import HOUR_MS, Log, Reals, read_log
from collector.advice.coat_progress import (
    NO_WINDOW,
    STEPS,
    CoatProgress,
    Moment,
    NextStep,
    PieceProgress,
    Rack,
    RecoatState,
    StageProgress,
)
from collector.advice.evidence import Subject
from collector.advice.learning import Learned, learn
from collector.advice.stage_legs import (
    LEAST_H,
    curve,
    dry_film,
    leading_driver,
    parameters,
    parts_of,
    scale,
    sheet_of,
)
from collector.advice.surroundings import DRAWS, Leg, Path, Surroundings, normals, surroundings
from collector.physics.age_curve import AgeCurve
from collector.readings.base import ReadingStore
from collector.records.model import STAGES, Coat, Material, Piece, StageTime
from collector.records.repository import Records
from collector.reference import drivers
from collector.settings import Settings

READY_SHARE: Final = 0.80
NEVER_ENDED_H: Final = 4.0
CLOSING_WITHIN_H: Final = 12.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reckoned:
    """A stage of the coats of a group: draws, coats by draws."""

    ready_h: Reals
    share: Reals
    limiting: str
    checks: int


def rack(readings: ReadingStore, records: Records, settings: Settings, now_ms: int, plan: str | None = None) -> Rack:
    """Every piece in hand, what can be done soonest first.

    Parameters
    ----------
    readings, records
        The shop's stores.
    now_ms : int
        The moment asked about. [ms since 1970, UTC]
    plan : str, optional
        A heating plan, such as ``22 °C from 18:00; off at 22:00``.
    """
    at = datetime.fromtimestamp(now_ms / 1000, UTC)
    pieces = records.pieces()
    last: dict[int, Coat] = {}
    for coat in records.coats(until=at + timedelta(milliseconds=1)):
        last.setdefault(coat.piece_id, coat)
    in_hand = [last[piece.id] for piece in pieces if piece.id in last]
    shop = _Shop(readings=readings, records=records, settings=settings, now_ms=now_ms, at=at)
    found = shop.progress(in_hand, {piece.id: piece for piece in pieces})
    listed = [_piece_progress(piece, found.get(last[piece.id].id) if piece.id in last else None, at, settings)
              for piece in pieces]  # fmt: skip
    return Rack(at=at, pieces=tuple(sorted(listed, key=_order)), forecast=shop.forecast_words())


class _Shop:
    """One look at the stores; what several coats share is made once."""

    def __init__(
        self, *, readings: ReadingStore, records: Records, settings: Settings, now_ms: int, at: datetime
    ) -> None:
        self.readings, self.records, self.settings = readings, records, settings
        self.now_ms, self.at = now_ms, at
        ahead_ms = now_ms + np.round(forecast.ahead_h() * HOUR_MS).astype(np.int64)
        self.hours = forecast.local_hours(ahead_ms, settings.shop.zone)
        self.logs: dict[str, Log] = {}
        self.outlooks: dict[str, forecast.Outlook] = {}
        self.around: dict[Path, Surroundings] = {}
        self.curves: dict[object, AgeCurve] = {}
        self.learned: Learned = learn([])

    def forecast_words(self) -> str:
        booth = self.settings.shop.booth
        if booth not in self.outlooks:
            self.read({booth}, self.now_ms)
        return self.outlooks[booth].words

    def read(self, booths: set[str], start_ms: int) -> None:
        for booth in booths - set(self.logs):
            self.logs[booth] = read_log(self.readings, booth, start_ms, self.now_ms)
            self.outlooks[booth] = forecast.outlook(self.logs[booth], self.settings.shop.zone)

    def path(self, coat: Coat) -> Path:
        return (Leg(since_ms=0, booth=coat.booth),)

    def progress(self, coats: Sequence[Coat], pieces: dict[int, Piece]) -> dict[int, CoatProgress]:
        if not coats:
            return {}
        start_ms = min(_ms(coat.started_at) for coat in coats)
        self.read({coat.booth for coat in coats}, start_ms)
        groups: dict[tuple[Path, int, int], list[Coat]] = {}
        for coat in coats:
            material = coat.mix.material
            groups.setdefault((self.path(coat), material.id, material.version), []).append(coat)
        oldest: dict[Path, int] = {}
        for (path, _, _), members in groups.items():
            first = min(_ms(coat.ended_at or coat.started_at) for coat in members)
            oldest[path] = min(oldest.get(path, first), first)
        for path, first in oldest.items():
            self.around[path] = surroundings(path, self.logs, self.outlooks, first, self.now_ms, self.hours)
        found: dict[int, CoatProgress] = {}
        for (path, _, _), members in groups.items():
            for coat, made in zip(members, self.group(members, path, pieces), strict=True):
                found[coat.id] = made
        return found

    def group(self, coats: list[Coat], path: Path, pieces: dict[int, Piece]) -> list[CoatProgress]:
        material = coats[0].mix.material
        around = self.around[path]
        start_h = np.array([[(_ms(c.ended_at or c.started_at) - self.now_ms) / HOUR_MS] for c in coats])
        films = [dry_film(c, self.settings.readiness.wet_film_um, normals(8, 1)[:, 3]) for c in coats]
        film_um = np.stack([film for film, _ in films])
        order = list(STAGES)
        # As the sheet has them follow each other; the names alone do not tell.
        stages = sorted(material.stages, key=lambda s: (s.low_h * s.high_h, order.index(s.stage)))
        reckoned: dict[str, Reckoned] = {}
        earlier = np.full((len(coats), DRAWS), -np.inf)
        for stage in stages:
            made = self.stage(material, stage, around, path, start_h, film_um)
            earlier = np.maximum(earlier, made.ready_h)
            reckoned[stage.stage] = Reckoned(
                ready_h=earlier, share=made.share, limiting=made.limiting, checks=made.checks
            )
        result = []
        for i, coat in enumerate(coats):
            told = tuple(self.told(name, each, i) for name, each in reckoned.items())
            flags = []
            if coat.ended_at is None and (self.at - coat.started_at) > timedelta(hours=NEVER_ENDED_H):
                flags.append("never ended: its start is taken as when it was laid; end it with the time it was")
            notes = (*around.notes, films[i][1]) if films[i][1] else around.notes
            result.append(
                CoatProgress(
                    coat=coat,
                    piece=pieces[coat.piece_id],
                    stages=told,
                    recoat=self.recoat(material, told),
                    flags=tuple(flags),
                    notes=notes,
                )
            )
        return result

    def stage(
        self, material: Material, stage: StageTime, around: Surroundings, path: Path, start_h: Reals, film_um: Reals
    ) -> Reckoned:
        sheet = sheet_of(stage)
        estimate = self.learned.estimate(subject_of(material, stage), draws=DRAWS)
        stage_h, energy = estimate.draws.stage_h, estimate.draws.activation_energy_kj_mol
        when = np.broadcast_to(start_h, (start_h.shape[0], DRAWS))
        done = np.zeros(when.shape)
        limiting = ""
        for part in parts_of(material.chemistry, stage.stage):
            driven = parameters(part.driver, material.chemistry, energy if part.leading else None)
            key = (path, part.driver, material.chemistry, sheet, energy.tobytes() if part.leading else b"")
            if key not in self.curves:
                self.curves[key] = curve(driven, around, sheet)
            each = self.curves[key]
            needed = stage_h * scale(part, driven, film_um, sheet)
            begun = each.at(when)
            done = done + part.share * np.clip((each.at(0.0) - begun) / needed, 0.0, 1.0)
            when = each.reached_h(begun + needed)
            if part.leading:
                limiting = self.limiting(part.driver, material.chemistry, around, sheet_of(stage))
        return Reckoned(ready_h=when, share=done, limiting=limiting, checks=estimate.checks)

    def limiting(self, driver: str, chemistry: str, around: Surroundings, sheet: object) -> str:
        return ""

    def told(self, name: str, each: Reckoned, i: int) -> StageProgress:
        ready, share = each.ready_h[i], each.share[i]
        low, middle, high = (100.0 * float(v) for v in np.quantile(share, (0.1, 0.5, 0.9)))
        probability = float(np.mean(ready <= 0.0))
        return StageProgress(
            stage=name,
            percent=middle,
            percent_low=low,
            percent_high=high,
            ready=self.moment(ready),
            probability=probability,
            limiting=each.limiting,
            checks=each.checks,
        )

    def moment(self, hours: Reals) -> Moment:
        ordered = np.sort(hours)
        p10, p50, p90 = (ordered[min(int(p * ordered.size), ordered.size - 1)] for p in (0.1, 0.5, 0.9))
        return Moment(p10=self.time(p10), p50=self.time(p50), p90=self.time(p90))

    def time(self, hours: float) -> datetime | None:
        return self.at + timedelta(hours=float(hours)) if np.isfinite(hours) else None

    def recoat(self, material: Material, told: tuple[StageProgress, ...]) -> RecoatState:
        return RecoatState(state=NO_WINDOW, words="")


def subject_of(material: Material, stage: StageTime) -> Subject:
    """What learning knows a stage of a material by."""
    driver = leading_driver(material.chemistry, stage.stage)
    energy = drivers.distribution(driver, "activation_energy_kj_mol", material.chemistry)
    known = {} if energy is None else {
        "activation_energy_kj_mol": energy.median, "activation_energy_log_sd": float(np.log(energy.spread))
    }  # fmt: skip
    return Subject(
        material=str(material.id),
        stage=stage.stage,
        chemistry=material.chemistry,
        driver=driver,
        sheet_low_h=max(stage.low_h, LEAST_H),
        sheet_high_h=max(stage.high_h, stage.low_h, LEAST_H),
        **known,
    )


def _piece_progress(piece: Piece, last: CoatProgress | None, at: datetime, settings: Settings) -> PieceProgress:
    if last is None:
        return PieceProgress(piece=piece, last=None, steps=(NextStep(word="start", when="now", probability=1.0),))
    if last.coat.ended_at is None:
        step = NextStep(word="end coat", when="now", probability=1.0)
        return PieceProgress(piece=piece, last=last, steps=(step,), spraying=True)
    steps = []
    for stage in last.stages:
        if stage.stage in STEPS:
            when = _when(stage, at, settings)
            steps.append(NextStep(word=STEPS[stage.stage], when=when, ready=stage.ready, probability=stage.probability))
    if not steps:
        steps = [NextStep(word="check", when="now", probability=1.0)]
    return PieceProgress(piece=piece, last=last, steps=tuple(steps))


def _when(stage: StageProgress, at: datetime, settings: Settings) -> str:
    if stage.probability >= READY_SHARE:
        return "now"
    if stage.ready.p50 is None:
        return "later"
    zone = settings.shop.zone
    days = (stage.ready.p50.astimezone(zone).date() - at.astimezone(zone).date()).days
    return "today" if days <= 0 else "tomorrow" if days == 1 else "later"


def _order(each: PieceProgress) -> tuple[int, float, str]:
    rank = ("now", "today", "tomorrow", "later").index(each.next.when)
    ready = each.next.ready.p50 if each.next.ready else None
    return rank, ready.timestamp() if ready else (0.0 if rank == 0 else np.inf), each.piece.name


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
