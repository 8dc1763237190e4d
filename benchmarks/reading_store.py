"""A year of ten quantities every 5 s: what a reading costs on disk, and how long a day or a year takes to draw.

By default the raw readings of one month are built, with the roll-ups of the whole year beside them, so that both
queries read as many rows as they would of a whole year; ``TACKFREE_BENCH_FULL=1`` builds all 63 million readings.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

import numpy as np

from collector.readings.base import Batch, Series
from collector.readings.sqlite import SqliteReadingStore
from collector.wire import Pack, Reading

PERIOD_MS: Final = 5_000
DAY_MS: Final = 86_400_000
START_MS: Final = 1_760_054_400_000 // DAY_MS * DAY_MS
SERIES: Final = [Series(booth="booth-1", node="air-1", quantity=f"quantity_{i}", unit=None) for i in range(10)]
POINTS: Final = 2_000
"""As many as a chart draws."""


def run() -> list[str]:
    """Build the file, then time the same ranges through the store and as bare SQL."""
    whole = os.environ.get("TACKFREE_BENCH_FULL") == "1"
    days = 365 if whole else 30
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "readings.sqlite"
        durable = _durable_rate(Path(name) / "durable.sqlite")
        began = time.perf_counter()
        rows = _build(file, days)
        built_s = time.perf_counter() - began
        with closing(sqlite3.connect(file)) as database:
            sizes = dict(database.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name").fetchall())
        with closing(SqliteReadingStore(file, read_only=True)) as store, closing(sqlite3.connect(file)) as bare:
            lines = _timed(store, bare, START_MS + (days - 2) * DAY_MS)
    raw, roll_ups = sizes["reading"], sizes["minute"] + sizes["hour"]
    what = "a whole year" if whole else f"{days} days of raw readings, roll-ups of a year"
    return [
        f"{what}: {rows:,} readings, built in {built_s:.0f} s",
        f"{raw / rows:.1f} bytes a raw reading ({raw / 1e6:,.0f} MB); roll-ups {roll_ups / 1e6:,.0f} MB"
        + ("" if whole else f"; a year of raw readings would be {raw / days * 365 / 1e9:.2f} GB"),
        f"durable commits of 200 packs with ten readings each: {durable:,.0f} readings/s with roll-ups",
        *lines,
    ]


def _values(start_ms: int, count: int, number: int) -> list[float]:
    """Two decimals, a day's cycle and some noise, as a sensor gives."""
    times = start_ms / 1000 + np.arange(count) * (PERIOD_MS / 1000)
    noise = np.random.default_rng(number + start_ms // DAY_MS).normal(0, 0.05, count)
    values: list[float] = np.round(20 + number + 4 * np.sin(times / 13_751) + noise, 2).tolist()
    return values


def _durable_rate(file: Path) -> float:
    commits, packs = 10, 200
    batches = []
    for commit in range(commits):
        start_ms = START_MS + commit * packs * PERIOD_MS
        columns = [_values(start_ms, packs, number) for number in range(len(SERIES))]
        batches.append(Batch(packs=[_pack(start_ms + i * PERIOD_MS, [c[i] for c in columns]) for i in range(packs)]))
    with closing(SqliteReadingStore(file)) as store:
        began = time.perf_counter()
        for batch in batches:
            store.write(batch)
        return commits * packs * len(SERIES) / (time.perf_counter() - began)


def _pack(time_ms: int, values: list[float]) -> Pack:
    readings = tuple(
        Reading(booth=s.booth, node=s.node, quantity=s.quantity, unit=s.unit, time_ms=time_ms, value=value)
        for s, value in zip(SERIES, values, strict=True)
    )
    return Pack(booth="booth-1", node="air-1", kind="readings", received_ms=time_ms, readings=readings)


def _build(file: Path, days: int) -> int:
    """Fill the tables hour by hour over all series, as readings arrive, which decides how full the pages become."""
    with closing(SqliteReadingStore(file)) as store:
        store.write(Batch(packs=[_pack(START_MS, [0.0] * len(SERIES))]))
    per_hour = 3_600_000 // PERIOD_MS
    with closing(sqlite3.connect(file, isolation_level=None)) as database:
        database.execute("PRAGMA synchronous = OFF")
        database.execute("PRAGMA cache_size = -200000")
        numbers = [row[0] for row in database.execute("SELECT id FROM series ORDER BY quantity")]
        database.execute("DELETE FROM reading")
        for day in range(days):
            database.execute("BEGIN")
            start_ms = START_MS + day * DAY_MS
            columns = [_values(start_ms, 24 * per_hour, index) for index in range(len(numbers))]
            for hour in range(24):
                times = range(start_ms + hour * 3_600_000, start_ms + (hour + 1) * 3_600_000, PERIOD_MS)
                for number, column in zip(numbers, columns, strict=True):
                    here = column[hour * per_hour : (hour + 1) * per_hour]
                    database.executemany(f"INSERT INTO reading VALUES ({number}, ?, ?)", zip(times, here, strict=True))
            _roll_up(database, numbers, start_ms)
            database.execute("COMMIT")
        _repeat_roll_ups(database, days)
        (rows,) = database.execute("SELECT count(*) FROM reading").fetchone()
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return int(rows)


def _roll_up(database: sqlite3.Connection, numbers: list[int], start_ms: int) -> None:
    for table, width, source, columns in (
        ("minute", 60_000, "reading", "count(*), sum(value), min(value), max(value)"),
        ("hour", 3_600_000, "minute", "sum(n), sum(total), min(low), max(high)"),
    ):
        for number in numbers:
            database.execute(
                f"REPLACE INTO {table} SELECT series, t / {width} * {width}, {columns} FROM {source}"
                " WHERE series = ? AND t >= ? AND t < ? GROUP BY 2",
                (number, start_ms, start_ms + DAY_MS),
            )


def _repeat_roll_ups(database: sqlite3.Connection, days: int) -> None:
    """The first month's roll-ups again for every month before, up to a year in all."""
    for before in range(days, 365, days):
        for table in ("minute", "hour"):
            database.execute(
                f"INSERT OR IGNORE INTO {table} SELECT series, t - ?, n, total, low, high FROM {table}"
                " WHERE t >= ? AND t >= ?",
                (before * DAY_MS, START_MS, START_MS + max(0, before + days - 365) * DAY_MS),
            )


def _timed(store: SqliteReadingStore, bare: sqlite3.Connection, day_ms: int) -> list[str]:
    series = store.series()[4]
    (number,) = bare.execute("SELECT id FROM series WHERE quantity = ?", (series.quantity,)).fetchone()
    (last_hour,) = bare.execute("SELECT max(t) FROM hour").fetchone()
    year = (last_hour + 3_600_000 - 365 * DAY_MS, last_hour + 3_600_000)
    day = (day_ms, day_ms + DAY_MS)

    def fetch(table: str, columns: str, span: tuple[int, int]) -> list[tuple[float, ...]]:
        return bare.execute(
            f"SELECT {columns} FROM {table} WHERE series = ? AND t >= ? AND t < ?", (number, *span)
        ).fetchall()

    bare_day = _median_ms(lambda: fetch("reading", "t, value", day))
    bare_year = _median_ms(lambda: fetch("hour", "t, n, total, low, high", year))
    samples = _median_ms(lambda: store.samples(series, *day))
    plot_day = _median_ms(lambda: store.buckets(series, *day, POINTS))
    plot_year = _median_ms(lambda: store.buckets(series, *year, POINTS))
    latest = _median_ms(lambda: store.latest("booth-1"))
    rows = len(fetch("reading", "t", day)), len(fetch("hour", "t", year))
    return [
        f"day, bare fetch of {rows[0]:,} rows     {bare_day:8.1f} ms",
        f"day plot, at most {POINTS:,} buckets   {plot_day:8.1f} ms   {plot_day / bare_day:.1f} x bare; limit 300",
        f"day, every sample                  {samples:8.1f} ms   {samples / bare_day:.1f} x bare",
        f"year, bare fetch of {rows[1]:,} hours    {bare_year:8.1f} ms",
        f"year plot, at most {POINTS:,} buckets  {plot_year:8.1f} ms   {plot_year / bare_year:.1f} x bare; limit 100",
        f"newest reading of each series      {latest:8.2f} ms",
    ]


def _median_ms(query: Callable[[], object]) -> float:
    times = []
    for _ in range(9):
        began = time.perf_counter()
        query()
        times.append((time.perf_counter() - began) * 1000)
    return statistics.median(times)
