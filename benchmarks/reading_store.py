"""Ten quantities every 5 s in the reading store: its size, and what a day's and a year's plot cost.

A month is written as ingest writes it. ``TACKFREE_BENCH_FULL=1`` writes the whole year.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from collector.readings.base import Batch
from collector.readings.sqlite import DAY_MS, HOUR_MS, SqliteReadingStore
from collector.wire import Pack, Reading

BEGIN_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
YEAR_DAYS, MONTH_DAYS = 365, 30
SAMPLE_MS = 5_000
SAMPLES_PER_BATCH = 720
"""An hour's packs in one commit. Smaller batches take longer, and leave the same file."""

QUANTITIES = (
    "air_temperature",
    "relative_humidity",
    "surface_temperature",
    "air_pressure",
    "voc_ppm",
    "voc_index",
    "booth_pressure",
    "face_velocity",
    "node_battery",
    "duct_temperature",
)
PLOT_BUCKETS = 1_000
"""About as many as a chart on a tablet has points across."""


def run() -> list[str]:
    """Bytes per reading, readings written per second, and plots against a bare fetch of the same rows."""
    days = YEAR_DAYS if os.environ.get("TACKFREE_BENCH_FULL") == "1" else MONTH_DAYS
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "readings.sqlite"
        with closing(SqliteReadingStore(file)) as store:
            written_s = _fill(store, days)
        return [*_size(file, days, written_s), *_plots(file, days)]


def _fill(store: SqliteReadingStore, days: int) -> float:
    """Write the days; only the store's own work is timed. [s]"""
    random = np.random.default_rng(1)
    working_s = 0.0
    for hour_ms in range(BEGIN_MS, BEGIN_MS + days * DAY_MS, HOUR_MS):
        values = random.normal(20, 2, (SAMPLES_PER_BATCH, len(QUANTITIES))).round(2).tolist()
        batch = Batch(packs=[_pack(hour_ms + index * SAMPLE_MS, row) for index, row in enumerate(values)])
        start = time.perf_counter()
        store.write(batch)
        working_s += time.perf_counter() - start
    return working_s


def _pack(time_ms: int, values: list[float]) -> Pack:
    readings = tuple(
        Reading(booth="booth-1", node="n1", quantity=quantity, unit=None, time_ms=time_ms, value=value)
        for quantity, value in zip(QUANTITIES, values, strict=True)
    )
    seq = (time_ms - BEGIN_MS) // SAMPLE_MS + 1
    return Pack(
        booth="booth-1", node="n1", kind="readings", received_ms=time_ms, readings=readings, seq=seq, oldest_seq=seq
    )


def _size(file: Path, days: int, written_s: float) -> list[str]:
    with closing(sqlite3.connect(file)) as database:
        (readings,) = database.execute("SELECT count(*) FROM reading").fetchone()
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        whole = file.stat().st_size
        minutes, hours = (_table_bytes(database, table) for table in ("minute", "hour"))
    raw = whole - minutes - hours
    year = (
        "" if days == YEAR_DAYS else f"; a year of it would be {whole * YEAR_DAYS / days / 1e9:.2f} GB (extrapolated)"
    )
    return [
        f"{days} days, {readings:,} readings: {whole / 1e6:,.0f} MB{year}",
        f"bytes per reading: {raw / readings:.1f}, with roll-ups {whole / readings:.1f}",
        f"written with roll-ups, durable, {SAMPLES_PER_BATCH} packs a commit: {readings / written_s:,.0f} readings/s",
    ]


def _table_bytes(database: sqlite3.Connection, table: str) -> int:
    """Size of a roll-up table, by what it adds to a copy: not every SQLite is built to tell. [bytes]"""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.sqlite"
        (schema,) = database.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        database.execute("ATTACH ? AS copy", (str(copy),))
        database.execute(schema.replace(f"CREATE TABLE {table}", f"CREATE TABLE copy.{table}"))
        # In the order of arrival, as pages that grow in the middle of a table are less full.
        database.execute(f"INSERT INTO copy.{table} SELECT * FROM main.{table} ORDER BY t, series")
        database.commit()
        database.execute("DETACH copy")
        return copy.stat().st_size


def _plots(file: Path, days: int) -> list[str]:
    end_ms = BEGIN_MS + days * DAY_MS
    day = (end_ms - DAY_MS, end_ms)
    year = (BEGIN_MS, BEGIN_MS + YEAR_DAYS * DAY_MS)
    note = "" if days == YEAR_DAYS else " (its hour roll-ups beyond the written month are copies)"
    with closing(sqlite3.connect(file)) as database:
        if days < YEAR_DAYS:
            _repeat_hours(database, days)

        def bare(table: str, columns: str, span: tuple[int, int]) -> float:
            sql = f"SELECT t, {columns} FROM {table} WHERE series = 5 AND t >= ? AND t < ? ORDER BY t"
            return _best_ms(lambda: database.execute(sql, span).fetchall())

        day_ms = bare("reading", "value", day)
        year_ms = bare("hour", "n, total, low, high", year)
    with closing(SqliteReadingStore(file, read_only=True)) as store:
        all_series = store.series()
        one = all_series[4]
        samples_ms = _best_ms(lambda: store.samples(one, *day))
        day_plot_ms = _best_ms(lambda: store.buckets(one, *day, PLOT_BUCKETS))
        year_plot_ms = _best_ms(lambda: store.buckets(one, *year, PLOT_BUCKETS))
        all_day_ms = _best_ms(lambda: [store.buckets(series, *day, PLOT_BUCKETS) for series in all_series])
        all_year_ms = _best_ms(lambda: [store.buckets(series, *year, PLOT_BUCKETS) for series in all_series])
        latest_ms = _best_ms(lambda: store.latest("booth-1"))
    return [
        f"a day, every sample: {samples_ms:.1f} ms, {samples_ms / day_ms:.1f} times a bare fetch ({day_ms:.1f} ms)",
        f"a day's plot: {day_plot_ms:.1f} ms, {day_plot_ms / day_ms:.1f} times; ten quantities {all_day_ms:.0f} ms",
        f"a year's plot{note}: {year_plot_ms:.1f} ms, {year_plot_ms / year_ms:.1f} times a bare fetch of its hours"
        f" ({year_ms:.1f} ms); ten quantities {all_year_ms:.0f} ms",
        f"the newest of each quantity: {latest_ms:.2f} ms",
    ]


def _repeat_hours(database: sqlite3.Connection, days: int) -> None:
    """Hour roll-ups for the rest of the year; a year's plot reads nothing else."""
    for first_day in range(days, YEAR_DAYS, days):
        database.execute(
            "INSERT INTO hour SELECT series, t + ?1, n, total, low, high FROM hour WHERE t < ?2 AND t + ?1 < ?3",
            (first_day * DAY_MS, BEGIN_MS + days * DAY_MS, BEGIN_MS + YEAR_DAYS * DAY_MS),
        )
    database.commit()


def _best_ms(work: Callable[[], object], times: int = 7) -> float:
    """Shortest of several runs. [ms]"""
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return min(spans) * 1000


if __name__ == "__main__":
    print("\n".join(run()))
