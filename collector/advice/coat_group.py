"""Coats of one material version on pieces of one path, reckoned together: every stage in draws, coats by draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import progress_words, recoat_window
from collector.advice.coat_curves import Curves
from collector.advice.coat_flags import flags_of, pot_life_of
from collector.advice.coat_history import HOUR_MS, Reals
from collector.advice.coat_progress import NO_WINDOW, CoatProgress, RecoatState, StageProgress
from collector.advice.coat_stack import laid, stack_of, thickening, young_beneath
from collector.advice.display import Units
from collector.advice.evidence import ENERGIES_KJ_MOL, Subject
from collector.advice.shop_learning import LEAST_AGE_H, ShopLearning, StageDraws, subject_of
from collector.advice.stage_legs import (
    Part,
    dry_film,
    leading_driver,
    parts_of,
    scale,
    sheet_of,
    stage_hours,
)
from collector.advice.surroundings import DRAWS, normals
from collector.physics.age_curve import AgeCurve
from collector.physics.drying_drivers import DIFFUSION, SheetConditions
from collector.records.model import STAGES, Check, Coat, Piece, StageTime
from collector.settings import Settings

ALMOST: Final = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """The last coat of a piece, with its checks, and the coats beneath it, the lowest first."""

    coat: Coat
    beneath: tuple[Coat, ...]
    checks: tuple[Check, ...]

    @property
    def young(self) -> tuple[Coat, ...]:
        """Coats beneath that may hold solvent yet."""
        return young_beneath(self.coat, self.beneath)

    @property
    def first_ms(self) -> int:
        """From when the log is needed."""
        moments = [laid(self.coat), self.coat.started_at, *(laid(coat) for coat in self.young)]
        mixed = self.coat.mix.mixed_at
        if mixed is not None and mixed > self.coat.started_at - timedelta(days=3):
            moments.append(mixed)
        return round(min(moments).timestamp() * 1000)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shared:
    """What all groups of one look at the shop have in common."""

    learning: ShopLearning
    settings: Settings
    now_ms: int
    at: datetime
    pieces: dict[int, Piece]

    def hours(self, moment: datetime) -> float:
        """A moment, in hours from now."""
        return moment.timestamp() * 1000.0 / HOUR_MS - self.now_ms / HOUR_MS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reckoned:
    """A stage of all coats of a group, coats by draws."""

    stage: StageTime
    ready_h: Reals
    done: Reals
    limiting: tuple[str, ...]
    checks: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Leg:
    part: Part
    curve: AgeCurve
    needs: Reals
    longer: Reals


class Group:
    """Coats of one material version that stood in the same surroundings.

    Parameters
    ----------
    curves : Curves
        Their surroundings, with the age curves made so far; groups share them.
    """

    def __init__(self, shared: Shared, curves: Curves, members: Sequence[Member]) -> None:
        self._shared, self._members, self._curves = shared, members, curves
        self._material = members[0].coat.mix.material
        self._units = Units(shared.settings.shop.units)
        self._start_h = np.array([[shared.hours(laid(member.coat))] for member in members])
        usual = shared.settings.readiness.wet_film_um
        films = [dry_film(member.coat, usual, normals(8, 1)[:, 3]) for member in members]
        self._film_um = np.stack([um for um, _ in films])
        self._film_notes = [note for _, note in films]
        self._stacks: dict[tuple[int, SheetConditions], tuple[tuple[float, ...], tuple[float, ...]]] = {}

    def progress(self) -> list[CoatProgress]:
        """How far each coat has come, in the order of the members."""
        order = list(STAGES)
        # As the sheet has them follow each other; their names alone do not tell.
        stages = sorted(self._material.stages, key=lambda s: (s.low_h * s.high_h, order.index(s.stage)))
        reckoned = self._in_order([self._stage(stage) for stage in stages])
        told = [self._told(each) for each in reckoned]
        windows = self._windows({each.stage.stage: each for each in reckoned})
        return [
            CoatProgress(
                coat=member.coat,
                piece=self._shared.pieces[member.coat.piece_id],
                stages=tuple(column[i] for column in told),
                recoat=windows[i],
                pot_life=pot_life_of(member.coat, self._curves, self._shared.at),
                flags=flags_of(member.coat, member.beneath, self._curves, self._shared.at, self._units),
                notes=self._notes(i),
            )
            for i, member in enumerate(self._members)
        ]

    def _stage(self, stage: StageTime) -> Reckoned:
        """One stage, as if there were no other."""
        learning, subject = self._shared.learning, subject_of(self._material, stage)
        sheet, drawn = sheet_of(learning.sheet(self._material, stage)), learning.draws(subject)
        legs = [
            self._leg(part, drawn.energy_kj_mol, subject.sheet_middle_h, sheet)
            for part in parts_of(subject.chemistry, stage.stage)
        ]
        stage_h = np.broadcast_to(drawn.stage_h, self._film_um.shape).copy()
        self._own(subject, drawn, legs, stage_h)
        when: Reals = np.broadcast_to(self._start_h, stage_h.shape)
        done, shares = np.zeros(stage_h.shape), []
        for leg in legs:
            begun, needed = leg.curve.at(when), stage_h * leg.needs
            share = np.clip((leg.curve.at(0.0) - begun) / needed, 0.0, 1.0)
            done, when = done + leg.part.share * share, leg.curve.reached_h(begun + needed)
            shares.append(np.mean(share, axis=1))
        return Reckoned(
            stage=stage,
            ready_h=when,
            done=done,
            limiting=tuple(self._limiting(legs, shares, sheet, i) for i in range(len(self._members))),
            checks=drawn.checks,
        )

    def _leg(self, part: Part, energy: Reals, middle_h: float, sheet: SheetConditions) -> _Leg:
        chemistry = self._material.chemistry
        driven, found = self._curves.drawn(part.driver, chemistry, sheet, energy if part.leading else None)
        film = np.where(np.isnan(self._film_um), sheet.dry_film_um, self._film_um)
        thicker = np.ones((len(self._members), 1))
        if part.driver == DIFFUSION:
            for i, member in enumerate(self._members):
                if member.young:
                    thicker[i] = thickening(*self._stack(i, sheet), middle_h, sheet.dry_film_um)
        needs = scale(part, driven, film * thicker, sheet)
        return _Leg(part=part, curve=found, needs=needs, longer=np.mean(needs, axis=1) / part.share)

    def _stack(self, i: int, sheet: SheetConditions) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Films of a coat and the young ones beneath it, and the waits between them."""
        if (i, sheet) not in self._stacks:
            coats = (*self._members[i].young, self._members[i].coat)
            laid_h = [self._shared.hours(laid(coat)) for coat in coats]
            of = self._curves.typical(DIFFUSION, self._material.chemistry, sheet)
            self._stacks[i, sheet] = stack_of(coats, laid_h, of, sheet, self._shared.settings)
        return self._stacks[i, sheet]

    def _own(self, subject: Subject, drawn: StageDraws, legs: Sequence[_Leg], stage_h: Reals) -> None:
        """Put the stage times of coats with checks of their own in place of those of any coat.

        The draw keeps the share of the stage that was done at the check: the check has seen the coat's own film and
        air, whatever a draw makes of them.
        """
        ages = self._shared.learning.ages
        last: dict[int, Check] = {}
        for i, member in enumerate(self._members):
            for check in member.checks:
                if check.stage == subject.stage and check.id in ages:
                    last[i] = check
        if not last:
            return
        rows = list(last)
        at_h = np.array([[self._shared.hours(check.at)] for check in last.values()])
        passed = stage_hours(self._start_h[rows], at_h, [(leg.curve, leg.needs[rows]) for leg in legs])
        for k, (i, check) in enumerate(last.items()):
            times = self._shared.learning.own(subject, self._members[i].coat.id)
            seen = np.exp(np.interp(drawn.energy_kj_mol, ENERGIES_KJ_MOL, np.log(ages[check.id])))
            known = (seen > 2.0 * LEAST_AGE_H) & (passed[k] > 0.0)
            stage_h[i] = np.where(known, passed[k] * times / seen, times)

    def _in_order(self, stages: Sequence[Reckoned]) -> list[Reckoned]:
        """No stage before one that comes before it; the finisher's own last word on each stands."""
        lapse = self._shared.learning.learned.priors.lapse
        known_h = np.full((len(self._members), len(stages)), np.inf)
        for i, member in enumerate(self._members):
            for k, each in enumerate(stages):
                own = [check for check in member.checks if check.stage == each.stage.stage]
                if own and own[-1].passed:
                    known_h[i, k] = self._shared.hours(own[-1].at)
        # A yes to a stage is one to all before it.
        known_h = np.minimum.accumulate(known_h[:, ::-1], axis=1)[:, ::-1]
        doubted = round(0.5 * lapse * DRAWS)
        made: list[Reckoned] = []
        earlier = np.full((len(self._members), DRAWS), -np.inf)
        floor = self._floor_h()
        for k, each in enumerate(stages):
            ready = each.ready_h.copy()
            if each.stage.stage == "dry_to_recoat" and floor is not None:
                ready = np.maximum(ready, floor)
            for i in np.flatnonzero(np.isfinite(known_h[:, k])).tolist():
                sure = np.argsort(ready[i])[: DRAWS - doubted]
                ready[i, sure] = np.minimum(ready[i, sure], known_h[i, k])
            earlier = np.maximum(earlier, ready)
            done = np.where(earlier <= 0.0, 1.0, np.minimum(each.done, ALMOST))
            made.append(replace(each, ready_h=earlier, done=done))
        return made

    def _floor_h(self) -> Reals | None:
        """When the material's own least time to recoat is over."""
        window = self._material.recoat
        return None if window is None else self._reached(window.min_h, "dry_to_recoat", spread=0.0)

    def _reached(self, hours: float, stage: str, *, spread: float) -> Reals:
        """When an equivalent age is reached that the driver of a stage tells, coats by draws. [h from now]"""
        known = {each.stage: each for each in self._material.stages}
        row = known.get("dry_to_recoat")
        sheet = recoat_window.ROOM if row is None else sheet_of(row)
        driver = leading_driver(self._material.chemistry, stage)
        _, of = self._curves.drawn(driver, self._material.chemistry, sheet, self._energy(driver))
        needed = hours * np.exp(spread * normals(8, 1)[:, 5])
        return of.reached_h(of.at(np.broadcast_to(self._start_h, self._film_um.shape)) + needed)

    def _energy(self, driver: str) -> Reals | None:
        """Activation energies learned of a driver of the material."""
        for stage in self._material.stages:
            if leading_driver(self._material.chemistry, stage.stage) == driver:
                return self._shared.learning.draws(subject_of(self._material, stage)).energy_kj_mol
        return None

    def _windows(self, stages: dict[str, Reckoned]) -> list[RecoatState]:
        window, rack = self._material.recoat, self._shared.settings.rack
        telling = recoat_window.Telling(
            at=self._shared.at,
            zone=self._shared.settings.shop.zone,
            ready_share=rack.ready_probability_pct / 100.0,
            closing_within_h=rack.closing_within_h,
        )
        recoat = stages.get("dry_to_recoat")
        opens = recoat.ready_h if recoat is not None else self._floor_h()
        if opens is None:
            words = "The data sheet's recoat times are not in the material: no window is told."
            return [RecoatState(state=NO_WINDOW, words=words)] * len(self._members)
        spread = recoat_window.WINDOW_LOG_SD
        soft = None if window is None else window.soft_end_h
        again = None if window is None else window.reopen_h
        closes = None if soft is None else np.maximum(self._reached(soft, "dry_hard", spread=spread), opens)
        reopens = None if again is None else self._reached(again, "dry_hard", spread=spread)
        if closes is not None and reopens is not None:
            reopens = np.maximum(reopens, closes)
        return [
            recoat_window.state_of(
                self._material,
                recoat_window.Window(
                    opens_h=opens[i],
                    closes_h=None if closes is None else closes[i],
                    reopens_h=None if closes is None or reopens is None else reopens[i],
                ),
                telling,
            )
            for i in range(len(self._members))
        ]

    def _told(self, each: Reckoned) -> list[StageProgress]:
        at, name = self._shared.at, each.stage.stage
        choice = self._shared.settings.rack.ready_probability_pct / 100.0
        percent = 100.0 * np.quantile(each.done, (0.1, 0.5, 0.9), axis=1)
        ordered = np.sort(each.ready_h, axis=1)
        sure = ordered[:, min(int(np.ceil(choice * DRAWS)) - 1, DRAWS - 1)]
        now = np.mean(each.ready_h <= 0.0, axis=1)
        told = []
        for i, member in enumerate(self._members):
            own = [check for check in member.checks if check.stage == name]
            told.append(
                StageProgress(
                    stage=name,
                    percent=float(percent[1, i]),
                    percent_low=float(percent[0, i]),
                    percent_high=float(percent[2, i]),
                    ready=recoat_window.moment(ordered[i], at),
                    probability=float(now[i]),
                    ready_at=at + timedelta(hours=float(sure[i])) if np.isfinite(sure[i]) else None,
                    confirmed=own[-1].passed if own else None,
                    limiting="" if now[i] >= choice else each.limiting[i],
                    checks=each.checks,
                )
            )
        return told

    def _limiting(self, legs: Sequence[_Leg], shares: Sequence[Reals], sheet: SheetConditions, i: int) -> str:
        going = next((k for k, share in enumerate(shares) if share[i] < 1.0), None)
        if going is None:
            return ""
        leg = legs[going]
        waits = self._curves.waits(leg.part.driver, self._material.chemistry, sheet)
        young = len(self._members[i].young) + 1 if leg.part.driver == DIFFUSION else 1
        return progress_words.limiting(waits, self._curves.around, float(leg.longer[i]), young, self._units)

    def _notes(self, i: int) -> tuple[str, ...]:
        notes = [text for until, text in self._curves.around.notes if until >= self._start_h[i, 0]]
        return (*notes, self._film_notes[i]) if self._film_notes[i] else tuple(notes)
