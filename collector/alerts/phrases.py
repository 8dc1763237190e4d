"""Words that several rules share: moments in shop time, pieces by name."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from collector.settings import Settings


def clock(moment: datetime, now: datetime, settings: Settings) -> str:
    """A moment in shop time, with its day unless that is today."""
    there, today = moment.astimezone(settings.shop.zone), now.astimezone(settings.shop.zone)
    return f"{there:%H:%M}" if there.date() == today.date() else f"{there:%a %d %b %H:%M}"


def listed(names: Iterable[str], most: int = 3) -> str:
    """Names with commas; beyond ``most`` they are counted."""
    held = list(dict.fromkeys(names))
    if len(held) <= most:
        return ", ".join(held)
    return f"{', '.join(held[:most])} and {len(held) - most} more"


def sentence(text: str) -> str:
    """Text with a capital first letter and a full stop; nothing stays nothing."""
    text = text.strip()
    if not text:
        return ""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
