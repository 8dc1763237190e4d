"""A shop with known numbers for the tests of the rack: real stores, a booth whose climate is a function of time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from collector.advice.coat_progress import CoatProgress, PieceProgress, Rack
from collector.advice.progress import rack
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import Check, Coat, Material, Mix, Piece, RecoatWindow, StageTime
from collector.records.repository import Records, open_records
from collector.settings import Settings, Shop
from collector.wire import Pack, Reading

BOOTH = "booth-1"
NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
UNITS = {"air_temperature": "Cel", "relative_humidity": "%RH", "face_velocity": "m/s"}

Climate = Callable[[datetime], float | None]


def steady(value: float) -> Climate:
    """The same at any time."""
    return lambda at: value


ORDINARY, STILL = steady(50.0), steady(0.0)


def stage(name: str, low_h: float, high_h: float, **given: Any) -> StageTime:
    """A data sheet's time at 21 °C, 50 % and 25 µm."""
    at = {"at_c": 21.0, "at_relative_humidity_pct": 50.0, "dry_film_um": 25.0, "source": "invented for the test"}
    return StageTime(stage=name, low_h=low_h, high_h=high_h, **{**at, **given})


def lacquer(**given: Any) -> Material:
    """A lacquer whose coats of 100 µm wet dry to the 25 µm of its sheet."""
    fields: dict[str, Any] = {
        "name": "Test lacquer",
        "chemistry": "solvent_lacquer",
        "role": "clear",
        "solids_volume_fraction": 0.25,
        "stages": (
            stage("set_to_touch", 0.1, 0.25),
            stage("dry_to_recoat", 1.0, 2.0),
            stage("tape_ready", 16.0, 32.0),
            stage("sand_ready", 120.0, 240.0),
        ),
    }
    return Material(**{**fields, **given})


def urethane(**given: Any) -> Material:
    """A two-component finish with a recoat window and a pot life."""
    fields: dict[str, Any] = {
        "name": "Test urethane",
        "chemistry": "two_component_urethane",
        "role": "clear",
        "isocyanate": True,
        "solids_volume_fraction": 0.25,
        "pot_life_h": 4.0,
        "stages": (stage("dry_to_recoat", 2.0, 4.0), stage("sand_ready", 16.0, 32.0)),
        "recoat": RecoatWindow(min_h=2.0, soft_end_h=24.0, reopen_h=48.0),
    }
    return Material(**{**fields, **given})


@dataclass
class TestShop:
    """Stores in a folder, with a clock of its own."""

    __test__ = False

    folder: Path
    now: datetime = NOW

    def __post_init__(self) -> None:
        self.settings = Settings(shop=Shop(booth=BOOTH, time_zone="Europe/Berlin"))
        self.store = SqliteReadingStore(self.folder / "readings.sqlite")
        self.records: Records = open_records(f"sqlite:///{self.folder / 'records.sqlite'}")

    def close(self) -> None:
        self.records.close()
        self.store.close()

    def in_zone(self, zone: str, **shop: Any) -> None:
        self.settings = replace(self.settings, shop=replace(self.settings.shop, time_zone=zone, **shop))

    def climate(
        self,
        air_c: Climate,
        damp: Climate = ORDINARY,
        *,
        days: float = 20.0,
        until: datetime | None = None,
        booth: str = BOOTH,
        node: str = "air-1",
        speed: Climate | None = STILL,
        every_min: float = 20.0,
    ) -> None:
        """What a node measured, from some days before the end; nothing where a function gives None."""
        end = until or self.now
        count = int(days * 24 * 60 / every_min)
        packs = []
        for k in range(count + 1):
            at = end - timedelta(minutes=every_min * (count - k))
            values = {"air_temperature": air_c(at), "relative_humidity": damp(at)}
            if speed is not None:
                values["face_velocity"] = speed(at)
            time_ms = round(at.timestamp() * 1000)
            readings = tuple(
                Reading(booth=booth, node=node, quantity=name, unit=UNITS[name], time_ms=time_ms, value=value)
                for name, value in values.items()
                if value is not None
            )
            if readings:
                packs.append(Pack(booth=booth, node=node, kind="readings", received_ms=time_ms, readings=readings))
        self.store.write(Batch(packs=packs))

    def piece(self, name: str = "Shell 1") -> Piece:
        return self.records.add_piece(Piece(name=name))

    def mix(self, material: Material, **given: Any) -> Mix:
        stored = material if material.id else self.records.add_material(material)
        return self.records.add_mix(Mix(material=stored, **given))

    def coat(self, piece: Piece, mix: Mix, hours_ago: float, **given: Any) -> Coat:
        """A coat of 100 µm wet that ended so many hours ago."""
        end = self.now - timedelta(hours=hours_ago)
        fields: dict[str, Any] = {
            "started_at": end - timedelta(minutes=6),
            "ended_at": end,
            "wet_film_low_um": 95.0,
            "wet_film_high_um": 105.0,
        }
        return self.records.log_coat(Coat(piece_id=piece.id, mix=mix, **{"booth": BOOTH, **fields, **given}))

    def check(self, coat: Coat, hours_ago: float, stage_name: str, passed: bool) -> Check:
        return self.records.add_check(
            Check(
                coat_id=coat.id,
                at=self.now - timedelta(hours=hours_ago),
                stage=stage_name,
                method="thumb",
                passed=passed,
            )
        )

    def rack(self, plan: str | None = None, at: datetime | None = None) -> Rack:
        return rack(self.store, self.records, self.settings, round((at or self.now).timestamp() * 1000), plan)

    def on(self, piece: Piece, plan: str | None = None, at: datetime | None = None) -> PieceProgress:
        (found,) = (each for each in self.rack(plan, at).pieces if each.piece.id == piece.id)
        return found

    def last(self, piece: Piece, plan: str | None = None, at: datetime | None = None) -> CoatProgress:
        found = self.on(piece, plan, at).last
        assert found is not None
        return found


def hours(of: CoatProgress, stage_name: str, share: str = "p50") -> float:
    """From when a coat was laid until a stage is ready. [h]"""
    found = of.stage(stage_name)
    assert found is not None
    when = getattr(found.ready, share)
    assert when is not None
    return float((when - (of.coat.ended_at or of.coat.started_at)).total_seconds()) / 3600.0
