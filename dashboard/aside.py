"""What takes a second or more, worked out aside so that no answer on a screen waits for it.

A page runs one thing at a time: whatever computes holds up the verdict. So the chance of blush shown for air that has
just changed is that of some seconds ago until the new one is there, and the ways out of it come when they are ready.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

import streamlit as st

from collector.advice.blush import Blush, Situation, blush
from collector.advice.readiness import Readiness
from collector.advice.ways_out import WayOut
from collector.advice.wet_coat import ways_to_go
from collector.settings import Settings

AskedCoat: TypeAlias = tuple[str, int, int, int | None]
"""Booth, material, its version, piece."""

BLUSH_AGE: Final = timedelta(seconds=15)
"""A chance of blush older than this is not shown for air that has changed since; then the page does wait."""

LONG_AGO: Final = datetime(1970, 1, 1, tzinfo=UTC)

WAYS_AGE: Final = timedelta(seconds=60)
"""Ways out of blush are worked out anew after this."""


@dataclass(slots=True)
class _Lately:
    """The chance of blush last worked out, and the work under way for newer air."""

    found: Blush | None = None
    of: Situation | None = None
    at: datetime = LONG_AGO
    coming: Future[Blush] | None = None
    coming_of: Situation | None = None


@dataclass(slots=True)
class _Ways:
    """The ways out last worked out, and the work under way for newer ones."""

    latest: Future[tuple[WayOut, ...]] | None = None
    coming: Future[tuple[WayOut, ...]] | None = None
    started: datetime = LONG_AGO


def blush_lately(asked: AskedCoat, situation: Situation) -> Blush:
    """The chance of blush; where the air has just changed, that of seconds ago while the new one is worked out.

    Raises
    ------
    NotFound, RecordError, ValueError
        As :func:`collector.advice.blush.blush`.
    """
    kept, now = _lately().setdefault(asked, _Lately()), datetime.now(UTC)
    if kept.coming is not None and kept.coming.done():
        done, kept.coming = kept.coming, None
        kept.found, kept.of, kept.at = done.result(), kept.coming_of, now
    if kept.found is None or (kept.of != situation and now - kept.at > BLUSH_AGE):
        kept.found, kept.of, kept.at = blush(situation), situation, now
    elif kept.of == situation:
        kept.at = now
    elif kept.coming is None:
        kept.coming, kept.coming_of = _workers().submit(blush, situation), situation
    return kept.found


def ways_out(answer: Readiness, asked: AskedCoat, settings: Settings) -> tuple[WayOut, ...] | None:
    """What would bring the chance of blush under the shop's limit, at most a minute old; None until it is known.

    Raises
    ------
    NotFound, RecordError, ValueError
        As :func:`collector.advice.ways_out.ways_out`.
    """
    kept, now = _ways().setdefault(asked, _Ways()), datetime.now(UTC)
    if kept.coming is not None and kept.coming.done():
        kept.latest, kept.coming = kept.coming, None
    if kept.coming is None and now - kept.started >= WAYS_AGE:
        kept.started = now
        kept.coming = _workers().submit(ways_to_go, answer.wet_coat, answer.limits, settings)
    return None if kept.latest is None else kept.latest.result()


@st.cache_resource
def _lately() -> dict[AskedCoat, _Lately]:
    return {}


@st.cache_resource
def _ways() -> dict[AskedCoat, _Ways]:
    return {}


@st.cache_resource
def _workers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=2, thread_name_prefix="aside")
