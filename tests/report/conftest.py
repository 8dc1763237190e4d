"""The demo's past in stores of its own, and a second shop made by hand."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import pytest

from collector.demo.history import fill
from collector.readings.sqlite import SqliteReadingStore
from collector.records.repository import Records, open_records
from collector.report.file import file_of
from collector.report.gather import gather
from collector.settings import Data, Settings, Shop

NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)


@dataclass(frozen=True)
class DemoShop:
    readings: SqliteReadingStore
    records: Records
    settings: Settings

    def in_units(self, units: str) -> Settings:
        return replace(self.settings, shop=replace(self.settings.shop, units=units))

    def record(self, piece: str, units: str = "metric"):
        return gather(self.readings, self.records, self.in_units(units), self.records.piece(piece), NOW)

    def file(self, piece: str, reader: str, kind: str, units: str = "metric"):
        found = self.records.piece(piece)
        return file_of(self.readings, self.records, self.in_units(units), found, reader, kind, NOW)


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    settings = Settings(
        shop=Shop(name="Demo shop (simulated)", time_zone="Europe/Berlin"), data=Data(folder=str(folder))
    )
    readings = SqliteReadingStore(settings.data.readings_file)
    records = open_records(settings.data.records_url)
    fill(readings, records, now=NOW, seed=3, days=21, time_zone=settings.shop.zone, booth="booth-1")
    yield DemoShop(readings=readings, records=records, settings=settings)
    readings.close()
    records.close()


@pytest.fixture
def own(tmp_path):
    """A shop with the example materials and nothing in it yet."""
    settings = Settings(shop=Shop(name="Own shop", time_zone="Europe/Berlin"), data=Data(folder=str(tmp_path)))
    readings = SqliteReadingStore(settings.data.readings_file)
    records = open_records(settings.data.records_url)
    yield DemoShop(readings=readings, records=records, settings=settings)
    readings.close()
    records.close()
