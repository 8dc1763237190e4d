"""A real record store in a fresh folder."""

import pytest

from collector.records.repository import open_records


@pytest.fixture
def url(tmp_path):
    return f"sqlite:///{tmp_path / 'records.sqlite'}"


@pytest.fixture
def records(url):
    opened = open_records(url)
    yield opened
    opened.close()
