"""Coats yet to be sprayed: of which material, how thick, and how long their stages will take.

A stage takes the time learned, for the film the shop lays, on the young coats beneath, stretched as the coats on the
rack are by where they stand. It is a sketch for a date weeks off; a coat on the rack is reckoned from its own log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from collector.advice.coat_progress import Rack
from collector.advice.coat_stack import YOUNG, laid, thickening
from collector.advice.shop_learning import ShopLearning, subject_of
from collector.advice.stage_legs import dry_film, leading_driver
from collector.advice.step_times import Reals
from collector.physics.drying_drivers import DIFFUSION
from collector.records.model import Coat, Material, StageTime
from collector.reference import drivers
from collector.settings import Settings

UNSTRETCHED_LOG_SD: Final = 0.4
"""Spread, ln, of how far drying in the shop is from the data sheet's conditions, where no coat tells; judgement."""

LEAST_LOG_SD: Final = 0.2
FILMS: Final = 5
"""How many of a material's last coats tell the film of the next."""

LEAST_H: Final = 1e-3
_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """How many times longer than at the data sheet's conditions coats take where they stand: median and ln spread."""

    times: float = 1.0
    log_sd: float = UNSTRETCHED_LOG_SD


class Shelf:
    """The shop's materials with what its coats tell of them.

    Parameters
    ----------
    coats : sequence of Coat
        All of the shop's.
    rack : Rack
        Tells by its last coats how the shop's conditions stretch drying.
    """

    def __init__(
        self,
        coats: Sequence[Coat],
        materials: Sequence[Material],
        learning: ShopLearning,
        rack: Rack,
        settings: Settings,
    ) -> None:
        self._coats = sorted(coats, key=lambda one: one.started_at, reverse=True)
        self._materials, self._learning = materials, learning
        self._usual_um = settings.readiness.wet_film_um
        self.stretch = Stretch()
        self.stretch = self._stretch(rack)

    def material(self, name: str, role: str, piece_id: int) -> Material | None:
        """The one named; else that last used for the role, on the piece before any other; else any of the role."""
        named = [each for each in self._materials if each.name.casefold() == name.casefold()]
        if named:
            return named[0]
        used = [coat for coat in self._coats if coat.mix.material.role == role]
        own = [coat for coat in used if coat.piece_id == piece_id]
        if own or used:
            return (own or used)[0].mix.material
        return next((each for each in self._materials if each.role == role), None)

    def laid_on(self, piece_id: int) -> list[datetime]:
        """When the coats of a piece were laid, the lowest first."""
        return [laid(coat) for coat in reversed(self._coats) if coat.piece_id == piece_id]

    def film_um(self, material: Material) -> float | None:
        """Dry film of its next coat: the median of its last ones, or of the shop's usual wet film. [µm]"""
        own = [coat for coat in self._coats if coat.mix.material.id == material.id][:FILMS]
        films = [float(dry_film(coat, self._usual_um, np.zeros(1))[0][0]) for coat in own]
        known = [um for um in films if um == um]  # NaN where its solids are not known
        if known:
            return float(np.median(known))
        return self._usual_um * material.solids_volume_fraction if material.solids_volume_fraction else None

    def stage_h(self, material: Material | None, stage: str, normal: Reals, beneath_h: Sequence[float] = ()) -> Reals:
        """Hours from a coat's end to a stage; 0 where its sheet gives no time.

        Parameters
        ----------
        normal : array
            Standard normals, one a draw.
        beneath_h : sequence of float
            From the coats beneath to this one, the lowest first; all are taken as thick as this one. [h]
        """
        rows = () if material is None else material.stages
        at = next((i for i, row in enumerate(rows) if row.stage == stage), None)
        if material is None or at is None:
            return np.zeros(normal.shape)
        film_um = self.film_um(material)
        # No stage before one that comes before it.
        middle_h = max(self._middle_h(material, row, film_um, beneath_h) for row in rows[: at + 1])
        known = np.log(np.maximum(self._learning.draws(subject_of(material, rows[at])).stage_h, LEAST_H))
        spread = float(np.hypot(np.std(known), self.stretch.log_sd))
        return np.asarray(self.stretch.times * middle_h * np.exp(spread * normal))

    def _middle_h(self, material: Material, row: StageTime, film_um: float | None, beneath_h: Sequence[float]) -> float:
        """Median time of a stage at the sheet's climate. [h]"""
        learned_h = max(float(np.median(self._learning.draws(subject_of(material, row)).stage_h)), LEAST_H)
        driver = leading_driver(material.chemistry, row.stage)
        answers = drivers.distribution(driver, "film_exponent", material.chemistry)
        sheet_um = max(row.dry_film_um, 1.0)
        film = sheet_um if film_um is None else max(film_um, 1.0)
        thicker = film / sheet_um
        young = [h for h in beneath_h if h <= YOUNG / _HOUR]
        if young and driver == DIFFUSION:
            waits = tuple(max(one - other, 0.0) / self.stretch.times for one, other in pairwise([*young, 0.0]))
            thicker *= thickening((film,) * (len(young) + 1), waits, learned_h, sheet_um)
        return learned_h * float(thicker ** (0.0 if answers is None else answers.median))

    def _stretch(self, rack: Rack) -> Stretch:
        logs = []
        for each in rack.pieces:
            last = each.last
            if last is None or last.coat.ended_at is None:
                continue
            beneath = [(last.coat.ended_at - at) / _HOUR for at in self.laid_on(each.piece.id)]
            for stage in last.stages:
                usual = float(self.stage_h(last.coat.mix.material, stage.stage, np.zeros(1), beneath[:-1])[0])
                if usual > 0.0 and stage.ready.p50 is not None and stage.ready.p50 > last.coat.ended_at:
                    logs.append(np.log((stage.ready.p50 - last.coat.ended_at) / _HOUR / usual))
        if not logs:
            return Stretch()
        return Stretch(times=float(np.exp(np.median(logs))), log_sd=max(LEAST_LOG_SD, float(np.std(logs))))
