"""Booth: may this material be sprayed now, why, and what the booth has been doing."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from collector.advice import conditions
from collector.advice.blush import NOT_THE_CLIMATE
from collector.records.model import ISOCYANATE_CAUTION, Material, Piece
from dashboard import charts, data, tiles, words
from dashboard.choosing import choose_booth, choose_material, choose_piece

SPANS = {"15 min": 900, "1 h": 3_600, "8 h": 28_800, "24 h": 86_400}


@st.fragment(run_every=3)
@words.plainly
def answer(booth: str, material: Material, piece: Piece | None) -> None:
    """The verdict with its limits and the measured values, afresh every few seconds."""
    units, limits = data.units(), data.settings().readiness
    state = data.booth_state(booth)
    found = data.readiness(state, material, piece)
    trouble = data.ingest_trouble()
    margin = next(limit for limit in found.limits if limit.name == "dew_point_margin")
    # A node that sends humidity alone has no dew point of its own; then one that has is shown, by its name.
    stations = [margin.node, *sorted({reading.node for reading in state.readings} - {margin.node})]
    dews = ((node, conditions.dew_point(state, node, limits)) for node in stations)
    station, dew = next(((node, found_at) for node, found_at in dews if found_at is not None), ("", None))
    subject = f"{material.name} on {piece.name}" if piece else material.name
    at = datetime.fromtimestamp(found.at_ms / 1000, UTC).astimezone(data.zone())
    blocks = [
        tiles.warning(trouble) if trouble else "",
        tiles.verdict_band(
            verdict=found.verdict,
            subject=subject,
            reason=words.sentence(found.reason),
            clock=f"{at:%H:%M:%S}",
            place=booth,
        ),
        tiles.caution(ISOCYANATE_CAUTION) if ISOCYANATE_CAUTION in found.cautions else "",
        tiles.two(
            tiles.limits(words.limit_row(limit, units) for limit in found.limits),
            tiles.tiles(words.booth_tiles(state, found, dew, units, limits.stale_after_s, station)),
        ),
        # What is not judged has no row among the limits, so there is room for it below them.
        tiles.note(
            " ".join([*(text for text in found.cautions if text != ISOCYANATE_CAUTION), "Each ± covers about 95 %."])
        ),
    ]
    st.html("".join(f'<div class="tf-gap">{block}</div>' for block in blocks if block))


@st.fragment(run_every=4)
@words.plainly
def ways(booth: str, material: Material, piece: Piece | None) -> None:
    """What would bring the chance of blush under the shop's limit, only while it is over it."""
    found = data.readiness(data.booth_state(booth), material, piece)
    blush, most = found.wet_coat.blush, data.settings().readiness.blush_limit_pct
    if blush is None or 100 * blush.probability <= most:
        return
    told = data.ways_out(found, material, piece)
    if told is None:
        body = tiles.note("Working it out ...")
    else:
        body = tiles.ways(words.way_row(way) for way in told) + tiles.note(
            f"Each alone, all else as it is now. {NOT_THE_CLIMATE}"
        )
    st.html(f'<div class="tf"><h2>What would bring blush under your limit of {most:g} %</h2></div>{body}')


@words.plainly
def hands_free(booth: str, material: Material, piece: Piece | None) -> None:
    """What the nodes' button and lamp go by, and the tap that makes them follow the choice above."""
    setup = data.booth_setup(booth)
    materials = {item.id: item.name for item in data.materials()}
    told = "Button and lamp of the nodes follow nothing yet."
    if setup is not None and setup.material_id in materials:
        on = (
            f" on {data.piece_name(setup.piece_id)}" if setup.piece_id else ", and the button starts no coat (no piece)"
        )
        told = f"Button and lamp of the nodes follow: {materials[setup.material_id]}{on}."
    wanted = (material.id, piece.id if piece else None)
    left, right = st.columns([3, 2], vertical_alignment="center")
    left.html(tiles.note(told))
    differs = setup is None or (setup.material_id, setup.piece_id) != wanted
    if differs and right.button("Button and lamp: follow this choice", key="hands-free", width="stretch"):
        data.set_up_booth(booth, material, piece)
        st.rerun()


@st.fragment(run_every=5)
@words.plainly
def history(booth: str, material: Material) -> None:
    """What the booth did, up to now."""
    span = st.segmented_control("Time shown", list(SPANS), default="24 h", required=True, key="span")
    found = data.recent_conditions(booth, SPANS[span or "24 h"])
    if found.empty:
        st.info(f"Nothing was measured in {booth} in this time.")
        return
    start, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (found.start_ms, found.end_ms))
    st.echarts_chart(
        charts.booth(
            found,
            zone=data.zone(),
            units=data.units(),
            limits=material.limits,
            margin_limit_k=data.margin_limit_k(material),
            coats=data.coat_spans(booth, start, end),
            dark=st.context.theme.type == "dark",
        ),
        height=620,
        key="history",
        alt=charts.describe(found, data.units()),
    )
    st.html(
        tiles.note(
            f"Air and dew point from {found.node or 'no node'}, surface from {found.surface_node or 'no node'}. "
            "Band: dew point with its ±. Dashed: the least surface temperature the margin allows, and the "
            "material's limits. Grey: spraying. A break in a line: nothing was measured."
        )
    )


@st.fragment(run_every=10)
@words.plainly
def nodes(booth: str) -> None:
    """The nodes, their faults, and what was refused."""
    log, now_ms = data.booth_log(booth), round(data.now().timestamp() * 1000)
    if not log.nodes:
        st.info(f"No node has been heard in {booth} yet.")
        return
    faults = data.booth_state(booth).faults
    rows = [
        words.node_row(
            node,
            "; ".join(
                f"{quantity.replace('_', ' ')}: {text}" for (of, quantity), text in faults.items() if of == node.node
            ),
            now_ms,
        )
        for node in log.nodes
    ]
    st.html(tiles.table(["Node", "State", "Last heard", "Gaps in its numbers", "Faults"], rows))
    with st.expander(f"Refused messages in the last day: {log.dead_letter_count}"):
        if not log.dead_letters:
            st.write("None. A message that cannot be read is kept here with its reason.")
        else:
            refused = [
                [
                    words.clock(datetime.fromtimestamp(letter.received_ms / 1000, UTC), data.zone(), data.now()),
                    letter.topic,
                    letter.reason,
                ]
                for letter in log.dead_letters
            ]
            st.html(tiles.table(["When", "Topic", "Why"], refused))


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Booth", data.settings().shop.name))
    booth, material, piece = None, None, None
    left, right, *rest = st.columns([3, 2, 1.4] if len(data.booths()) > 1 else [3, 2], vertical_alignment="bottom")
    with left:
        material = choose_material()
    with right:
        piece = choose_piece()
    booth = choose_booth(rest[0] if rest else None)
    if material is None:
        st.info("There is no material yet. Add one before asking for an answer.")
        return
    answer(booth, material, piece)
    ways(booth, material, piece)
    hands_free(booth, material, piece)
    st.header("What the booth has been doing", anchor=False)
    history(booth, material)
    st.header("Nodes", anchor=False)
    nodes(booth)


page()
