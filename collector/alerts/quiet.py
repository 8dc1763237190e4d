"""Quiet hours in the shop's own time."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

from collector.settings import Settings


def quiet_until(now: datetime, settings: Settings) -> datetime | None:
    """When the present quiet hours end (UTC); None outside them, or where none are set.

    They run from one moment to another, so a night in which the clocks change is an hour shorter or longer. A start or
    an end that the clock shows twice is taken at its first and its last showing; one it skips, at the skip.
    """
    ours = settings.alerts
    if not ours.quiet_from or not ours.quiet_until or ours.quiet_from == ours.quiet_until:
        return None
    zone = settings.shop.zone
    begins, ends = time.fromisoformat(ours.quiet_from), time.fromisoformat(ours.quiet_until)
    today = now.astimezone(zone).date()
    for day in (today - timedelta(days=1), today):
        last_day = day + timedelta(days=ends <= begins)
        start = datetime.combine(day, begins.replace(fold=0), zone).astimezone(UTC)
        end = datetime.combine(last_day, ends.replace(fold=1), zone).astimezone(UTC)
        if start <= now < end:
            return end
    return None
