"""What a reading store promises, whichever database is behind it.

The promises, each of which the contract tests hold every backend to:

* A batch is written whole or not at all, and is durable when :meth:`ReadingStore.write` returns.
* The same reading again (booth, node, quantity, time) changes nothing; a pack redelivered is counted once.
* Ranges are ``start_ms <= t < end_ms``; series come back oldest first.
* A gap in the data comes back as a gap (NaN), never as a line drawn across it.
* Nothing a node sent is lost: what cannot be read is kept as a dead letter with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from collector.wire import NodeStatus, Pack, Reading, Remark

FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Series:
    """One quantity of one node in one booth; the key of a time series."""

    booth: str
    node: str
    quantity: str
    unit: str | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """A message, or a record of one, that was refused; kept with its reason.

    ``payload`` is the message as received, cut at 64 KiB; ``size`` is its full length in bytes.
    """

    received_ms: int
    topic: str
    reason: str
    payload: bytes
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one transaction writes."""

    packs: Sequence[Pack] = ()
    statuses: Sequence[NodeStatus] = ()
    dead_letters: Sequence[DeadLetter] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Raw readings of one series: times [ms] and values, oldest first."""

    series: Series
    time_ms: TimeArray
    value: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Buckets:
    """A series in evenly spaced buckets, each array of the same length.

    ``time_ms`` is each bucket's start; an empty bucket holds NaN in ``low``, ``mean`` and ``high`` and 0 in
    ``count``.
    """

    series: Series
    width_ms: int
    time_ms: TimeArray
    low: FloatArray
    mean: FloatArray
    high: FloatArray
    count: TimeArray


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeState:
    """What the store knows of one node.

    ``stored_seq`` is the highest sequence number below which nothing is missing; ``missing`` counts numbers
    that were skipped for good (the node says it no longer holds them); ``waiting`` counts numbers between
    ``stored_seq`` and the newest that have not arrived yet.
    """

    booth: str
    node: str
    last_received_ms: int | None
    last_reading_ms: int | None
    stored_seq: int | None
    missing: int
    waiting: int
    status: Mapping[str, Any] | None
    status_ms: int | None


class ReadingStore(Protocol):
    """Time series of readings, remarks, node states and dead letters."""

    def write(self, batch: Batch) -> Mapping[tuple[str, str], int]:
        """Commit a batch durably.

        Returns
        -------
        mapping
            For each (booth, node) whose packs carried a ``seq``: its highest contiguous committed number.

        Raises
        ------
        StoreBusy
            If the disk is full or the database is held by another process; nothing was written, and the same
            call may succeed later.
        StoreError
            If the store cannot be used.
        ValueError
            If something in the batch is such that no try would store it; nothing was written.
        """
        ...

    def series(self, booth: str | None = None) -> list[Series]:
        """All series, of one booth or of all."""
        ...

    def latest(self, booth: str, since_ms: int = 0) -> list[Reading]:
        """Newest reading of each series of a booth, where it is not older than ``since_ms``."""
        ...

    def samples(self, series: Series, start_ms: int, end_ms: int) -> Samples:
        """Raw readings of a range; an unknown series gives none."""
        ...

    def buckets(self, series: Series, start_ms: int, end_ms: int, most: int) -> Buckets:
        """At most ``most`` buckets over a range, down-sampled inside the store."""
        ...

    def remarks(self, booth: str, start_ms: int, end_ms: int, quantity: str | None = None) -> list[Remark]:
        """Words from nodes (faults, button presses), oldest first."""
        ...

    def nodes(self, booth: str | None = None) -> list[NodeState]:
        """Every node ever heard, with what the store holds of it."""
        ...

    def dead_letters(self, most: int = 100) -> list[DeadLetter]:
        """The newest dead letters, newest first."""
        ...

    def dead_letter_count(self, since_ms: int = 0) -> int:
        """How many dead letters arrived since a time."""
        ...

    def prune(self, before_ms: int, keep: Sequence[tuple[int, int]] = ()) -> int:
        """Drop raw readings older than ``before_ms`` outside the ``keep`` spans; roll-ups stay.

        Returns
        -------
        int
            Number of raw readings dropped.
        """
        ...

    def close(self) -> None:
        """Release the database; later calls fail."""
        ...
