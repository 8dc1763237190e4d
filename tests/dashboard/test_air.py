"""The Air page over real stores: both questions answered, nothing cleared that cannot be, every caution in view."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from collector.advice.airflow import AirflowProof, FilterState, Flow
from collector.advice.coat_air import VapourCourse
from collector.advice.display import Units
from collector.advice.vapour import Against
from collector.records.model import Mix
from dashboard import air_parts, air_words, charts, data
from tests.dashboard import seeding
from tests.dashboard.test_pages import html, opened, said

PAGE = "views/air.py"
VENTILATION = {"VOLUME_M3": "12", "FACE_OPENING_M2": "1.0", "MIXING_FACTOR": "1"}


@pytest.fixture(autouse=True)
def known_booth(monkeypatch: pytest.MonkeyPatch) -> None:
    """A booth of which volume and opening are set."""
    for key, value in VENTILATION.items():
        monkeypatch.setenv(f"TACKFREE_VENTILATION_{key}", value)


def states(test: AppTest) -> dict[str, str]:
    """Panel to its verdict."""
    return dict(re.findall(r'data-panel="([^"]+)" data-state="([^"]+)"', html(test)))


def now_reads(folder: Path, **values: float) -> None:
    seeding.put(folder, "air-1", values, datetime.now(UTC) + timedelta(seconds=1))


def test_all_five_questions_are_answered(shop: Path) -> None:
    test = opened(PAGE)
    assert not test.exception
    assert said(test) == []
    assert set(states(test)) == {
        "Exhaust", "Fire now", "Breathing now", "Purge", "Next coat at its peak"
    }  # fmt: skip


def test_fire_within_and_breathing_over_stand_side_by_side(shop: Path) -> None:
    # Seeded lacquer an hour ago: 600 ppm as isobutylene is some 700 ppm of it, near 7 % of its lower limit
    now_reads(shop, voc_ppm=600.0)
    test = opened(PAGE)
    assert states(test)["Fire now"] == "go"
    assert states(test)["Breathing now"] == "hold"
    assert "OVER" in html(test) and "WITHIN" in html(test)


@pytest.mark.parametrize(("velocity", "word"), [(0.0, "NOT RUNNING"), (0.3, "WEAK"), (0.9, "RUNNING")])
def test_the_exhaust_is_named_by_its_state(shop: Path, velocity: float, word: str) -> None:
    now_reads(shop, face_velocity=velocity)
    test = opened(PAGE)
    assert f'<span class="word">{word}</span>' in html(test)
    assert (states(test)["Exhaust"] == "go") == (velocity == 0.9)


def test_the_flow_is_shown_with_its_spread(shop: Path) -> None:
    now_reads(shop, face_velocity=0.7)
    # 0.7 m/s through 1 m²: 2,520 m³/h, ± twice 20 %/√3 of it
    body = html(opened(PAGE)).replace("\u00a0", " ")
    assert "2,520<span>m³/h" in body
    assert "± 582 m³/h" in body


def test_a_shop_on_us_units_sees_feet_and_cubic_feet(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TACKFREE_SHOP_UNITS", "us")
    now_reads(shop, face_velocity=0.7)
    body = html(opened(PAGE))
    # 0.7 m/s is 138 ft/min; 2,520 m³/h is 1,480 cfm to three figures
    assert "138<span>ft/min" in body
    assert "1,480<span>cfm" in body
    assert "m³/h" not in body


def test_the_purge_counts_down_after_a_coat(shop: Path) -> None:
    records = data.records()
    piece = records.piece("Lap steel 1")
    mix = records.mixes()[0]
    now = data.now()
    records.start_coat(piece.id, mix.id, seeding.BOOTH, now - timedelta(minutes=6))
    test = opened(PAGE)
    assert "SPRAYING" in html(test)
    records.end_coat(piece.id, now - timedelta(minutes=1), sprayed_ml=500)
    data.air_state.clear()
    test = opened(PAGE)
    assert "PURGING" in html(test)
    assert "min left" in html(test)


def test_isocyanates_are_cautioned_and_nothing_is_cleared(shop: Path) -> None:
    urethane = data.records().material("Two-component urethane, clear")
    now_reads(shop, voc_ppm=0.0, face_velocity=0.9)
    chosen = opened(PAGE, material=str(urethane.id))
    assert "No sensor here can detect them" in html(chosen)
    assert states(chosen)["Next coat at its peak"] != "go"
    assert states(chosen)["Breathing now"] != "go"
    records = data.records()
    mix = records.add_mix(Mix(material=urethane))
    started = data.now() - timedelta(hours=6)
    records.start_coat(records.piece("Lap steel 1").id, mix.id, seeding.BOOTH, started)
    records.end_coat(records.piece("Lap steel 1").id, started + timedelta(minutes=5), sprayed_ml=100)
    data.air_state.clear()
    after = opened(PAGE)
    assert "No sensor here can detect them" in html(after)
    assert states(after)["Breathing now"] != "go"


def test_the_standing_cautions_are_in_view_and_nothing_is_called_safe(shop: Path) -> None:
    body = html(opened(PAGE))
    assert "no gas detector, no interlock" in body
    assert "take precedence" in body
    assert "a painter in the plume breathes more" in body
    assert not re.search(r"\bsafe\b", body)


def test_a_chart_and_the_sources_of_the_limits_are_there(shop: Path) -> None:
    test = opened(PAGE)
    assert len(test.get("echarts_chart")) == 1
    assert "NIOSH REL" in html(test) and "lower flammable limit" in html(test)


def test_on_an_empty_data_folder_the_page_opens_and_says_what_lacks(empty_shop: Path) -> None:
    test = opened(PAGE)
    assert not test.exception
    assert any("does not exist" in text for text in said(test))


def test_without_a_flow_nothing_is_predicted_and_the_reason_is_told(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TACKFREE_VENTILATION_FACE_OPENING_M2", "0")
    test = opened(PAGE)
    assert states(test)["Next coat at its peak"] == "cannot tell"
    assert "the flow is not known" in html(test)


# Words


def test_flows_are_shown_in_the_shops_units() -> None:
    assert air_words.flow(1_019.4, Units("us")) == "600 cfm"
    assert air_words.flow(1_019.4, Units("metric")) == "1,020 m³/h"
    assert air_words.flow(None, Units()) == "not known"


def test_what_cannot_be_told_outranks_within_and_yields_to_over() -> None:
    blank = Against(yardstick="pel", verdict="go", value=0.1, low=0.1, high=0.2, limit=1.0, missing=())
    made = {verdict: replace(blank, verdict=verdict) for verdict in ("go", "marginal", "cannot tell", "hold")}
    assert air_words.worst([made["go"], made["cannot tell"], made["marginal"]]) == "cannot tell"
    assert air_words.worst([made["cannot tell"], made["hold"]]) == "hold"
    assert air_words.worst([made["go"], made["go"]]) == "go"


# Chart

START_MS = 1_772_697_600_000  # 2026-03-05 08:00 UTC, 09:00 in Berlin
MINUTES = np.arange(60, dtype=np.int64)


def course(measured: float, predicted: float) -> VapourCourse:
    """An hour with a prediction from 20 to 40 min, and no reading from 50 min on."""
    of_coat = np.where((MINUTES >= 20) & (MINUTES < 40), predicted, np.nan)
    return VapourCourse(
        booth="booth-1", start_ms=START_MS, end_ms=START_MS + 3_600_000, time_ms=START_MS + 60_000 * MINUTES,
        measured_ppm=np.where(MINUTES < 50, measured, np.nan), predicted_ppm=of_coat, low_ppm=0.5 * of_coat,
        high_ppm=2 * of_coat,
    )  # fmt: skip


def drawn(found: VapourCourse, **named: Any) -> dict[str, Any]:
    return charts.vapour(found, zone=ZoneInfo("Europe/Berlin"), **{"limit_ppm": {}, **named})


def test_gaps_stay_gaps_and_the_band_stands_on_its_low_end() -> None:
    table = drawn(course(30.0, 100.0))["dataset"]["source"].set_index("time")
    assert table.loc["2026-03-05 09:50:00":].isna().all().all()
    assert table.loc["2026-03-05 09:19:00", "Predicted":].isna().all()
    row = table.loc["2026-03-05 09:30:00"]
    assert (row["Predicted, low"], row["Predicted, width"]) == (50.0, 150.0)


def test_a_limit_is_drawn_where_the_vapour_comes_near_it_and_named() -> None:
    limits = {"rel": 150.0, "pel": 900.0, "lfl": 3_500.0}
    lines = drawn(course(30.0, 100.0), limit_ppm=limits)["series"][-1]["markLine"]["data"]
    assert [line["name"] for line in lines] == ["1 x REL, 150 ppm"]


def test_a_detectors_noise_does_not_fill_the_panel() -> None:
    assert drawn(course(0.4, 0.0))["yAxis"][0]["max"] == 10
    assert "max" not in drawn(course(40.0, 0.0))["yAxis"][0]


def test_coats_are_shaded_in_shop_time() -> None:
    start = datetime.fromtimestamp(START_MS / 1000 + 1_200, UTC)
    areas = drawn(course(1.0, 1.0), coats=[(start, start + timedelta(minutes=5))])["series"][0]["markArea"]["data"]
    assert [end["xAxis"] for end in areas[0]] == ["2026-03-05T09:20:00", "2026-03-05T09:25:00"]


def test_the_chart_is_told_in_words() -> None:
    assert "Measured at most 30 ppm; predicted at most 100 ppm" in charts.describe_vapour(course(30.0, 100.0))


def test_names_from_outside_are_escaped() -> None:
    proof = AirflowProof(state="running", verdict="go", reason="by <b>node</b>")
    panel = air_words.exhaust(
        proof,
        Flow(m3_h=None, relative_uncertainty=0.1, source="x"),
        FilterState(state="cannot tell", reason="<i>"),
        Units(),
    )
    shown = air_parts.panels([panel])
    assert "<b>node" not in shown
    assert "&lt;b&gt;node" in shown
