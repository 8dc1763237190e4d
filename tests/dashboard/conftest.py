"""A shop on a throw-away folder, and the pages run over it without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st

from dashboard import data
from tests.dashboard import seeding


@pytest.fixture
def empty_shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Settings that point at an empty data folder."""
    monkeypatch.setenv("TACKFREE_DATA_FOLDER", str(tmp_path))
    monkeypatch.setenv("TACKFREE_SHOP_TIME_ZONE", "Europe/Berlin")
    monkeypatch.setenv("TACKFREE_SHOP_NAME", "Test shop")
    st.cache_data.clear()
    st.cache_resource.clear()
    yield tmp_path
    data.records().close()
    st.cache_data.clear()
    st.cache_resource.clear()


@pytest.fixture
def shop(empty_shop: Path) -> Path:
    """A steady booth, two pieces and a finished coat."""
    seeding.shop(empty_shop)
    return empty_shop
