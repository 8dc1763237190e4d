"""The alert duty of a running service: what it watches with, what it tells, and who carries the messages."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from collector.alerts import booth_rules, house_rules, rack_rules
from collector.alerts.board import Board
from collector.alerts.courier import Courier, utc_now
from collector.alerts.engine import Rule as LoopRule
from collector.alerts.once import OncePerChange
from collector.alerts.snapshot import Gatherer, RackOf
from collector.alerts.watch import Watch
from collector.readings.base import ReadingStore
from collector.records.repository import Records
from collector.settings import Settings

log = logging.getLogger(__name__)

RULES: Final = (*booth_rules.RULES, *house_rules.RULES, *rack_rules.RULES)


def watch_rule(
    store: ReadingStore,
    records: Records,
    settings: Settings,
    publish: Callable[[str, bytes], object],
    courier: Courier,
    rack_of: RackOf | None,
) -> LoopRule:
    """One look at the shop with every alert rule, for :func:`collector.alerts.engine.run`."""
    gatherer = Gatherer(store, records, settings, rack_of)
    watch = Watch(records.alerts, RULES, lambda: courier.digests)
    board = Board(publish)
    said = OncePerChange(log)

    def watch_the_shop(now_ms: int) -> None:
        try:
            snapshot = gatherer.gather(now_ms)
            watch.look(snapshot)
            board.show(records.alerts.open(), {settings.shop.booth, *snapshot.booths})
        except Exception as error:
            said.failed("the watch", "alerts cannot be kept now; the next look makes up for it", error)
        else:
            said.worked("the watch")

    return watch_the_shop


def courier_of(records: Records, settings: Settings) -> Courier:
    """The courier of the shop's outbox."""
    return Courier(records.alerts, settings, utc_now)
