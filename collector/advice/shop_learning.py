"""From the shop's records and readings to what its checks have taught it.

Every check of every coat that stands becomes evidence: the stage time, at the data sheet's conditions, with which the
coat would have been ready just when it was checked, after all the temperatures it had stood in. A check taken back, or
a coat whose start is corrected, changes the evidence and with it everything learned; nothing of it is stored.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from collector.advice.coat_history import HOUR_MS, Log, Path, Place, Reals, path_of, read_log
from collector.advice.coat_stack import laid, stack_of, thickening, young_beneath
from collector.advice.evidence import ENERGIES_KJ_MOL, Evidence, Subject
from collector.advice.learning import Draws, Learned, learn
from collector.advice.stage_legs import (
    LEAST_H,
    curve,
    dry_film,
    leading_driver,
    parameters,
    parts_of,
    scale,
    sheet_of,
    stage_hours,
)
from collector.advice.surroundings import DRAWS, Surroundings, typical
from collector.physics.age_curve import AgeCurve, gap_uncertainty_h
from collector.physics.drying_drivers import DIFFUSION
from collector.physics.humidity import ZERO_C
from collector.physics.volatiles import GAS_CONSTANT
from collector.readings.base import ReadingStore
from collector.records.model import Check, Coat, Material, PiecePlace, StageTime
from collector.records.repository import Records
from collector.reference import drivers
from collector.settings import Settings

LEAST_AGE_H: Final = 0.01
"""Age of a coat checked as it was laid. [h]"""

UNMEASURED_LOG_SD: Final = 0.15
"""What a film or an air speed nobody measured adds to ln age; judgement, no source."""

MOST_KEPT: Final = 4

OWN_DRAWS: Final = 400
"""Draws for a coat with checks of its own, before they are brought to equal weight."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDraws:
    """Equally likely pairs of stage time [h] and activation energy [kJ/mol], and how many checks are behind them."""

    stage_h: Reals
    energy_kj_mol: Reals
    checks: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShopLearning:
    """What a shop's checks tell, and where each subject's times hold.

    Attributes
    ----------
    learned : Learned
    sheets : mapping
        (material, stage) to the data sheet row that the learned times refer to: that of the newest check's coat.
    ages : mapping
        Check number to equivalent ages for :data:`ENERGIES_KJ_MOL`. [h]
    """

    learned: Learned
    sheets: Mapping[tuple[str, str], StageTime]
    ages: Mapping[int, Reals]
    _draws: dict[Subject, StageDraws] = field(default_factory=dict, repr=False)
    _own: dict[tuple[Subject, int], Reals] = field(default_factory=dict, repr=False)
    _energies: dict[tuple[str, str], Reals] = field(default_factory=dict, repr=False)

    def draws(self, subject: Subject) -> StageDraws:
        """Stage times of a coat without checks of its own.

        The stages a material shares a driver with share its draws of the activation energy, and so their age curves:
        each stage time is moved to the draw whose energy has the same rank.
        """
        if subject not in self._draws:
            found = self.learned.estimate(subject, draws=DRAWS)
            energy = self._energies.setdefault((subject.material, subject.driver), found.draws.activation_energy_kj_mol)
            self._draws[subject] = StageDraws(
                stage_h=_evened(found.draws)[_rank(energy)], energy_kj_mol=energy, checks=found.checks
            )
        return self._draws[subject]

    def own(self, subject: Subject, coat_id: int) -> Reals:
        """Stage times of a coat with checks of its own, in the order of :meth:`draws`. [h]"""
        if (subject, coat_id) not in self._own:
            found = self.learned.estimate(subject, coat_id=coat_id, draws=OWN_DRAWS).draws
            self._own[subject, coat_id] = _evened(found)[_rank(self.draws(subject).energy_kj_mol)]
        return self._own[subject, coat_id]

    def sheet(self, material: Material, stage: StageTime) -> StageTime:
        """The row of the data sheet that what was learned of a stage refers to."""
        return self.sheets.get((str(material.id), stage.stage), stage)


_kept: OrderedDict[bytes, ShopLearning] = OrderedDict()
_keeping = threading.Lock()


def subject_of(material: Material, stage: StageTime) -> Subject:
    """What learning knows a stage of a material by; the material's number does not change with an edit."""
    driver = leading_driver(material.chemistry, stage.stage)
    known: dict[str, float] = {}
    energy = drivers.distribution(driver, "activation_energy_kj_mol", material.chemistry)
    if energy is not None:
        known = {
            "activation_energy_kj_mol": energy.median,
            "activation_energy_log_sd": float(np.log(energy.spread)),
        }
    return Subject(
        material=str(material.id),
        stage=stage.stage,
        chemistry=material.chemistry,
        driver=driver,
        sheet_low_h=max(stage.low_h, LEAST_H),
        sheet_high_h=max(stage.high_h, LEAST_H),
        **known,
    )


def shop_learning(readings: ReadingStore, records: Records, settings: Settings, now_ms: int) -> ShopLearning:
    """What all checks of the shop tell; worked out again only when a check, its coat or its readings change."""
    return learned_from(records.checks(), records.coats(), records.places(), readings, settings, now_ms, logs={})


def learned_from(
    checks: Sequence[Check],
    coats: Sequence[Coat],
    places: Sequence[PiecePlace],
    readings: ReadingStore,
    settings: Settings,
    now_ms: int,
    *,
    logs: dict[Place, Log],
) -> ShopLearning:
    """As :func:`shop_learning`, from records already read.

    Parameters
    ----------
    logs : dict
        Logs read already; those needed and not there, or not reaching far enough back, are read and put there.
    """
    told = _told(checks, coats, now_ms)
    paths = _paths({each.coat.piece_id for each in told}, coats, places)
    start_ms = min((each.first_ms for each in told), default=now_ms)
    for place in {leg.place for path in paths.values() for leg in path if leg.booth}:
        if place not in logs or logs[place].time_ms[0] > start_ms + HOUR_MS:
            logs[place] = read_log(readings, place, start_ms, now_ms)
    key = _key(told, paths, logs, settings)
    with _keeping:
        if key in _kept:
            _kept.move_to_end(key)
            return _kept[key]
    made = _make(told, paths, logs, settings, now_ms)
    with _keeping:
        _kept[key] = made
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """A check of a stage the material has a time for, its coat, and the young coats beneath that."""

    check: Check
    coat: Coat
    beneath: tuple[Coat, ...]
    stage: StageTime

    @property
    def key(self) -> tuple[str, str]:
        return str(self.coat.mix.material.id), self.check.stage

    @property
    def first_ms(self) -> int:
        return min(_ms(laid(coat)) for coat in (self.coat, *self.beneath))


def _told(checks: Sequence[Check], coats: Sequence[Coat], now_ms: int) -> list[_Told]:
    by_id = {coat.id: coat for coat in coats}
    of_piece: dict[int, list[Coat]] = {}
    for each in sorted(coats, key=lambda one: (one.started_at, one.id)):
        of_piece.setdefault(each.piece_id, []).append(each)
    told = []
    for check in checks:
        coat = by_id.get(check.coat_id)
        stage = None if coat is None else next((s for s in coat.mix.material.stages if s.stage == check.stage), None)
        if coat is None or stage is None or not _ms(laid(coat)) <= _ms(check.at) <= now_ms:
            continue  # nothing to hold it against: no time of that stage, or a check from before the coat was laid
        stack = of_piece[coat.piece_id]
        beneath = young_beneath(coat, stack[: stack.index(coat)])
        told.append(_Told(check=check, coat=coat, beneath=beneath, stage=stage))
    return told


def _make(
    told: Sequence[_Told],
    paths: Mapping[int, Path],
    logs: Mapping[Place, Log],
    settings: Settings,
    now_ms: int,
) -> ShopLearning:
    first: dict[Path, int] = {}
    for each in told:
        path = paths[each.coat.piece_id]
        first[path] = min(first.get(path, each.first_ms), each.first_ms)
    around = {path: typical(path, logs, start, now_ms) for path, start in first.items()}
    # Where nothing was measured while a coat dried, its checks tell nothing of its age.
    told = [each for each in told if around[paths[each.coat.piece_id]] is not None]
    sheets: dict[tuple[str, str], StageTime] = {}
    subjects: dict[tuple[str, str], Subject] = {}
    for each in sorted(told, key=lambda one: (one.check.at, one.check.id)):
        sheets[each.key] = each.stage
        subjects[each.key] = subject_of(each.coat.mix.material, each.stage)
    groups: dict[tuple[Path, tuple[str, str]], list[_Told]] = {}
    for each in told:
        groups.setdefault((paths[each.coat.piece_id], each.key), []).append(each)
    curves: dict[Any, AgeCurve] = {}
    evidence: list[Evidence] = []
    for (path, key), members in groups.items():
        here, subject = around[path], subjects[key]
        assert here is not None
        ages, spreads = _ages(members, here, path, subject, sheets[key], settings, now_ms, curves)
        for each, age, spread in zip(members, ages, spreads, strict=True):
            evidence.append(
                Evidence(
                    subject=subject,
                    age_h=np.maximum(age, LEAST_AGE_H),
                    passed=each.check.passed,
                    check_id=each.check.id,
                    coat_id=each.coat.id,
                    at=each.check.at,
                    age_log_sd=float(spread),
                )
            )
    return ShopLearning(learned=learn(evidence), sheets=sheets, ages={each.check_id: each.age_h for each in evidence})


def _ages(
    members: Sequence[_Told],
    here: Surroundings,
    path: Path,
    subject: Subject,
    stage: StageTime,
    settings: Settings,
    now_ms: int,
    curves: dict[Any, AgeCurve],
) -> tuple[Reals, Reals]:
    """Ages of coats at their checks, checks by energies [h], and the standard uncertainty of ln age."""
    sheet, parts = sheet_of(stage), parts_of(subject.chemistry, subject.stage)
    start_h = np.array([[_from_now(_ms(laid(each.coat)), now_ms)] for each in members])
    at_h = np.array([[_from_now(_ms(each.check.at), now_ms)] for each in members])
    films = [dry_film(each.coat, settings.readiness.wet_film_um, np.zeros(1)) for each in members]
    film_um = np.stack([um for um, _ in films])
    film_um = np.where(np.isnan(film_um), sheet.dry_film_um, film_um)
    legs: list[tuple[AgeCurve, Reals]] = []
    for part in parts:
        driven = parameters(part.driver, subject.chemistry, ENERGIES_KJ_MOL if part.leading else None, typical=True)
        key = (path, part.driver, subject.chemistry, sheet, part.leading)
        if key not in curves:
            curves[key] = _rows(curve(driven, here, sheet))
        thicker = np.ones(film_um.shape)
        if part.driver == DIFFUSION:
            for i, each in enumerate(members):
                if each.beneath:
                    coats = (*each.beneath, each.coat)
                    laid_h = [_from_now(_ms(laid(coat)), now_ms) for coat in coats]
                    stack = stack_of(coats, laid_h, _row(curves[key]), sheet, settings)
                    thicker[i] = thickening(*stack, subject.sheet_middle_h, sheet.dry_film_um)
        legs.append((curves[key], scale(part, driven, film_um * thicker, sheet)))
    ages = stage_hours(start_h, at_h, legs)
    lead = legs[next(i for i, part in enumerate(parts) if part.leading)][0]
    middle = _row(lead)
    per_kelvin = 1000.0 * ENERGIES_KJ_MOL[_MIDDLE] / GAS_CONSTANT / (here.now_c + ZERO_C) ** 2
    spreads = []
    for i, (_, note) in enumerate(films):
        inside = tuple(gap for gap in here.gaps if gap.end_h > start_h[i, 0] and gap.start_h < at_h[i, 0])
        gained = float(middle.at(at_h[i, 0]) - middle.at(start_h[i, 0]))
        unknown = float(gap_uncertainty_h(middle, inside, per_kelvin)) / max(gained, LEAST_AGE_H)
        spreads.append(min(float(np.hypot(unknown, UNMEASURED_LOG_SD if note else 0.0)), 3.0))
    return np.broadcast_to(ages, (len(members), ENERGIES_KJ_MOL.size)), np.array(spreads)


_MIDDLE: Final = int(np.argmin(np.abs(ENERGIES_KJ_MOL - 60.0)))


def _evened(drawn: Draws) -> Reals:
    """Weighted stage times as equally likely ones, in the order of their activation energies."""
    order = np.argsort(drawn.activation_energy_kj_mol, kind="stable")
    cumulative = np.cumsum(drawn.weight[order])
    wanted = (np.arange(DRAWS) + 0.5) / DRAWS * cumulative[-1]
    return np.asarray(drawn.stage_h[order][np.minimum(np.searchsorted(cumulative, wanted), order.size - 1)])


def _rank(values: Reals) -> npt.NDArray[np.intp]:
    return np.argsort(np.argsort(values, kind="stable"), kind="stable")


def _row(of: AgeCurve) -> AgeCurve:
    """A curve at a middling activation energy."""
    return AgeCurve(time_h=of.time_h, rate=of.rate[_MIDDLE], age_h=of.age_h[_MIDDLE])


def _rows(of: AgeCurve) -> AgeCurve:
    """A curve with a row for each energy, also where its driver does not answer to one."""
    if of.age_h.ndim > 1:
        return of
    shape = (ENERGIES_KJ_MOL.size, of.time_h.size)
    return AgeCurve(
        time_h=of.time_h,
        rate=np.ascontiguousarray(np.broadcast_to(of.rate, shape)),
        age_h=np.ascontiguousarray(np.broadcast_to(of.age_h, shape)),
    )


def _paths(pieces: Iterable[int], coats: Sequence[Coat], places: Sequence[PiecePlace]) -> dict[int, Path]:
    wanted = set(pieces)
    of: dict[int, tuple[list[Coat], list[PiecePlace]]] = {piece: ([], []) for piece in wanted}
    for coat in coats:
        if coat.piece_id in wanted:
            of[coat.piece_id][0].append(coat)
    for place in places:
        if place.piece_id in wanted:
            of[place.piece_id][1].append(place)
    return {piece: path_of(*found) for piece, found in of.items()}


def _key(told: Sequence[_Told], paths: Mapping[int, Path], logs: Mapping[Place, Log], settings: Settings) -> bytes:
    """What the evidence follows from: checks, coats, paths, and the readings up to the last check."""
    until_ms = max((_ms(each.check.at) for each in told), default=0)
    since_ms = min((each.first_ms for each in told), default=0)
    made = hashlib.blake2b(repr((settings.readiness.wet_film_um, sorted(paths.items()))).encode(), digest_size=20)
    for each in told:
        made.update(repr((each.check.id, each.check.at, each.check.stage, each.check.passed)).encode())
        for coat in (*each.beneath, each.coat):
            made.update(_print(coat))
    for place in sorted({leg.place for path in paths.values() for leg in path if leg.booth}):
        log = logs[place]
        inside = (log.time_ms >= since_ms) & (log.time_ms <= until_ms)
        # Of the hours only; the last day's ten minutes become hours by and by, and it is enough to count them.
        whole = inside & (log.width_h >= 1.0)
        made.update(repr(int(np.isfinite(log.air_c[inside & ~whole]).sum())).encode())
        made.update(repr(place).encode())
        for values in (log.air_c, log.relative_humidity_pct, log.air_speed_m_s):
            made.update(values[whole].tobytes())
    return made.digest()


def _print(coat: Coat) -> bytes:
    """What of a coat its age follows from."""
    mix, material = coat.mix, coat.mix.material
    film = (coat.wet_film_low_um, coat.wet_film_high_um, mix.reducer_fraction, mix.retarder_fraction)
    made_of = (material.id, material.version, material.chemistry, material.solids_volume_fraction, material.stages)
    return repr((coat.id, coat.piece_id, coat.started_at, coat.ended_at, film, made_of)).encode()


def _from_now(time_ms: int, now_ms: int) -> float:
    return (time_ms - now_ms) / HOUR_MS


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
