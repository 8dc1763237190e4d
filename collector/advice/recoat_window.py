"""The recoat window of a coat: when it opens, when it closes, what to do when it has.

Its hours count in equivalent age, as a data sheet's do: warmth brings the end of a window sooner too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from collector.advice.coat_history import Reals
from collector.advice.coat_progress import (
    CLOSED,
    CLOSING,
    NO_WINDOW,
    NOT_YET,
    OPEN,
    SCUFF_FIRST,
    Moment,
    RecoatState,
)
from collector.physics.drying_drivers import SheetConditions
from collector.records.model import Material

ROOM: Final = SheetConditions(at_c=23.0, at_relative_humidity_pct=50.0, air_speed_m_s=0.0, dry_film_um=25.0)
"""What a window's hours hold at where the material names no conditions for recoating."""

MELTS: Final = ("solvent_lacquer", "shellac", "crackle_topcoat")
"""Each coat dissolves into the last, so that their window has no end."""

WINDOW_LOG_SD: Final = 0.15
"""How well the end of a window is known. Judgement: no open standard fixes one."""

LIKELY: Final = 0.5
"""A window that is closed with this probability counts as closed."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """Draws of one coat's window, hours from now; None where the material names no such end."""

    opens_h: Reals
    closes_h: Reals | None
    reopens_h: Reals | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """What the words need: now, the shop's clock, the shop's choices."""

    at: datetime
    zone: ZoneInfo
    ready_share: float
    closing_within_h: float


def moment(hours: Reals, at: datetime) -> Moment:
    """When something happens, from its draws. [h from now]"""
    ordered = np.sort(hours)
    size = ordered.size
    low, middle, high = (_time(float(ordered[min(int(share * size), size - 1)]), at) for share in (0.1, 0.5, 0.9))
    return Moment(p10=low, p50=middle, p90=high)


def state_of(material: Material, window: Window, telling: Telling) -> RecoatState:
    """Where a coat stands against its window, with what to do."""
    opens = moment(window.opens_h, telling.at)
    if window.closes_h is None:
        return _without_end(material, window, opens, telling)
    closes = moment(window.closes_h, telling.at)
    reopens = None if window.reopens_h is None else moment(window.reopens_h, telling.at)

    def told(state: str, words: str) -> RecoatState:
        return RecoatState(state=state, opens=opens, closes=closes, reopens=reopens, words=words)

    if float(np.mean(window.opens_h <= 0.0)) < telling.ready_share:
        return told(NOT_YET, f"Not yet: {_span(opens, telling)}, then until {_span(closes, telling)}.")
    if float(np.mean(window.closes_h <= 0.0)) >= LIKELY:
        again = window.reopens_h
        if again is not None and float(np.mean(again <= 0.0)) >= (LIKELY if _same(window) else telling.ready_share):
            return told(SCUFF_FIRST, "The window has passed: scuff it dull all over, then recoat.")
        if reopens is None:
            words = "The window has closed, and the material names no time to recoat again: ask its maker first."
        else:
            words = (
                "The window has closed: another coat may wrinkle or lift it. Leave it; "
                f"scuff and recoat from {_time_words(reopens.p90, telling)}."
            )
        return told(CLOSED, words)
    soonest = closes.p10
    if soonest is not None and soonest <= telling.at + timedelta(hours=telling.closing_within_h):
        after = "after that scuff first" if _same(window) else "after that it has to wait"
        if soonest <= telling.at:
            return told(CLOSING, f"Closing, maybe closed already: recoat now, or take it as closed; {after}.")
        return told(CLOSING, f"Closing: recoat by {_time_words(soonest, telling)}; {after}.")
    return told(OPEN, f"Open: recoat by {_time_words(soonest, telling)}.")


def _without_end(material: Material, window: Window, opens: Moment, telling: Telling) -> RecoatState:
    ready = float(np.mean(window.opens_h <= 0.0)) >= telling.ready_share
    if material.chemistry in MELTS:
        words = "Each coat melts into the last: no end, only the solvent the stack has to lose."
        if not ready:
            words = f"Not yet: {_span(opens, telling)}. {words}"
        return RecoatState(state=NO_WINDOW, opens=opens, words=words)
    if ready:
        return RecoatState(state=OPEN, opens=opens, words="Open; the material names no end.")
    return RecoatState(state=NOT_YET, opens=opens, words=f"Not yet: {_span(opens, telling)}.")


def _same(window: Window) -> bool:
    """Whether it may be scuffed and recoated as soon as it has closed."""
    closes, reopens = window.closes_h, window.reopens_h
    return closes is not None and reopens is not None and bool(np.all(reopens <= closes))


def _span(of: Moment, telling: Telling) -> str:
    if of.p50 is None:
        return "not within the forecast"
    return f"{_time_words(of.p50, telling)} (8 in 10: {_time_words(of.p10, telling)} to {_time_words(of.p90, telling)})"


def _time_words(when: datetime | None, telling: Telling) -> str:
    if when is None:
        return "past the forecast"
    local, today = when.astimezone(telling.zone), telling.at.astimezone(telling.zone)
    days = (local.date() - today.date()).days
    if days == 0:
        return f"{local:%H:%M}"
    return f"{local:%a %H:%M}" if 0 < days < 7 else f"{local.day} {local:%b %H:%M}"


def _time(hours: float, at: datetime) -> datetime | None:
    return at + timedelta(hours=hours) if np.isfinite(hours) else None
