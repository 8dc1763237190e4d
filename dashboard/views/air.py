"""Air: is the air being changed, what vapour is in it, and what would the next coat do to it."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from collector.records.model import ISOCYANATE_CAUTION, Material
from dashboard import air_parts, air_words, charts, data, tiles, words
from dashboard.choosing import choose_booth, choose_material

SPANS = {"1 h": 3_600, "8 h": 28_800, "24 h": 86_400}
MINUTES = {"2 min": 2.0, "5 min": 5.0, "15 min": 15.0}


@st.fragment(run_every=3)
@words.plainly
def answer(booth: str, material: Material, minutes: float, rate_ml_min: float) -> None:
    """The panels, afresh every few seconds."""
    units = data.units()
    state = data.air_state(booth, material.id)
    trouble = data.ingest_trouble()
    coming = data.next_coat_vapour(booth, material.id, minutes, rate_ml_min)
    shown = [
        air_words.exhaust(state.proof, state.flow, data.filter_state(booth), units),
        air_words.fire(state.measured),
        air_words.breathing(state.measured, isocyanate=ISOCYANATE_CAUTION in state.cautions),
        air_words.purge(state.purge, state.last),
        air_words.next_coat(coming, material.name, units),
    ]
    at = datetime.fromtimestamp(state.at_ms / 1000, UTC).astimezone(data.zone())
    quiet = [text for text in state.cautions if text != ISOCYANATE_CAUTION]
    blocks = [
        tiles.warning(trouble) if trouble else "",
        tiles.caution(ISOCYANATE_CAUTION) if ISOCYANATE_CAUTION in state.cautions else "",
        air_parts.panels(shown),
        tiles.note(" ".join([*quiet, f"{air_words.clock_of(state, at)}."])),
    ]
    st.html("".join(f'<div class="tf-gap">{block}</div>' for block in blocks if block))


@st.fragment(run_every=10)
@words.plainly
def course(booth: str, material: Material, minutes: float, rate_ml_min: float) -> None:
    """Vapour measured and predicted, up to now."""
    span = st.segmented_control("Time shown", list(SPANS), default="8 h", required=True, key="air-span")
    found = data.vapour_course(booth, SPANS[span or "8 h"])
    state = data.air_state(booth, material.id)
    if found.empty:
        st.info(f"No vapour was measured in {booth} in this time, and none predicted.")
    else:
        start, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (found.start_ms, found.end_ms))
        st.echarts_chart(
            charts.vapour(
                found,
                zone=data.zone(),
                limit_ppm=state.measured.limit_ppm,
                coats=data.coat_spans(booth, start, end),
                dark=st.context.theme.type == "dark",
            ),
            height=360,
            key="vapour",
            alt=charts.describe_vapour(found),
        )
    told = [
        "Measured: highest of each step, in ppm of the blend last sprayed.",
        "Predicted: dashed, with its 90 % band; from mix, spray rate and exhaust, as if that ran on. Grey: spraying.",
        air_words.assumed(data.next_coat_vapour(booth, material.id, minutes, rate_ml_min)),
        air_words.response(state.measured),
        f"{state.index_words}." if state.index_words else "",
    ]
    st.html(tiles.note(" ".join(text for text in told if text)))
    if state.limits:
        with st.expander("Limits of this blend, and where each comes from"):
            st.html(tiles.table(["Solvent", "Limit", "Value", "Source", "Status"], air_words.limit_rows(state.limits)))


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Air", data.settings().shop.name))
    st.html(air_parts.sheet())
    several = len(data.booths()) > 1
    left, middle, right, *rest = st.columns([3, 3, 2, 1.6] if several else [3, 3, 2], vertical_alignment="bottom")
    with left:
        material = choose_material()
    booth = choose_booth(rest[0] if rest else None)
    if material is None:
        st.info("There is no material yet. Add one before asking what it would do to the air.")
        return
    span = middle.segmented_control(
        "Next coat sprays for", list(MINUTES), default="5 min", required=True, key="minutes"
    )
    rate = right.number_input(
        "Gun, ml/min", 1.0, 5_000.0, value=data.settings().ventilation.spray_rate_ml_min, step=10.0, format="%.0f"
    )
    minutes = MINUTES[span or "5 min"]
    answer(booth, material, minutes, float(rate))
    st.header("Vapour, measured and predicted", anchor=False)
    course(booth, material, minutes, float(rate))


page()
