"""Rules about the booth: conditions and blush while a coat is wet, vapour, airflow, filter.

Each has two thresholds: past the first an alert is raised, and an open one stays until the second is passed back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from collector.advice.air import DETECTOR_CAUTION, AirState
from collector.advice.airflow import AirflowProof
from collector.advice.limits import CANNOT_TELL, GO, HOLD, SEVERITY, Limit
from collector.advice.vapour import FIRE, YARDSTICK_WORDS, Against
from collector.alerts.condition import AIRFLOW, BLUSH, FILTER_DUE, LIMITS_LEFT, VAPOUR, Condition, Rule
from collector.alerts.phrases import listed, sentence
from collector.alerts.snapshot import AIR, FILTERS, READINGS, WET, Snapshot, WetCoat
from collector.records.alerts import DANGER, NOTICE, WARNING
from collector.records.model import ISOCYANATE_CAUTION

CLIMATE: Final = ("air_temperature", "surface_temperature", "relative_humidity", "dew_point_margin")

CALM_SHARE: Final = 0.8
"""Vapour is under the ceiling again at this share of it; a plume wafts about more than that. Judgement."""

BLUSH_CALM_SHARE: Final = 0.5
"""Blush conditions are over at half the chance the shop accepts. Judgement, no source."""

PRECEDENCE: Final = "Your local fire and air rules and the product's safety data sheet take precedence."
NEITHER: Final = "Nothing here proves the air fit to breathe."


def limits_left(snapshot: Snapshot) -> list[Condition]:
    """Conditions that left a material's limits while a coat of it is sprayed or flashes off.

    Raised where a limit holds, over where it is kept with its guard band.
    """
    found = []
    for coats in _together(snapshot.wet):
        for name in CLIMATE:
            limit = max((_limit(each, name) for each in coats), key=_severity, default=None)
            if limit is None or limit.verdict == GO:
                continue
            coat = coats[0].coat
            spraying = any(each.spraying for each in coats)
            found.append(
                Condition(
                    kind=LIMITS_LEFT,
                    subject=f"{coat.booth} material {coat.mix.material.id} {name}",
                    booth=coat.booth,
                    raised=limit.verdict == HOLD,
                    level=WARNING,
                    what=f"{limit.label} has left the limits of {coat.mix.material.name}, wet on {_pieces(coats)}",
                    why=sentence(limit.reason),
                    what_to_do="Spray no further coat until it is back within them; watch the coat that is wet."
                    if spraying
                    else "Let the coat flash off where the limits are kept, if it can be moved; look at it before the "
                    "next one.",
                    caution=_isocyanate(coats),
                )
            )
    return found


def blush(snapshot: Snapshot) -> list[Condition]:
    """A chance of blush above what the shop accepts while a coat is wet."""
    accepted = snapshot.settings.readiness.blush_limit_pct
    found = []
    for coats in _together(snapshot.wet):
        limit = max((_limit(each, "blush") for each in coats), key=_severity, default=None)
        if limit is None:
            continue
        known = limit.value is not None and limit.verdict != CANNOT_TELL
        if known and (limit.value or 0.0) <= BLUSH_CALM_SHARE * accepted:
            continue
        coat = coats[0].coat
        found.append(
            Condition(
                kind=BLUSH,
                subject=f"{coat.booth} material {coat.mix.material.id}",
                booth=coat.booth,
                raised=known and (limit.value or 0.0) > accepted,
                level=WARNING,
                what=f"Blush conditions: {coat.mix.material.name} is wet on {_pieces(coats)}",
                why=sentence(
                    f"chance of blush {limit.value or 0.0:.0f} %, you accept {accepted:g} %. {sentence(limit.reason)}"
                ),
                what_to_do="Lay no further coat on it. Warm the air, dry it, or let the piece come to the room's "
                "temperature; the Booth page shows the least change that does it.",
                caution=_isocyanate(coats),
            )
        )
    return found


def vapour(snapshot: Snapshot) -> list[Condition]:
    """Vapour by the detector at or above the shop's ceiling against fire."""
    found = []
    for booth, state in snapshot.air.items():
        fire = next((each for each in state.measured.against if each.yardstick == FIRE), None)
        known = fire is not None and fire.value is not None
        if fire is not None and fire.value is not None and fire.value < CALM_SHARE * fire.limit:
            continue
        if not known and state.measured.node == "":
            continue
        value, limit = (fire.value or 0.0, fire.limit) if fire is not None else (0.0, 0.0)
        found.append(
            Condition(
                kind=VAPOUR,
                subject=booth,
                booth=booth,
                raised=known and value >= limit,
                level=DANGER,
                what=f"Solvent vapour in {booth} is at {value:.0f} % of the lower flammable limit; your ceiling is "
                f"{limit:g} %",
                why=_vapour_words(state),
                what_to_do="Stop spraying, keep the exhaust running, keep every spark and flame away and stay out "
                f"until it has fallen. {PRECEDENCE}",
                caution=" ".join(text for text in (_of_air(state), DETECTOR_CAUTION, NEITHER) if text),
            )
        )
    return found


def airflow(snapshot: Snapshot) -> list[Condition]:
    """An exhaust that stands or is weak while a coat is sprayed, or before the booth is purged."""
    found = []
    for booth, state in snapshot.air.items():
        spraying, purging = snapshot.spraying_in(booth), state.purge.state in ("counting", "stopped")
        proof = state.proof
        if not (spraying or purging) or proof.state == "no sensor" or proof.verdict == GO:
            continue
        found.append(
            Condition(
                kind=AIRFLOW,
                subject=booth,
                booth=booth,
                raised=proof.state in ("not running", "weak"),
                level=DANGER,
                what=f"{_exhaust(proof)} in {booth}, {'while spraying' if spraying else 'before the booth is purged'}",
                why=sentence(proof.reason) + (f" Purge: {sentence(state.purge.reason)}" if purging else ""),
                what_to_do=("Stop spraying and look" if spraying else "Look")
                + " at the fan, its belt and switch, the filter and the doors. Stay out while solvent may be in the "
                f"air. {PRECEDENCE}",
                caution=" ".join(text for text in (_of_air(state), DETECTOR_CAUTION, NEITHER) if text),
            )
        )
    return found


def filter_due(snapshot: Snapshot) -> list[Condition]:
    """A filter at its change-out pressure."""
    return [
        Condition(
            kind=FILTER_DUE,
            subject=booth,
            booth=booth,
            raised=state.state == "change",
            level=NOTICE,
            what=f"The exhaust filter of {booth} is due",
            why=sentence(state.reason),
            what_to_do="Change it before the next coat. A filter full of overspray can heat by itself: dispose of it "
            "as your local fire rules and the product's safety data sheet say.",
        )
        for booth, state in snapshot.filters.items()
        if state.state in ("change", "nearly due", "cannot tell")
    ]


RULES: Final = (
    Rule(name="limits left", kinds=(LIMITS_LEFT,), needs=(READINGS, WET), find=limits_left),
    Rule(name="blush", kinds=(BLUSH,), needs=(READINGS, WET), find=blush),
    Rule(name="vapour", kinds=(VAPOUR,), needs=(AIR,), find=vapour),
    Rule(name="airflow", kinds=(AIRFLOW,), needs=(AIR, WET), find=airflow),
    Rule(name="filter", kinds=(FILTER_DUE,), needs=(FILTERS,), find=filter_due),
)


def _together(wet: Iterable[WetCoat]) -> Iterator[list[WetCoat]]:
    """Wet coats of one material in one booth: what befalls one befalls all, and is told once."""
    groups: dict[tuple[str, int], list[WetCoat]] = {}
    for each in wet:
        groups.setdefault((each.coat.booth, each.coat.mix.material.id), []).append(each)
    yield from groups.values()


def _limit(each: WetCoat, name: str) -> Limit | None:
    return next((limit for limit in each.readiness.limits if limit.name == name), None)


def _severity(limit: Limit | None) -> tuple[int, float]:
    return (-1, 0.0) if limit is None else (SEVERITY[limit.verdict], limit.value or 0.0)


def _pieces(coats: Iterable[WetCoat]) -> str:
    return listed(each.piece.name for each in coats)


def _isocyanate(coats: Iterable[WetCoat]) -> str:
    return ISOCYANATE_CAUTION if any(each.coat.mix.material.isocyanate for each in coats) else ""


def _of_air(state: AirState) -> str:
    return ISOCYANATE_CAUTION if ISOCYANATE_CAUTION in state.cautions else ""


def _exhaust(proof: AirflowProof) -> str:
    return "The exhaust is weak" if proof.state == "weak" else "The exhaust is not running"


def _vapour_words(state: AirState) -> str:
    measured = state.measured
    if measured.ppm is None:
        return sentence(measured.reason)
    breathing = [_against(each) for each in measured.against if each.yardstick != FIRE and each.value is not None]
    said = f"{measured.node} reads about {measured.ppm:.0f} ppm, taken as {measured.blend_words}"
    return sentence(f"{said}; breathing it: {' and '.join(breathing)}" if breathing else said)


def _against(each: Against) -> str:
    return f"{each.value or 0.0:.1f} times {YARDSTICK_WORDS[each.yardstick]}"
