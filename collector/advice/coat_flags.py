"""What stays true of a coat whatever comes, and the pot life of the mix it is sprayed with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import recoat_window
from collector.advice.coat_history import LONGEST_STEP_H
from collector.advice.coat_progress import PotLife
from collector.advice.display import Units
from collector.advice.stage_legs import curve, leading_driver, parameters, sheet_of
from collector.advice.surroundings import Surroundings, normals
from collector.physics.cure_gates import film_forming, pot_life
from collector.physics.drying_drivers import REACTION, SheetConditions
from collector.records.model import Coat

NEVER_ENDED: Final = timedelta(hours=4)
"""A coat open for longer than this was not ended, rather than is being sprayed."""

FORMING_H: Final = 24.0
"""A film forms in this time at most, where the sheet gives no time to recoat. [h]"""

POT_LOG_SD: Final = 0.25
"""How well a data sheet's pot life holds. Judgement, no source."""

CATALYSED: Final = ("two_component_urethane", "conversion_varnish")


def flags_of(coat: Coat, beneath: Sequence[Coat], around: Surroundings, at: datetime, units: Units) -> tuple[str, ...]:
    """Flags of a coat: those of the coats beneath count too, as they stay in the film."""
    flags = []
    if coat.ended_at is None and at - coat.started_at > NEVER_ENDED:
        flags.append("never ended: taken as laid when it began; end it with the time it was finished")
    for each in (*beneath, coat):
        words = _too_cold(each, around, at, units)
        if words:
            flags.append(words if each is coat else f"a coat beneath ({each.started_at:%Y-%m-%d}): {words}")
    if beneath and _was_closed(beneath[-1], coat, around, at):
        flags.append("laid while the recoat window of the coat beneath was closed: watch for wrinkling and lifting")
    return tuple(flags)


def pot_life_of(coat: Coat, around: Surroundings, at: datetime, now_ms: int) -> PotLife | None:
    """Pot life of the mix, while it can still be sprayed; None where it has none, or nobody noted when it was mixed."""
    mix, lasting = coat.mix, coat.mix.material.pot_life_h
    if lasting is None or lasting <= 0 or mix.mixed_at is None or mix.mixed_at > at:
        return None
    if mix.material.chemistry not in CATALYSED and mix.catalyst_fraction <= 0:
        return None
    mixed_h = (mix.mixed_at - at).total_seconds() / 3600.0
    if mixed_h < around.time_h[0]:
        return None
    driven = parameters(REACTION, mix.material.chemistry, None)
    room = SheetConditions(at_c=23.0, at_relative_humidity_pct=50.0, air_speed_m_s=0.0, dry_film_um=25.0)
    found = pot_life(curve(driven, around, room), mixed_h, 0.0, lasting * np.exp(POT_LOG_SD * normals(8, 1)[:, 6]))
    ends = recoat_window.moment(np.asarray(found.ends_h), at)
    if coat.ended_at is not None and ends.p50 is not None and ends.p50 <= at:
        return None
    return PotLife(share_used=float(np.median(found.share_used)), ends=ends)


def _too_cold(coat: Coat, around: Surroundings, at: datetime, units: Units) -> str:
    least = coat.mix.material.minimum_film_forming_c
    laid_h = ((coat.ended_at or coat.started_at) - at).total_seconds() / 3600.0
    if least is None or laid_h < around.time_h[0]:
        return ""
    recoat = next((s.high_h for s in coat.mix.material.stages if s.stage == "dry_to_recoat"), FORMING_H)
    formed_h = min(laid_h + recoat, 0.0)
    past = around.time_h <= 0.0
    air = around.air_c[..., past]
    middle = air if air.ndim == 1 else np.median(air, axis=0)
    found = film_forming(
        around.time_h[past], middle, least, laid_h=laid_h, formed_h=max(formed_h, laid_h), max_gap_h=LONGEST_STEP_H
    )
    if not found.below or found.lowest_c is None:
        return ""
    return (
        f"laid below its minimum film-forming temperature: {units.temperature(found.lowest_c)} at the coldest, "
        f"{units.temperature(least)} is the least; no later warmth mends that"
    )


def _was_closed(lower: Coat, coat: Coat, around: Surroundings, at: datetime) -> bool:
    material = lower.mix.material
    window = material.recoat
    if window is None or window.soft_end_h is None:
        return False
    laid_h = ((lower.ended_at or lower.started_at) - at).total_seconds() / 3600.0
    then_h = min((coat.started_at - at).total_seconds() / 3600.0, 0.0)
    if laid_h < around.time_h[0] or then_h < laid_h:
        return False
    row = next((stage for stage in material.stages if stage.stage == "dry_to_recoat"), None)
    sheet = recoat_window.ROOM if row is None else sheet_of(row)
    driver = leading_driver(material.chemistry, "dry_hard")
    of = curve(parameters(driver, material.chemistry, None, typical=True), _middle(around), sheet)
    age = float(np.asarray(of.at(then_h) - of.at(laid_h)))
    return age > window.soft_end_h and (window.reopen_h is None or age < window.reopen_h)


def _middle(around: Surroundings) -> Surroundings:
    """The likeliest surroundings until now, without draws."""
    if around.air_c.ndim == 1:
        return around
    past = around.time_h <= 0.0
    return Surroundings(
        time_h=around.time_h[past],
        air_c=np.median(around.air_c[:, past], axis=0),
        relative_humidity_pct=np.median(around.relative_humidity_pct[:, past], axis=0),
        air_speed_m_s=np.median(around.air_speed_m_s[:, past], axis=0),
        now_c=around.now_c,
        now_pct=around.now_pct,
        now_m_s=around.now_m_s,
        gaps=around.gaps,
        notes=(),
    )
