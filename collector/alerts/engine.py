"""The loop that asks every alert rule at a steady pace, and outlives a rule that fails."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

log = logging.getLogger(__name__)

Rule = Callable[[int], None]
"""Looks at the shop at a time [ms since 1970, UTC] and does what it has to do."""


def run(rules: Sequence[Rule], stop: threading.Event, period_s: float, clock_ms: Callable[[], int]) -> None:
    """Ask every rule each ``period_s`` seconds until ``stop`` is set.

    A rule that raises is logged with its traceback and asked again next time: one faulty rule silences no other.
    """
    while not stop.wait(period_s):
        now_ms = clock_ms()
        for rule in rules:
            try:
                rule(now_ms)
            except Exception:
                log.exception("alert rule %s failed; it is asked again in %.0f s", rule.__name__, period_s)
