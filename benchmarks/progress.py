"""How long the rack of a large shop takes: 200 pieces, each with a stack of coats, in one booth and in three.

Run: python -m benchmarks progress
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.advice.progress import rack
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import Check, Coat, Mix, Piece
from collector.records.repository import Records, open_records
from collector.settings import Settings, Shop
from collector.wire import Pack, Reading

ALLOWED_S = 0.5
NOW = datetime(2026, 3, 2, 11, 20, tzinfo=UTC)
PIECES = 200
BOOTHS = ("booth-1", "booth-2", "booth-3")
NODES = ("air-1", "air-2")
MATERIALS = (
    "Nitrocellulose lacquer, clear",
    "Nitrocellulose lacquer, black",
    "Acrylic lacquer, colour",
    "Two-component urethane, clear",
    "Waterborne acrylic, clear",
    "Oil varnish, gloss",
    "Conversion varnish, satin",
    "Dewaxed shellac, sealer",
)


def log(store: SqliteReadingStore, booths: Sequence[str]) -> None:
    """Thirty days of two nodes in each booth, a reading of three quantities every five minutes."""
    rng = np.random.default_rng(5)
    start = NOW - timedelta(days=30)
    for booth in booths:
        for node in NODES:
            packs = []
            for k in range(30 * 288):
                at = start + timedelta(minutes=5 * k)
                time_ms = round(at.timestamp() * 1000)
                warm = 20.0 + 2.5 * np.sin(2.0 * np.pi * (at.hour - 9) / 24.0) + 0.3 * rng.standard_normal()
                values = (
                    ("air_temperature", "Cel", warm),
                    ("relative_humidity", "%RH", 50.0 - 2.0 * (warm - 20.0)),
                    ("face_velocity", "m/s", 0.1),
                )
                readings = tuple(
                    Reading(booth=booth, node=node, quantity=name, unit=unit, time_ms=time_ms, value=float(value))
                    for name, unit, value in values
                )
                packs.append(Pack(booth=booth, node=node, kind="readings", received_ms=time_ms, readings=readings))
            store.write(Batch(packs=packs))


def coats(records: Records, booths: Sequence[str]) -> None:
    """Two hundred pieces with one to four coats each, every third with checks of its own."""
    rng = np.random.default_rng(6)
    mixes = {name: records.add_mix(Mix(material=records.material(name), reducer_fraction=0.3)) for name in MATERIALS}
    for k in range(PIECES):
        piece = records.add_piece(Piece(name=f"Shell {k + 1}"))
        mix, booth = mixes[MATERIALS[k % len(MATERIALS)]], booths[k % len(booths)]
        first = NOW - timedelta(hours=float(rng.uniform(2.0, 600.0)))
        for layer in range(1 + k % 4):
            at = first + timedelta(hours=2.0 * layer)
            if at > NOW - timedelta(minutes=20):
                break
            coat = records.log_coat(
                Coat(piece_id=piece.id, mix=mix, booth=booth, started_at=at, ended_at=at + timedelta(minutes=6),
                     wet_film_low_um=75, wet_film_high_um=100)
            )  # fmt: skip
            if k % 3 == 0 and at + timedelta(hours=1.5) < NOW:
                records.add_check(
                    Check(coat_id=coat.id, at=at + timedelta(hours=1.5), stage="dry_to_recoat", method="thumb",
                          passed=bool(k % 2))
                )  # fmt: skip


def measure(booths: Sequence[str]) -> Iterator[str]:
    """Time it cold (nothing learned yet in this process) and warm."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteReadingStore(Path(folder) / "readings.sqlite")
        records = open_records(f"sqlite:///{Path(folder) / 'records.sqlite'}")
        log(store, booths)
        coats(records, booths)
        now_ms = round(NOW.timestamp() * 1000)
        settings = Settings(shop=Shop(booth=booths[0], time_zone="Europe/Berlin"))
        took = []
        for _ in range(8):
            begun, worked = time.perf_counter(), time.process_time()
            found = rack(store, records, settings, now_ms)
            took.append((time.perf_counter() - begun, time.process_time() - worked))
        records.close()
        store.close()
    (cold, cold_cpu), warm = took[0], min(wall for wall, _ in took[1:])
    warm_cpu = min(cpu for _, cpu in took[1:])
    yield f"{len(found.pieces)} pieces, {len(booths)} booths, {len(MATERIALS)} materials"
    yield f"  first look, checks learned: {cold:.2f} s ({cold_cpu:.2f} s of processor)"
    yield f"  every look after it:        {warm:.2f} s ({warm_cpu:.2f} s of processor)"
    yield f"  allowed {ALLOWED_S:.1f} s: {warm / ALLOWED_S:.2f} of that"


def run() -> Iterator[str]:
    """The lines of the report."""
    for number in (1, 3):
        yield from measure(BOOTHS[:number])
