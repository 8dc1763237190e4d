"""Packs and series for the tests of the reading store."""

from __future__ import annotations

from collections.abc import Mapping

from collector.readings.base import Batch, DeadLetter, NodeState, ReadingStore, Series
from collector.wire import Pack, Reading, Remark

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 1_790_000_000_000 - 1_790_000_000_000 % DAY

AIR = Series(booth="booth-1", node="air-1", quantity="air_temperature", unit="Cel")


def reading(time_ms: int, value: float, series: Series = AIR) -> Reading:
    return Reading(
        booth=series.booth,
        node=series.node,
        quantity=series.quantity,
        unit=series.unit,
        time_ms=time_ms,
        value=value,
    )


def pack(
    samples: Mapping[int, float] | None = None,
    *,
    series: Series = AIR,
    seq: int | None = None,
    oldest_seq: int | None = None,
    remarks: tuple[Remark, ...] = (),
    received_ms: int = T0,
) -> Pack:
    return Pack(
        booth=series.booth,
        node=series.node,
        kind="readings",
        received_ms=received_ms,
        readings=tuple(reading(time_ms, value, series) for time_ms, value in (samples or {}).items()),
        remarks=remarks,
        seq=seq,
        oldest_seq=oldest_seq,
    )


def put(store: ReadingStore, *packs: Pack) -> Mapping[tuple[str, str], int]:
    return store.write(Batch(packs=packs))


def remark(time_ms: int, text: str, quantity: str = "button", node: str = "air-1") -> Remark:
    return Remark(booth="booth-1", node=node, quantity=quantity, time_ms=time_ms, text=text)


def letter(received_ms: int = T0, reason: str = "why", payload: bytes = b"?") -> DeadLetter:
    return DeadLetter(received_ms=received_ms, topic="t", reason=reason, payload=payload, size=len(payload))


def node_state(store: ReadingStore) -> NodeState:
    (state,) = store.nodes()
    return state
