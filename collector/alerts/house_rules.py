"""Rules about the equipment: a node that is silent, a sensor that reports a fault, a disk that fills up."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from collector.advice.display import duration
from collector.alerts.condition import DISK_LOW, NODE_SILENT, SENSOR_FAULTY, Condition, Rule
from collector.alerts.snapshot import DISK, READINGS, Snapshot
from collector.records.alerts import WARNING

NEWS_WITHIN: Final = timedelta(hours=24)
"""A node silent for longer was silent before anybody asked; it opens no alert, and keeps one that is open."""

REMOVED_AFTER: Final = timedelta(days=7)
"""A node silent for this long is taken as removed, and its alert ends."""

HEARD_AGAIN: Final = timedelta(minutes=2)
ROOM_AGAIN: Final = 1.25
GIB: Final = 1024**3


def node_silent(snapshot: Snapshot) -> list[Condition]:
    """Nodes that have stopped to send."""
    limit = timedelta(minutes=snapshot.settings.alerts.node_silent_min)
    found = []
    for node in snapshot.nodes:
        if node.last_received_ms is None:
            continue
        last = datetime.fromtimestamp(node.last_received_ms / 1000, UTC)
        silent = snapshot.now - last
        if not min(HEARD_AGAIN, limit) <= silent <= REMOVED_AFTER:
            continue
        said = (node.status or {}).get("state")
        found.append(
            Condition(
                kind=NODE_SILENT,
                subject=f"{node.booth}/{node.node}",
                booth=node.booth,
                raised=limit <= silent <= NEWS_WITHIN,
                level=WARNING,
                what=f"Node {node.node} in {node.booth} is silent",
                why=f"Nothing has come from it for {duration(silent.total_seconds())}"
                + (", and the broker says it is offline." if said == "offline" else "."),
                what_to_do="Check its power, its network and its lamp; it keeps its readings meanwhile. "
                "tackfree doctor tells whether broker and collector are well.",
                since=last,
            )
        )
    return found


def sensor_faulty(snapshot: Snapshot) -> list[Condition]:
    """Sensors whose node reports a fault and no newer reading."""
    return [
        Condition(
            kind=SENSOR_FAULTY,
            subject=f"{booth}/{node} {quantity}",
            booth=booth,
            raised=True,
            level=WARNING,
            what=f"The {quantity.replace('_', ' ')} sensor of {node} in {booth} is faulty",
            why=f"The node reports: {text[:200]}.",
            what_to_do="Check its plug and cable, then restart the node; what rests on it is not known until it reads "
            "again.",
        )
        for booth, state in snapshot.booths.items()
        for (node, quantity), text in state.faults.items()
    ]


def disk_low(snapshot: Snapshot) -> list[Condition]:
    """Too little room on the disk that holds the shop's data."""
    least = snapshot.settings.alerts.disk_free_min_gib
    free = snapshot.free_bytes
    if free is None or free / GIB >= ROOM_AGAIN * least:
        return []
    return [
        Condition(
            kind=DISK_LOW,
            subject="data folder",
            booth=snapshot.settings.shop.booth,
            raised=free / GIB < least,
            level=WARNING,
            what=f"The disk is nearly full: {free / GIB:.1f} GiB free",
            why=f"You asked for {least:g} GiB at least. A full disk stops the log; the nodes keep their readings until "
            "there is room.",
            what_to_do="Free some room, or keep raw readings for fewer days ([data] raw_days).",
        )
    ]


RULES: Final = (
    Rule(name="nodes", kinds=(NODE_SILENT,), needs=(READINGS,), find=node_silent),
    Rule(name="sensors", kinds=(SENSOR_FAULTY,), needs=(READINGS,), find=sensor_faulty),
    Rule(name="disk", kinds=(DISK_LOW,), needs=(DISK,), find=disk_low),
)
