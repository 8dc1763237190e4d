"""Readings in one SQLite file: narrow rows keyed by series and time, with one-minute and one-hour roll-ups.

A commit is durable (WAL, ``synchronous=FULL``). Roll-ups are recomputed for the touched buckets in the same
transaction, so readings that come late, twice or out of order leave them right.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from collector.errors import StoreBusy, StoreError
from collector.readings.base import Batch, Buckets, DeadLetter, NodeState, Samples, Series
from collector.readings.schema import prepare
from collector.wire import NodeStatus, Pack, Reading, Remark

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000

RAW_SPAN_MS: Final = 2 * DAY_MS
MINUTE_SPAN_MS: Final = 60 * DAY_MS
"""A range up to two days is read from raw readings, up to sixty from minutes, longer from hours."""

KEPT_PAYLOAD_BYTES: Final = 64 * 1024
MOST_DEAD_LETTERS: Final = 20_000
"""A node that sends nonsense for months must not fill the disk; the newest are kept."""

MOST_WAITING: Final = 200_000
"""Packs of a node stored beyond a gap, before the gap is counted as missing for good."""

BUSY_TIMEOUT_MS: Final = 5_000
PRUNE_CHUNK: Final = 20_000


class SqliteReadingStore:
    """The embedded reading store; see :class:`collector.readings.base.ReadingStore` for what it promises.

    Parameters
    ----------
    path : Path
        The file; made when missing, unless ``read_only``.
    read_only : bool
        Open an existing file for reading beside the process that writes it.

    Raises
    ------
    StoreTooNew
        If a newer version of tackfree wrote the file.
    StoreError
        If it is no reading store, or cannot be opened or written.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self._path = Path(path)
        self._lock = threading.RLock()
        self._ids: dict[tuple[str, str, str], int] = {}
        if read_only and not self._path.exists():
            raise StoreError(f"reading store {self._path} does not exist")
        with self._translated():
            self._db = sqlite3.connect(
                self._path, timeout=BUSY_TIMEOUT_MS / 1000, isolation_level=None, check_same_thread=False
            )
            try:
                prepare(self._db, self._path, read_only=read_only)
            except BaseException:
                self._db.close()
                raise

    def write(self, batch: Batch) -> Mapping[tuple[str, str], int]:
        """Commit a batch durably; see the protocol."""
        with self._transaction():
            touched = self._write_readings(batch.packs)
            self._roll_up(touched)
            self._write_remarks(batch.packs)
            acknowledged = self._write_nodes(batch.packs)
            self._write_statuses(batch.statuses)
            self._write_dead_letters(batch.dead_letters)
        return acknowledged

    def series(self, booth: str | None = None) -> list[Series]:
        """All series, of one booth or of all."""
        rows = self._query(
            "SELECT booth, node, quantity, unit FROM series WHERE booth = ?1 OR ?1 IS NULL"
            " ORDER BY booth, node, quantity",
            (booth,),
        )
        return [Series(booth=row[0], node=row[1], quantity=row[2], unit=row[3]) for row in rows]

    def latest(self, booth: str, since_ms: int = 0) -> list[Reading]:
        """Newest reading of each series of a booth, where it is not older than ``since_ms``."""
        rows = self._query(
            "SELECT s.node, s.quantity, s.unit, r.t, r.value FROM series s JOIN reading r ON r.series = s.id"
            " AND r.t = (SELECT max(t) FROM reading WHERE series = s.id) WHERE s.booth = ? AND r.t >= ?"
            " ORDER BY s.node, s.quantity",
            (booth, since_ms),
        )
        return [
            Reading(booth=booth, node=row[0], quantity=row[1], unit=row[2], time_ms=row[3], value=row[4])
            for row in rows
        ]

    def samples(self, series: Series, start_ms: int, end_ms: int) -> Samples:
        """Raw readings of a range; an unknown series gives none."""
        rows = self._query(
            "SELECT t, value FROM reading WHERE series = ? AND t >= ? AND t < ? ORDER BY t",
            (self._id_of(series), start_ms, end_ms),
        )
        times, values = zip(*rows, strict=True) if rows else ((), ())
        return Samples(series=series, time_ms=np.array(times, np.int64), value=np.array(values, np.float64))

    def buckets(self, series: Series, start_ms: int, end_ms: int, most: int) -> Buckets:
        """At most ``most`` buckets over a range, down-sampled inside the store."""
        if most < 1 or end_ms <= start_ms:
            raise ValueError(f"most {most}, range {start_ms}..{end_ms}; expected at least 1 and a forward range")
        number = self._id_of(series)
        table, grain = self._table_for(number, start_ms, end_ms)
        origin = start_ms - start_ms % grain
        width = _ceiling(_ceiling(end_ms - origin, most), grain) * grain
        count = _ceiling(end_ms - origin, width)
        columns = (
            "min(value), sum(value), max(value), count(*)"
            if table == "reading"
            else "min(low), sum(total), max(high), sum(n)"
        )
        rows = self._query(
            f"SELECT (t - ?1) / ?2, {columns} FROM {table} WHERE series = ?3 AND t >= ?1 AND t < ?4 GROUP BY 1",
            (origin, width, number, end_ms),
        )
        low, mean, high = (np.full(count, np.nan) for _ in range(3))
        held = np.zeros(count, np.int64)
        if rows:
            index, lows, totals, highs, counts = (np.array(column) for column in zip(*rows, strict=True))
            low[index], high[index], held[index] = lows, highs, counts
            mean[index] = totals / counts
        return Buckets(
            series=series,
            width_ms=width,
            time_ms=origin + width * np.arange(count, dtype=np.int64),
            low=low,
            mean=mean,
            high=high,
            count=held,
        )

    def remarks(self, booth: str, start_ms: int, end_ms: int, quantity: str | None = None) -> list[Remark]:
        """Words from nodes, oldest first."""
        rows = self._query(
            "SELECT node, quantity, t, text FROM remark WHERE booth = ? AND t >= ? AND t < ?"
            " AND (quantity = ?4 OR ?4 IS NULL) ORDER BY t",
            (booth, start_ms, end_ms, quantity),
        )
        return [Remark(booth=booth, node=row[0], quantity=row[1], time_ms=row[2], text=row[3]) for row in rows]

    def nodes(self, booth: str | None = None) -> list[NodeState]:
        """Every node ever heard, with what the store holds of it."""
        rows = self._query(
            "SELECT booth, node, received, newest, stored_seq, missing, status, status_at,"
            " coalesce((SELECT max(seq) FROM ahead a WHERE a.booth = n.booth AND a.node = n.node), 0),"
            " (SELECT count(*) FROM ahead a WHERE a.booth = n.booth AND a.node = n.node)"
            " FROM node n WHERE booth = ?1 OR ?1 IS NULL ORDER BY booth, node",
            (booth,),
        )
        return [
            NodeState(
                booth=row[0],
                node=row[1],
                last_received_ms=row[2],
                last_reading_ms=row[3],
                stored_seq=row[4],
                missing=row[5],
                waiting=max(0, row[8] - (row[4] or 0) - row[9]),
                status=json.loads(row[6]) if row[6] else None,
                status_ms=row[7],
            )
            for row in rows
        ]

    def dead_letters(self, most: int = 100) -> list[DeadLetter]:
        """The newest dead letters, newest first."""
        rows = self._query(
            "SELECT received, topic, reason, payload, size FROM dead_letter ORDER BY id DESC LIMIT ?", (most,)
        )
        return [
            DeadLetter(received_ms=row[0], topic=row[1], reason=row[2], payload=row[3], size=row[4]) for row in rows
        ]

    def dead_letter_count(self, since_ms: int = 0) -> int:
        """How many dead letters arrived since a time."""
        return int(self._query("SELECT count(*) FROM dead_letter WHERE received >= ?", (since_ms,))[0][0])

    def prune(self, before_ms: int, keep: Sequence[tuple[int, int]] = ()) -> int:
        """Drop raw readings older than ``before_ms`` outside the ``keep`` spans; roll-ups stay."""
        spans = _outside(keep, before_ms)
        dropped = 0
        for (series,) in self._query("SELECT id FROM series", ()):
            for start, end in spans:
                while True:
                    with self._transaction():
                        gone = self._db.execute(
                            "DELETE FROM reading WHERE series = ?1 AND t >= ?2 AND t < ?3 AND t <= coalesce("
                            "(SELECT t FROM reading WHERE series = ?1 AND t >= ?2 AND t < ?3 ORDER BY t"
                            " LIMIT 1 OFFSET ?4), ?3)",
                            (series, start, end, PRUNE_CHUNK),
                        ).rowcount
                    dropped += gone
                    if gone < PRUNE_CHUNK:
                        break
        return dropped

    def close(self) -> None:
        """Release the database; later calls fail."""
        with self._lock:
            self._db.close()

    def _write_readings(self, packs: Sequence[Pack]) -> set[tuple[int, int]]:
        touched: set[tuple[int, int]] = set()
        rows: list[tuple[int, int, float]] = []
        for pack in packs:
            for reading in pack.readings:
                series = self._series_for(reading)
                rows.append((series, reading.time_ms, reading.value))
                touched.add((series, reading.time_ms // MINUTE_MS * MINUTE_MS))
        self._db.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", rows)
        return touched

    def _roll_up(self, minutes: set[tuple[int, int]]) -> None:
        # A minute whose raw readings were pruned keeps what it was made of when a straggler comes.
        self._db.executemany(
            "REPLACE INTO minute SELECT series, ?2, count(*), sum(value), min(value), max(value) FROM reading"
            f" WHERE series = ?1 AND t >= ?2 AND t < ?2 + {MINUTE_MS} GROUP BY series"
            " HAVING count(*) >= coalesce((SELECT n FROM minute WHERE series = ?1 AND t = ?2), 0)",
            minutes,
        )
        hours = {(series, minute // HOUR_MS * HOUR_MS) for series, minute in minutes}
        self._db.executemany(
            "REPLACE INTO hour SELECT series, ?2, sum(n), sum(total), min(low), max(high) FROM minute"
            f" WHERE series = ?1 AND t >= ?2 AND t < ?2 + {HOUR_MS} GROUP BY series",
            hours,
        )

    def _write_remarks(self, packs: Sequence[Pack]) -> None:
        self._db.executemany(
            "INSERT OR IGNORE INTO remark VALUES (?, ?, ?, ?, ?)",
            [
                (remark.booth, remark.node, remark.quantity, remark.time_ms, remark.text)
                for pack in packs
                for remark in pack.remarks
            ],
        )

    def _write_nodes(self, packs: Sequence[Pack]) -> dict[tuple[str, str], int]:
        by_node: dict[tuple[str, str], list[Pack]] = defaultdict(list)
        for pack in packs:
            by_node[pack.booth, pack.node].append(pack)
        acknowledged: dict[tuple[str, str], int] = {}
        for key, from_node in by_node.items():
            received = max(pack.received_ms for pack in from_node)
            newest = max((r.time_ms for pack in from_node for r in pack.readings), default=None)
            self._db.execute(
                "INSERT INTO node (booth, node, received, newest) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO UPDATE"
                " SET received = max(coalesce(received, 0), ?3),"
                " newest = nullif(max(coalesce(newest, 0), coalesce(?4, 0)), 0)",
                (*key, received, newest),
            )
            if any(pack.seq is not None for pack in from_node):
                acknowledged[key] = self._count_sequence(key, from_node)
        return acknowledged

    def _count_sequence(self, key: tuple[str, str], packs: Sequence[Pack]) -> int:
        stored, missing = self._db.execute(
            "SELECT stored_seq, missing FROM node WHERE booth = ? AND node = ?", key
        ).fetchone()
        if stored is None:
            # The first ever heard of a node: what came before its oldest held record is not ours to miss.
            first = min(pack.oldest_seq if pack.oldest_seq is not None else 1 for pack in packs)
            stored = max(first, 1) - 1
        self._db.executemany(
            "INSERT OR IGNORE INTO ahead VALUES (?, ?, ?)",
            [(*key, pack.seq) for pack in packs if pack.seq is not None and pack.seq > stored],
        )
        floor = max((pack.oldest_seq for pack in packs if pack.oldest_seq is not None), default=0) - 1
        waiting, lowest = self._db.execute(
            "SELECT count(*), min(seq) FROM ahead WHERE booth = ? AND node = ?", key
        ).fetchone()
        if waiting > MOST_WAITING:
            floor = max(floor, lowest - 1)
        if floor > stored:
            arrived = self._db.execute(
                "SELECT count(*) FROM ahead WHERE booth = ? AND node = ? AND seq <= ?", (*key, floor)
            ).fetchone()[0]
            missing += floor - stored - arrived
            stored = floor
        for (seq,) in self._db.execute(
            "SELECT seq FROM ahead WHERE booth = ? AND node = ? AND seq > ? ORDER BY seq", (*key, stored)
        ):
            if seq != stored + 1:
                break
            stored = seq
        self._db.execute("DELETE FROM ahead WHERE booth = ? AND node = ? AND seq <= ?", (*key, stored))
        self._db.execute(
            "UPDATE node SET stored_seq = ?, missing = ? WHERE booth = ? AND node = ?",
            (stored, missing, *key),
        )
        return int(stored)

    def _write_statuses(self, statuses: Sequence[NodeStatus]) -> None:
        self._db.executemany(
            "INSERT INTO node (booth, node, status, status_at) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO UPDATE"
            " SET status = ?3, status_at = ?4",
            [(s.booth, s.node, json.dumps(dict(s.details)), s.received_ms) for s in statuses],
        )

    def _write_dead_letters(self, letters: Sequence[DeadLetter]) -> None:
        self._db.executemany(
            "INSERT INTO dead_letter (received, topic, reason, payload, size) VALUES (?, ?, ?, ?, ?)",
            [(d.received_ms, d.topic[:500], d.reason, d.payload[:KEPT_PAYLOAD_BYTES], d.size) for d in letters],
        )
        if letters:
            self._db.execute(
                "DELETE FROM dead_letter WHERE id <= (SELECT max(id) FROM dead_letter) - ?", (MOST_DEAD_LETTERS,)
            )

    def _series_for(self, reading: Reading) -> int:
        key = (reading.booth, reading.node, reading.quantity)
        if key not in self._ids:
            self._db.execute(
                "INSERT OR IGNORE INTO series (booth, node, quantity, unit) VALUES (?, ?, ?, ?)",
                (*key, reading.unit),
            )
            self._ids[key] = self._db.execute(
                "SELECT id FROM series WHERE booth = ? AND node = ? AND quantity = ?", key
            ).fetchone()[0]
        return self._ids[key]

    def _table_for(self, number: int, start_ms: int, end_ms: int) -> tuple[str, int]:
        """The table a range of one series is drawn from, and the width of its rows [ms]."""
        span = end_ms - start_ms
        if span > MINUTE_SPAN_MS:
            return "hour", HOUR_MS
        if span > RAW_SPAN_MS or self._is_pruned(number, start_ms, end_ms):
            return "minute", MINUTE_MS
        return "reading", 1

    def _is_pruned(self, number: int, start_ms: int, end_ms: int) -> bool:
        """Whether raw readings of the range were dropped that its whole minutes still count."""
        in_minutes, raw = self._query(
            "SELECT (SELECT coalesce(sum(n), 0) FROM minute WHERE series = ?1 AND t >= ?4 AND t <= ?3 - ?5),"
            " (SELECT count(*) FROM reading WHERE series = ?1 AND t >= ?2 AND t < ?3)",
            (number, start_ms, end_ms, _ceiling(start_ms, MINUTE_MS) * MINUTE_MS, MINUTE_MS),
        )[0]
        return bool(raw < in_minutes)

    def _id_of(self, series: Series) -> int:
        rows = self._query(
            "SELECT id FROM series WHERE booth = ? AND node = ? AND quantity = ?",
            (series.booth, series.node, series.quantity),
        )
        return int(rows[0][0]) if rows else -1

    def _query(self, sql: str, parameters: Iterable[Any]) -> list[Any]:
        with self._lock, self._translated():
            return self._db.execute(sql, tuple(parameters)).fetchall()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._lock, self._translated():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                self._ids.clear()  # a series made in this transaction is gone with it
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.IntegrityError, sqlite3.DataError) as error:  # these speak of the data, not of the store
            raise ValueError(f"reading store {self._path} cannot hold this: {error}") from error
        except sqlite3.Error as error:
            name = getattr(error, "sqlite_errorname", "") or ""
            if name.startswith(("SQLITE_FULL", "SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_IOERR")):
                raise StoreBusy(f"reading store {self._path} takes no writes now: {error}") from error
            if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
                raise StoreError(
                    f"reading store {self._path} cannot be opened or written ({error}); check the rights of its folder"
                ) from error
            raise StoreError(f"reading store {self._path} cannot be used: {error}") from error


def _ceiling(numerator: int, denominator: int) -> int:
    return -(-numerator // denominator)


def _outside(keep: Sequence[tuple[int, int]], before_ms: int) -> list[tuple[int, int]]:
    """The spans before a time that no ``keep`` span covers."""
    spans: list[tuple[int, int]] = []
    position = 0
    for start, end in sorted(keep):
        if start >= before_ms:
            break
        if start > position:
            spans.append((position, start))
        position = max(position, end)
    if position < before_ms:
        spans.append((position, before_ms))
    return spans
