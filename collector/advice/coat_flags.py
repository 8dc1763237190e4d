"""What stays true of a coat whatever comes, and the pot life of the mix it is sprayed with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from collector.advice import recoat_window
from collector.advice.coat_curves import Curves
from collector.advice.coat_history import LONGEST_STEP_H
from collector.advice.coat_progress import PotLife
from collector.advice.display import Units
from collector.advice.stage_legs import leading_driver, sheet_of
from collector.advice.surroundings import normals
from collector.physics.cure_gates import film_forming, pot_life
from collector.physics.drying_drivers import REACTION
from collector.records.model import Coat

NEVER_ENDED: Final = timedelta(hours=4)
"""A coat open for longer than this was not ended, rather than is being sprayed."""

FORMING_H: Final = 24.0
"""A film forms in this time at most, where the sheet gives no time to recoat. [h]"""

POT_LOG_SD: Final = 0.25
"""How well a data sheet's pot life holds. Judgement, no source."""

CATALYSED: Final = ("two_component_urethane", "conversion_varnish")


def flags_of(coat: Coat, beneath: Sequence[Coat], curves: Curves, at: datetime, units: Units) -> tuple[str, ...]:
    """Flags of a coat: those of the coats beneath count too, as they stay in the film."""
    flags = []
    if coat.ended_at is None and at - coat.started_at > NEVER_ENDED:
        flags.append("never ended: taken as laid when it began; end it with the time it was finished")
    for each in (*beneath, coat):
        words = _too_cold(each, curves, at, units)
        if words:
            flags.append(words if each is coat else f"a coat beneath ({each.started_at:%Y-%m-%d}): {words}")
    if beneath and _was_closed(beneath[-1], coat, curves, at):
        flags.append("laid while the recoat window of the coat beneath was closed: watch for wrinkling and lifting")
    return tuple(flags)


def pot_life_of(coat: Coat, curves: Curves, at: datetime) -> PotLife | None:
    """Pot life of the mix, while it can still be sprayed; None where it has none, or nobody noted when it was mixed."""
    mix, lasting = coat.mix, coat.mix.material.pot_life_h
    if lasting is None or lasting <= 0 or mix.mixed_at is None or mix.mixed_at > at:
        return None
    if mix.material.chemistry not in CATALYSED and mix.catalyst_fraction <= 0:
        return None
    mixed_h = (mix.mixed_at - at).total_seconds() / 3600.0
    if mixed_h < curves.around.time_h[0]:
        return None
    _, of = curves.drawn(REACTION, mix.material.chemistry, recoat_window.ROOM, None)
    found = pot_life(of, mixed_h, 0.0, lasting * np.exp(POT_LOG_SD * normals(8, 1)[:, 6]))
    ends = recoat_window.moment(np.asarray(found.ends_h), at)
    if coat.ended_at is not None and ends.p50 is not None and ends.p50 <= at:
        return None
    return PotLife(share_used=float(np.median(found.share_used)), ends=ends)


def _too_cold(coat: Coat, curves: Curves, at: datetime, units: Units) -> str:
    least = coat.mix.material.minimum_film_forming_c
    laid_h = ((coat.ended_at or coat.started_at) - at).total_seconds() / 3600.0
    if least is None or laid_h < curves.around.time_h[0]:
        return ""
    recoat = next((s.high_h for s in coat.mix.material.stages if s.stage == "dry_to_recoat"), FORMING_H)
    formed_h = min(laid_h + recoat, 0.0)
    read_h, read_c = curves.around.read_h, curves.around.read_c
    if not read_h.size:
        return ""
    found = film_forming(read_h, read_c, least, laid_h=laid_h, formed_h=max(formed_h, laid_h), max_gap_h=LONGEST_STEP_H)
    if not found.below or found.lowest_c is None:
        return ""
    return (
        f"laid below its minimum film-forming temperature: {units.temperature(found.lowest_c)} at the coldest, "
        f"{units.temperature(least)} is the least; no later warmth mends that"
    )


def _was_closed(lower: Coat, coat: Coat, curves: Curves, at: datetime) -> bool:
    material = lower.mix.material
    window = material.recoat
    if window is None or window.soft_end_h is None:
        return False
    laid_h = ((lower.ended_at or lower.started_at) - at).total_seconds() / 3600.0
    then_h = min((coat.started_at - at).total_seconds() / 3600.0, 0.0)
    if laid_h < curves.around.time_h[0] or then_h < laid_h:
        return False
    row = next((stage for stage in material.stages if stage.stage == "dry_to_recoat"), None)
    sheet = recoat_window.ROOM if row is None else sheet_of(row)
    driver = leading_driver(material.chemistry, "dry_hard")
    of = curves.typical(driver, material.chemistry, sheet)
    age = float(np.asarray(of.at(then_h) - of.at(laid_h)))
    return age > window.soft_end_h and (window.reopen_h is None or age < window.reopen_h)
