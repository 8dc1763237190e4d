"""Where a moment lies on a drawn stretch of time, and which marks make it readable in shop time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import CoatProgress, StageProgress

STEPS_H: Final = (0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 168, 336, 672)
"""Distances between marks that a clock or calendar has. [h]"""

ALL_BUT_SURE: Final = 0.95
FAR: Final = datetime.max.replace(tzinfo=UTC)

REACH: Final = 4.0
"""The scale reaches on to a later step only where the first still takes a fourth of it."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A stretch of time drawn from left to right."""

    start: datetime
    end: datetime

    def at(self, moment: datetime) -> float:
        """Where a moment lies. [% of the width, held within it]"""
        share = (moment - self.start) / (self.end - self.start)
        return 100.0 * min(1.0, max(0.0, share))

    def covers(self, moment: datetime) -> bool:
        """Whether a moment is on the scale."""
        return self.start <= moment <= self.end


def of_coat(coat: CoatProgress, now: datetime) -> Scale:
    """From the end of a coat to the end of what comes next, and of what comes soon after it."""
    start = coat.coat.ended_at or coat.coat.started_at
    ends = sorted(_ends(coat, now))
    reach = now + 0.06 * max(now - start, timedelta(minutes=10))
    if ends:
        first = ends[0] - start
        reach = max(reach, *(end for end in ends if end - start <= REACH * first))
    return Scale(start, start + 1.04 * (reach - start))


def pending(coat: CoatProgress, now: datetime) -> list[StageProgress]:
    """Steps that are still to come, the soonest first; one that is all but sure is not waited for any more."""
    found = [
        stage
        for stage in coat.stages
        if stage.stage in cp.STEPS
        and stage.confirmed is not True
        and stage.probability < ALL_BUT_SURE
        and (stage.ready.p90 is None or stage.ready.p90 > now)
    ]
    return sorted(found, key=lambda stage: stage.ready.p50 or stage.ready.p10 or FAR)


def _ends(coat: CoatProgress, now: datetime) -> list[datetime]:
    moments = [stage.ready for stage in pending(coat, now)]
    moments += [one for one in (coat.recoat.closes, coat.recoat.reopens) if one is not None]
    found = [one.p90 or one.p50 or one.p10 for one in moments]
    return [end for end in found if end is not None and end > now]


def marks(scale: Scale, zone: ZoneInfo, *, most: int = 4) -> list[tuple[float, str]]:
    """Round moments of shop time on a scale: where, and what to write there.

    From a day's distance on a mark is a date at midnight, whatever the clocks do in between.
    """
    hours = (scale.end - scale.start) / timedelta(hours=1)
    step = next((one for one in STEPS_H if hours / one <= most), STEPS_H[-1])
    if step >= 24:
        found = _midnights(scale, zone, round(step / 24))
        return [(scale.at(moment), _date(moment, zone, step >= 168)) for moment in found]
    return [(scale.at(moment), f"{moment.astimezone(zone):%H:%M}") for moment in _hours(scale, zone, step)]


def days(first: datetime, zone: ZoneInfo, count: int) -> Sequence[datetime]:
    """Midnights of shop time, from that of the day a moment is in. ``count`` days have one more midnight."""
    day = first.astimezone(zone).date()
    return [datetime.combine(day + timedelta(days=n), time(), zone).astimezone(UTC) for n in range(count + 1)]


def _midnights(scale: Scale, zone: ZoneInfo, every: int) -> list[datetime]:
    count = (scale.end - scale.start).days + 2
    return [one for one in days(scale.start, zone, count)[1::every] if scale.covers(one)]


def _hours(scale: Scale, zone: ZoneInfo, step_h: float) -> list[datetime]:
    # Multiples of the step since shop midnight; the day of a clock change may show one twice or not at all.
    found = []
    for midnight in days(scale.start, zone, (scale.end - scale.start).days + 2):
        for n in range(round(24 / step_h)):
            wall = midnight.astimezone(zone).replace(tzinfo=None) + timedelta(hours=n * step_h)
            moment = wall.replace(tzinfo=zone).astimezone(UTC)
            if scale.covers(moment) and moment not in found:
                found.append(moment)
    return found


def _date(moment: datetime, zone: ZoneInfo, by_month: bool) -> str:
    there = moment.astimezone(zone)
    return f"{there.day} {there:%b}" if by_month else f"{there:%a} {there.day}"
