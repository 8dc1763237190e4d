"""Rules about the rack: ready for the next step, recoat windows, pot life.

They rest on :mod:`collector.advice.progress`, computed afresh from the records: a corrected record that makes an alert
wrong makes it end, without a word.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from collector.advice.coat_progress import (
    CLOSED,
    CLOSING,
    SCUFF_FIRST,
    STEPS,
    CoatProgress,
    Moment,
    PieceProgress,
    StageProgress,
)
from collector.alerts.condition import (
    POT_LIFE_ENDED,
    POT_LIFE_ENDING,
    READY,
    RECOAT_CLOSED,
    RECOAT_CLOSING,
    Condition,
    Rule,
)
from collector.alerts.phrases import clock, listed, sentence
from collector.alerts.snapshot import RACK, Snapshot
from collector.records.alerts import NOTICE, WARNING
from collector.records.model import ISOCYANATE_CAUTION, STAGES

BAND_PCT: Final = 15.0
"""A ready alert ends when its chance has fallen this far below the one that raised it. Judgement, no source."""

NEWS_WITHIN: Final = timedelta(hours=24)
"""What has been so for longer is no news: it opens no alert, and keeps one that is open."""

FORGOTTEN_AFTER: Final = timedelta(days=3)
"""Nobody came: the rack shows it, and the alert ends."""


def ready(snapshot: Snapshot) -> list[Condition]:
    """Coats that can take the next step, by the chance the shop asks for."""
    asked = snapshot.settings.rack.ready_probability_pct
    found = []
    for piece, last in _last_coats(snapshot):
        for stage in last.stages:
            step = STEPS.get(stage.stage)
            if step is None or piece.spraying or stage.confirmed is True:
                continue
            if step == "recoat" and last.recoat.state in (CLOSED, SCUFF_FIRST):
                continue
            chance, passed = 100 * stage.probability, _passed(stage.ready, asked / 100)
            age = max(timedelta(0), snapshot.now - passed) if passed is not None else timedelta(0)
            if chance < asked - BAND_PCT or age > FORGOTTEN_AFTER:
                continue
            found.append(
                Condition(
                    kind=READY,
                    subject=f"coat {last.coat.id} {stage.stage}",
                    booth=last.coat.booth,
                    raised=chance >= asked and age <= NEWS_WITHIN,
                    level=NOTICE,
                    what=f"{piece.piece.name}: ready to {step}",
                    why=_ready_words(snapshot, last, stage),
                    what_to_do=f"Try it as you usually do and log the check, then {step}.",
                    caution=_caution(last),
                    since=passed if passed is not None and passed <= snapshot.now else None,
                )
            )
    return found


def recoat(snapshot: Snapshot) -> list[Condition]:
    """Recoat windows about to close, and those that have closed."""
    found = []
    for piece, last in _last_coats(snapshot):
        state, closes = last.recoat.state, last.recoat.closes
        if piece.spraying or state not in (CLOSING, CLOSED, SCUFF_FIRST):
            continue
        closing = state == CLOSING
        age = timedelta(0) if closing or closes is None else _age(closes, snapshot.now)
        if age > FORGOTTEN_AFTER:
            continue
        if closing:
            by = closes.p10 if closes is not None else None  # one in ten has closed by then: the time to go by
            if by is not None and by <= snapshot.now:
                what = f"{piece.piece.name}: the recoat window is closing, maybe closed already"
                to_do = "Recoat now, or take it as closed."
            else:
                when = f", recoat by {clock(by, snapshot.now, snapshot.settings)}" if by is not None else ""
                what = f"{piece.piece.name}: the recoat window is closing{when}"
                to_do = "Recoat by then, or plan to wait or to scuff."
        elif state == CLOSED:
            what = f"{piece.piece.name}: the recoat window has closed"
            to_do = "Lay no coat on it now: it may wrinkle or lift. Wait until the window opens again."
        else:
            what = f"{piece.piece.name}: the recoat window has closed, scuff first"
            to_do = "Scuff it before the next coat."
        found.append(
            Condition(
                kind=RECOAT_CLOSING if closing else RECOAT_CLOSED,
                subject=f"coat {last.coat.id}",
                booth=last.coat.booth,
                raised=age <= NEWS_WITHIN,
                level=WARNING,
                what=what,
                why=f"{_coat_words(snapshot, last)}. {sentence(last.recoat.words)}",
                what_to_do=to_do,
                caution=_caution(last),
                since=None if closing or closes is None else closes.p50,
            )
        )
    return found


def pot_life(snapshot: Snapshot) -> list[Condition]:
    """Mixes whose pot life is about to end or has ended, while a coat of them is sprayed; told once a mix."""
    notice = timedelta(minutes=snapshot.settings.alerts.pot_life_notice_min)
    by_mix: dict[int, list[tuple[PieceProgress, CoatProgress]]] = {}
    for piece, last in _last_coats(snapshot):
        if last.pot_life is not None:
            by_mix.setdefault(last.coat.mix.id, []).append((piece, last))
    found = []
    for mix_id, coats in by_mix.items():
        last = max((coat for _, coat in coats), key=lambda coat: coat.pot_life.share_used if coat.pot_life else 0.0)
        pot = last.pot_life
        if pot is None:
            continue
        ends = pot.ends.p50
        ended = pot.share_used >= 1 or (ends is not None and ends <= snapshot.now)
        if not ended and (ends is None or ends - snapshot.now > 1.25 * notice):
            continue
        material = last.coat.mix.material.name
        when = f" about {clock(ends, snapshot.now, snapshot.settings)}" if ends is not None and not ended else ""
        found.append(
            Condition(
                kind=POT_LIFE_ENDED if ended else POT_LIFE_ENDING,
                subject=f"mix {mix_id}",
                booth=last.coat.booth,
                raised=ended or (ends is not None and ends - snapshot.now <= notice),
                level=WARNING,
                what=f"The pot life of {material} {'has ended' if ended else f'ends{when}'}",
                why=sentence(
                    f"{min(pot.share_used, 9.99):.0%} of it is used, reckoned with the warmth it has stood in; on "
                    f"{listed(piece.piece.name for piece, _ in coats)}"
                ),
                what_to_do="Spray no more of it, and clean the gun before it sets. Mix anew for what is left."
                if ended
                else "Finish the coat in hand with it, then mix anew and clean the gun.",
                caution=_caution(last),
                since=ends if ended else None,
            )
        )
    return found


RULES: Final = (
    Rule(name="ready", kinds=(READY,), needs=(RACK,), find=ready),
    Rule(name="recoat windows", kinds=(RECOAT_CLOSING, RECOAT_CLOSED), needs=(RACK,), find=recoat),
    Rule(name="pot life", kinds=(POT_LIFE_ENDING, POT_LIFE_ENDED), needs=(RACK,), find=pot_life),
)


def _last_coats(snapshot: Snapshot) -> Iterator[tuple[PieceProgress, CoatProgress]]:
    pieces = snapshot.rack.pieces if snapshot.rack is not None else ()
    return ((piece, piece.last) for piece in pieces if piece.last is not None)


def _passed(moment: Moment, share: float) -> datetime | None:
    """When a chance was passed, between the middle and nine in ten; None where that lies beyond the forecast."""
    if moment.p50 is None or moment.p90 is None:
        return None
    return moment.p50 + (moment.p90 - moment.p50) * min((share - 0.5) / 0.4, 1.0)


def _age(moment: Moment, now: datetime) -> timedelta:
    """How long ago its middle was; none where it lies ahead or is not known."""
    return max(timedelta(0), now - moment.p50) if moment.p50 is not None else timedelta(0)


def _coat_words(snapshot: Snapshot, last: CoatProgress) -> str:
    laid = last.coat.ended_at or last.coat.started_at
    return f"{last.coat.mix.material.name} of {clock(laid, snapshot.now, snapshot.settings)}"


def _ready_words(snapshot: Snapshot, last: CoatProgress, stage: StageProgress) -> str:
    chance = f"{STAGES[stage.stage].lower()} with a chance of {100 * stage.probability:.0f} %"
    behind = (
        f"; {stage.checks} of your own checks stand behind it"
        if stage.checks > 1
        else "; one of your own checks stands behind it"
        if stage.checks
        else "; by the data sheet, as none of your own checks stands behind it"
    )
    return sentence(f"{_coat_words(snapshot, last)}: {chance}{behind}")


def _caution(last: CoatProgress) -> str:
    return ISOCYANATE_CAUTION if last.coat.mix.material.isocyanate else ""
