"""The limits a wet coat itself sets: chance of blush, airflow proof, and the vapour its spraying will make.

What is not recorded is assumed and said: reducer and catalyst are counted as the material's own solvents, the
retarder as the one the shop names, the wet film as the shop's usual one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.advice import airflow
from collector.advice.blush import DRAWS, LIKELY_FROM, Blush, Situation, blush, chill_after
from collector.advice.booth_state import BoothState
from collector.advice.display import Units, duration
from collector.advice.limits import CANNOT_TELL, GO, HOLD, MARGINAL, Limit, Source, unknown
from collector.advice.spray_vapour import evaporating, predicted_vapour
from collector.advice.vapour import FIRE, YARDSTICK_WORDS
from collector.advice.ways_out import Drift, WayOut, ways_out
from collector.errors import NotFound, RecordError
from collector.physics.evaporation import SOLIDS_DENSITY_KG_M3
from collector.records.model import Coat, Material, Mix, Piece
from collector.records.repository import Records
from collector.reference.substrates import substrate
from collector.settings import Settings

CHILLED_FOR: Final = timedelta(minutes=20)
"""A coat laid longer ago than this leaves no chill worth reckoning."""

LONGEST_COAT: Final = timedelta(hours=2)

AIR_STEP_K: Final = 0.2
"""Temperatures are taken to this, less than their sensors can tell, so that noise alone asks for no new answer."""

DRAUGHT_M_S: Final = 0.3
DRAUGHT_SPREAD: Final = 0.6
"""Air past the piece, and the relative spread of it, where no velocity is measured. Judgement, no source."""

USUAL_SOLIDS_MASS: Final = 0.2

SPRAY_MINUTES: Final = 5.0
"""How long a coat is sprayed when its vapour is predicted. Judgement, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """The readings that govern a wet coat: those that leave the least room above the dew point."""

    air: Source
    damp: Source
    surface: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class WetCoatAnswer:
    """Limits of a wet coat with what they rest on.

    Attributes
    ----------
    limits : tuple of Limit
    situation, blush : Situation, Blush or None
        None where the chance of blush cannot be told.
    cautions : tuple of str
        What is not judged, and why.
    """

    limits: tuple[Limit, ...]
    situation: Situation | None
    blush: Blush | None
    cautions: tuple[str, ...]


def judge(
    state: BoothState,
    mix: Mix,
    piece: Piece | None,
    climate: Climate | None,
    settings: Settings,
    earlier: Coat | None = None,
    blush_of: Callable[[Situation], Blush] = blush,
) -> WetCoatAnswer:
    """Judge a coat of a mix about to be sprayed.

    Parameters
    ----------
    climate : Climate or None
        None where the readings do not give one.
    earlier : Coat, optional
        The piece's last coat: a coat on top of it within minutes starts on a chilled piece.
    blush_of : callable
        Takes about a second; a screen that must not wait hands in one that works aside.
    """
    proof = airflow.airflow_proof(state, settings)
    limits: list[Limit] = []
    cautions: list[str] = []
    found: Blush | None = None
    situation: Situation | None = None
    if not mix.material.solvents:
        cautions.append(f"Blush and vapour are not judged: no solvents are entered for {mix.material.name}.")
    elif climate is None:
        limits.append(_no_blush("The chance of blush is not known: it needs air temperature, humidity and surface"))
    else:
        try:
            situation = situation_of(climate, mix, piece, proof, settings, earlier, state.now_ms)
            found = blush_of(situation)
        except (NotFound, RecordError, ValueError) as error:
            cautions.append(f"Blush is not judged: {error}.")
        else:
            limits.append(_blush_limit(situation, found, climate, settings, _minutes_since(earlier, state.now_ms)))
    if proof.state == "no sensor":
        cautions.append("Airflow is not measured here: see for yourself that the exhaust runs.")
    else:
        limits.append(_airflow_limit(proof))
    if mix.material.solvents:
        vapour, told = _vapour_limit(state, mix, proof, settings)
        limits += [vapour] if vapour else []
        cautions += [told] if told else []
    return WetCoatAnswer(limits=tuple(limits), situation=situation, blush=found, cautions=tuple(cautions))


def situation_of(
    climate: Climate,
    mix: Mix,
    piece: Piece | None,
    proof: airflow.AirflowProof,
    settings: Settings,
    earlier: Coat | None,
    now_ms: int,
) -> Situation:
    """The coat as the blush model takes it, rounded to what the sensors can tell, so that equal states are equal."""
    ours = settings.readiness
    measured = proof.quantity == airflow.VELOCITY and proof.value is not None
    under = substrate(piece.substrate if piece else "other")
    thickness = piece.thickness_mm if piece and piece.thickness_mm else under.thickness_mm
    now = Situation(
        blend=blend_of(mix, ours.retarder),
        solids_mass_fraction=solids_mass_fraction(mix),
        wet_film_um=ours.wet_film_um,
        air_c=_to(AIR_STEP_K, climate.air.value),
        air_u_k=round(max(climate.air.uncertainty, 0.05), 2),
        relative_humidity_pct=float(round(min(climate.damp.value, 100.0))),
        humidity_u_pct=round(max(climate.damp.uncertainty, 0.1), 1),
        part_c=_to(AIR_STEP_K, climate.surface.value),
        part_u_k=round(max(climate.surface.uncertainty, 0.05), 2),
        air_speed_m_s=round(proof.value, 1) if measured and proof.value is not None else DRAUGHT_M_S,
        speed_u=0.3 if measured else DRAUGHT_SPREAD,
        substrate=under.name,
        thickness_mm=thickness,
        length_m=ours.face_length_m,
    )
    minutes = _minutes_since(earlier, now_ms)
    if earlier is None or minutes is None:
        return now
    before = replace(
        now,
        blend=blend_of(earlier.mix, ours.retarder),
        solids_mass_fraction=solids_mass_fraction(earlier.mix),
        wet_film_um=wet_film_um(earlier, ours.wet_film_um),
    )
    # The surface sensor looks at a panel or at the shelf, not at the wet piece; the chill comes on top of it.
    return replace(now, chill_k=tuple(round(layer, 1) for layer in chill_after(before, 60.0 * max(minutes, 1))))


def _to(step: float, value: float) -> float:
    return round(step * round(value / step), 3)


def blend_of(mix: Mix, retarder: str) -> tuple[tuple[str, float], ...]:
    """Solvents of a mix as sprayed, by mass of the volatile part.

    Raises
    ------
    RecordError, NotFound
        As :func:`collector.advice.spray_vapour.evaporating`.
    """
    volatile = evaporating(mix).blend
    shares = dict(zip(volatile.names, (float(share) for share in volatile.mass_fractions), strict=True))
    if mix.retarder_fraction:
        material = mix.material
        own = 1.0 - (material.solids_volume_fraction or 0.0)
        share = mix.retarder_fraction / (own + mix.reducer_fraction + mix.retarder_fraction)
        shares = {name: fraction * (1 - share) for name, fraction in shares.items()}
        shares[retarder] = shares.get(retarder, 0.0) + share
    return tuple(shares.items())


def solids_mass_fraction(mix: Mix) -> float:
    """Solids of a mix as sprayed, by mass; a usual lacquer's where the material does not tell."""
    material = mix.material
    if material.solids_volume_fraction is None or material.density_kg_m3 is None:
        return USUAL_SOLIDS_MASS
    supplied = material.solids_volume_fraction * SOLIDS_DENSITY_KG_M3 / material.density_kg_m3
    thinned = supplied / (1 + mix.reducer_fraction + mix.retarder_fraction)
    return round(min(max(thinned, 0.0), 0.9), 3)


def wet_film_um(coat: Coat, usual_um: float) -> float:
    """Wet film of a coat: the middle of its comb gauge reading, or the usual one. [µm]"""
    ends = [end for end in (coat.wet_film_low_um, coat.wet_film_high_um) if end is not None]
    return max(1.0, sum(ends) / len(ends)) if ends else usual_um


def ways_to_go(answer: WetCoatAnswer, limits: Sequence[Limit], settings: Settings) -> tuple[WayOut, ...]:
    """What would bring the chance of blush under the shop's limit; empty where it is there already.

    Parameters
    ----------
    limits : sequence of Limit
        The booth's, whose trends tell how it moves by itself.
    """
    if answer.situation is None or answer.blush is None or answer.blush.waterborne:
        return ()
    limit = settings.readiness.blush_limit_pct / 100
    if answer.blush.probability <= limit:
        return ()
    rates = {item.name: _rate(item) for item in limits}
    drift = Drift(
        air_k_h=rates.get("air_temperature"),
        humidity_pct_h=rates.get("relative_humidity"),
        part_k_h=rates.get("surface_temperature"),
    )
    return ways_out(
        answer.situation,
        limit,
        retarder=settings.readiness.retarder,
        least_air_speed_m_s=settings.ventilation.face_velocity_min_m_s,
        drift=drift,
        units=settings.shop.units,
    )


def mix_in_use(records: Records, material: Material) -> Mix:
    """The newest mix of a material as it is now; the material as supplied where none was mixed."""
    for mix in records.mixes():
        if (mix.material.id, mix.material.version) == (material.id, material.version):
            return mix
    return Mix(material=material)


def last_coat(records: Records, piece: Piece | None, now_ms: int) -> Coat | None:
    """The newest coat on a piece, if it is new enough to matter to the next."""
    if piece is None:
        return None
    since = datetime.fromtimestamp(now_ms / 1000, UTC) - LONGEST_COAT - CHILLED_FOR
    return next(iter(records.coats(piece_id=piece.id, since=since)), None)


def _rate(limit: Limit) -> float | None:
    found = limit.trend
    if found is None or found.per_hour_low <= 0.0 <= found.per_hour_high:
        return None
    return round(found.per_hour, 1)


def _minutes_since(earlier: Coat | None, now_ms: int) -> int | None:
    if earlier is None or earlier.ended_at is None:
        return None
    since = datetime.fromtimestamp(now_ms / 1000, UTC) - earlier.ended_at
    return math.floor(since.total_seconds() / 60) if timedelta(0) <= since <= CHILLED_FOR else None


def _blush_limit(
    situation: Situation, found: Blush, climate: Climate, settings: Settings, since_min: int | None
) -> Limit:
    show, ours = Units(settings.shop.units), settings.readiness
    if found.waterborne:
        return Limit(
            name="blush", label="Chance of blush", unit="%", verdict=GO, value=0.0, standard_uncertainty=0.0,
            high=ours.blush_limit_pct, guarded_high=ours.blush_limit_pct, node=climate.damp.node,
            reason="A waterborne coat is mostly water and does not blush; damp air only slows it",
        )  # fmt: skip
    chance = 100 * found.probability
    verdict = GO if chance <= ours.blush_limit_pct else MARGINAL if chance < 100 * LIKELY_FROM else HOLD
    film = (
        f"film down to {show.temperature(found.min_film_c)} ({show.temperature(found.min_film_low_c).split()[0]} to "
        f"{show.temperature(found.min_film_high_c)})"
    )
    place = "above" if found.min_margin_k >= 0 else "below"
    why = f"{film}, {show.difference(abs(found.min_margin_k))} {place} the dew point"
    if found.separating is not None and found.separating > max(found.condensing, 0.05):
        why += "; water it takes up from the air would separate as the quick solvents leave"
    elif found.condensing > 0.05:
        why += f"; up to {found.condensed_high_g_m2:.1f} g/m² of water would settle on it"
    if since_min is not None:
        why += f"; the piece is still chilled by the coat of {duration(60 * since_min)} ago"
    return Limit(
        name="blush",
        label="Chance of blush",
        unit="%",
        verdict=verdict,
        reason=f"Blush is {'not expected' if found.word == 'none' else found.word}: {why}",
        value=chance,
        standard_uncertainty=100 * math.sqrt(max(found.probability * (1 - found.probability), 1 / DRAWS) / DRAWS),
        high=ours.blush_limit_pct,
        guarded_high=ours.blush_limit_pct,
        node=climate.damp.node,
    )


def _no_blush(reason: str) -> Limit:
    return unknown("blush", "Chance of blush", "%", None, None, reason)


def _airflow_limit(proof: airflow.AirflowProof) -> Limit:
    return Limit(
        name="airflow",
        label="Exhaust",
        unit=proof.unit or "m/s",
        verdict=proof.verdict,
        reason=proof.reason,
        value=proof.value,
        standard_uncertainty=proof.standard_uncertainty,
        low=proof.low,
        guarded_low=proof.guarded_low,
        node=proof.node,
    )


def _vapour_limit(
    state: BoothState, mix: Mix, proof: airflow.AirflowProof, settings: Settings
) -> tuple[Limit | None, str]:
    """The peak of a usual coat's vapour against the shop's ceiling against fire; breathing is told beside it."""
    flow = airflow.flow_now(state, proof, settings)
    if proof.state == "not running":
        return None, ""  # the exhaust says it already
    found = predicted_vapour(mix, settings, flow, minutes=SPRAY_MINUTES)
    if not found.known:
        return None, f"{found.reason}."
    fire = next(each for each in found.against if each.yardstick == FIRE)
    ceiling = settings.ventilation.lfl_ceiling_pct
    if fire.value is None:
        return None, "Vapour is not judged: no flammable limit is known for these solvents."
    breathing = [
        f"{each.value:.1f} times the {YARDSTICK_WORDS[each.yardstick]}"
        for each in found.against
        if each.yardstick != FIRE and each.value is not None
    ]
    reason = (
        f"Spraying {found.rate_ml_min:.0f} ml/min would make {found.peak_ppm:.0f} ppm, {fire.value:.1f} % of the "
        f"flammable limit (your ceiling: {ceiling:g} %)"
    )
    if breathing:
        reason += f". Breathing it: {' and '.join(breathing)}"
    spread = None if fire.low is None or fire.high is None else (fire.high - fire.low) / 3.29
    return (
        Limit(
            name="vapour",
            label="Vapour while spraying",
            unit="%EL",
            verdict=CANNOT_TELL if fire.verdict == CANNOT_TELL else fire.verdict,
            reason=reason,
            value=fire.value,
            standard_uncertainty=spread,
            high=ceiling,
            guarded_high=ceiling,
            node="",
        ),
        "",
    )
