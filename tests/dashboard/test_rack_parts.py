"""The Rack's cards: every interval drawn to scale and told in words, every caution in place, nothing run as code."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import PieceProgress, RecoatState
from dashboard import rack_parts, time_scale
from tests.dashboard import racks

BERLIN = ZoneInfo("Europe/Berlin")
NOW = racks.NOW
RACK = {each.piece.name: each for each in racks.rack().pieces}
STEEL = RACK["Lap steel, eight string, alder"]


def card(each: PieceProgress, place: str = "") -> str:
    return rack_parts.card(each, BERLIN, NOW, place=place).replace("\u00a0", " ")


def drawn(body: str, lane: str, kind: str) -> list[tuple[float, float]]:
    """Left end and width of every mark of a kind in a lane, in percent."""
    found = re.search(rf'data-lane="{lane}".*?</span></div>(?=<div class="tf-)', body)
    assert found, f"no lane {lane}"
    marks = re.findall(rf'class="{kind}" style="left:([\d.]+)%;width:([\d.]+)%"', found.group())
    return [(float(left), float(width)) for left, width in marks]


def test_a_card_leads_with_what_can_be_done_now_and_how_sure_it_is() -> None:
    body = card(STEEL)
    assert '<div class="big">Recoat now</div>' in body
    assert "almost certain, 97 %" in body
    assert "Two-component urethane, clear, today 05:30, 8.0 h ago" in body


def test_a_piece_that_waits_shows_its_interval_its_median_and_what_holds_it_up() -> None:
    body = card(RACK["Cigar-box guitar 1"])
    assert "Recoat by today 17:30" in body
    assert "about today 15:00" in body
    assert "50 % of the way (25 to 70 %)" in body
    assert "damp: 68 % RH adds a third" in body


def test_a_band_is_drawn_from_p10_to_p90_on_the_cards_scale() -> None:
    assert STEEL.last is not None
    scale = time_scale.of_coat(STEEL.last, NOW)
    ready = racks.moment(NOW, -1, 2.5, 6)
    assert ready.p10 and ready.p50 and ready.p90
    [(left, width)] = drawn(card(STEEL), "tape", "band")
    assert left == pytest.approx(scale.at(ready.p10), abs=0.01)
    assert left + width == pytest.approx(scale.at(ready.p90), abs=0.02)
    assert f'class="half" style="left:{scale.at(ready.p50):.2f}%"' in card(STEEL)
    assert f'class="now" style="left:{scale.at(NOW):.2f}%"' in card(STEEL)


def test_a_closing_window_has_a_word_a_shape_and_its_hatching_ahead_of_now() -> None:
    body = card(STEEL)
    assert "Recoat window closing in 3 h (2 h to 5 h)" in body
    assert re.search(r'data-window="marginal"><img src="data:image/svg', body)
    assert "Recoat before it closes, or wait and scuff." in body
    assert STEEL.last is not None
    scale = time_scale.of_coat(STEEL.last, NOW)
    [(left, _)] = drawn(body, "window", "ending")
    assert left == pytest.approx(scale.at(NOW + timedelta(hours=2)), abs=0.01)
    assert left > scale.at(NOW)


def test_a_closed_window_is_not_drawn_open() -> None:
    assert STEEL.last is not None
    shut = RecoatState(
        state=cp.CLOSED, opens=racks.moment(NOW, -7, -6, -5), closes=racks.moment(NOW, -4, -3, -2), reopens=None
    )
    body = card(replace(STEEL, last=replace(STEEL.last, recoat=shut)))
    scale = time_scale.of_coat(replace(STEEL.last, recoat=shut), NOW)
    [(left, width)] = drawn(body, "window", "able")
    assert left + width <= scale.at(NOW - timedelta(hours=4)) + 0.02
    [(left, width)] = drawn(body, "window", "shut")
    assert left + width == pytest.approx(100.0, abs=0.02)


def test_open_after_scuffing_is_drawn_from_where_the_window_has_closed_for_sure() -> None:
    assert STEEL.last is not None
    closing = RecoatState(
        state=cp.CLOSING, opens=racks.moment(NOW, -7, -6, -5), closes=racks.moment(NOW, 2, 3, 5),
        reopens=racks.moment(NOW, 2, 3, 5),
    )  # fmt: skip
    each = replace(STEEL, last=replace(STEEL.last, recoat=closing))
    [(ending, width)] = drawn(card(each), "window", "ending")
    [(scuff, _)] = drawn(card(each), "window", "scuff")
    assert scuff == pytest.approx(ending + width, abs=0.02)


def test_flags_are_always_in_view() -> None:
    assert "below the 10 °C it needs to form a film" in card(RACK["Cigar-box guitar 1"])


def test_the_isocyanate_caution_stays_whatever_a_check_found() -> None:
    assert "No sensor here can detect them" in card(STEEL)
    assert STEEL.last is not None
    found = tuple(replace(stage, confirmed=True, probability=1.0) for stage in STEEL.last.stages)
    assert "No sensor here can detect them" in card(replace(STEEL, last=replace(STEEL.last, stages=found)))
    assert "No sensor here can detect them" not in card(RACK["Lap steel 3, alder, gold"])


def test_a_step_beyond_the_scale_is_told_in_words() -> None:
    body = card(RACK["Lap steel 3, alder, gold"])
    assert 'data-lane="sand"' not in body
    assert "▸ sand" in body and "from Wed 2 Dec on" in body


def test_the_scale_is_told_to_those_who_do_not_see_it() -> None:
    assert re.search(r'role="img" aria-label="[^"]*Ready to tape: 22 % now; by today 19:30', card(STEEL))


def test_a_past_due_date_is_marked_by_more_than_colour() -> None:
    assert "▲ was due yesterday" in card(RACK["Cigar-box guitar 1"])


def test_where_a_piece_stands_is_shown() -> None:
    assert "Stands in: <b>heated room, 25 °C</b>" in card(STEEL, place="heated room, 25 °C")


def test_names_are_shown_and_never_run() -> None:
    named = replace(STEEL, piece=replace(STEEL.piece, name="<script>alert(1)</script>"))
    bodies = card(named) + rack_parts.rows([named], BERLIN, NOW)
    assert "<script>" not in bodies
    assert "&lt;script&gt;" in bodies


def test_a_piece_without_a_coat_has_no_scale() -> None:
    body = card(RACK["Cigar-box guitar 3"])
    assert "First coat now" in body and "No coat yet" in body
    assert 'role="img"' not in body
