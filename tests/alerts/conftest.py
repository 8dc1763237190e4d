"""Real stores in a fresh folder, and real receivers of messages."""

import pytest

from collector.readings.sqlite import SqliteReadingStore
from collector.records.repository import open_records
from tests.alerts.receivers import Mailbox, Receiver


@pytest.fixture
def url(tmp_path):
    return f"sqlite:///{tmp_path / 'records.sqlite'}"


@pytest.fixture
def records(url):
    opened = open_records(url)
    yield opened
    opened.close()


@pytest.fixture
def book(records):
    return records.alerts


@pytest.fixture
def store(tmp_path):
    opened = SqliteReadingStore(tmp_path / "readings.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def receiver():
    made = Receiver()
    made.start()
    yield made
    made.stop()


@pytest.fixture
def mailbox():
    made = Mailbox()
    made.start()
    yield made
    made.stop()
