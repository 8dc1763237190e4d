"""The week: every piece a row, every interval where its days are."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard import time_scale, week_parts
from dashboard.time_scale import Scale
from tests.dashboard import racks
from tests.dashboard.test_pages import html, opened, said

BERLIN = ZoneInfo("Europe/Berlin")
NOW = racks.NOW
PIECES = racks.rack().pieces
PAGE = "views/week.py"


def drawn(number: int | None = None) -> str:
    return week_parts.week(PIECES, BERLIN, NOW, named=number).replace("\u00a0", " ")


def row(number: int) -> str:
    found = re.search(rf'data-row="{number}">.*?(?=<div class="r|$)', drawn())
    assert found
    return found.group()


def scale() -> Scale:
    midnights = time_scale.days(NOW, BERLIN, 7)
    return Scale(midnights[0], midnights[-1])


def test_every_piece_has_a_row_that_leads_to_its_card() -> None:
    body = drawn()
    for each in PIECES:
        assert f'href="rack?piece={each.piece.id}"' in body
    assert re.findall(r">(\w{3} \d+)</b>", body) == [
        "Wed 25", "Thu 26", "Fri 27", "Sat 28", "Sun 29", "Mon 30", "Tue 1"
    ]  # fmt: skip


def test_an_interval_lies_on_its_days() -> None:
    # Tape of the bass drum: 14 to 30 h from now
    [(left, width)] = re.findall(r'class="band" style="left:([\d.]+)%;width:([\d.]+)%"', row(5))[:1]
    assert float(left) == pytest.approx(scale().at(NOW + timedelta(hours=14)), abs=0.01)
    assert float(left) + float(width) == pytest.approx(scale().at(NOW + timedelta(hours=30)), abs=0.02)


def test_now_and_the_due_date_are_marked() -> None:
    assert f'class="now" style="left:{scale().at(NOW):.2f}%"' in row(1)
    assert f'class="due" style="left:{scale().at(NOW + timedelta(days=3)):.2f}%"' in row(1)
    assert "due Sat 13:30" in row(1)


def test_a_window_that_closes_is_drawn_with_its_end() -> None:
    assert "window closes" in row(1)
    assert 'class="ending"' in row(1) and 'class="able"' in row(1)
    assert 'class="ending"' not in row(4)


def test_a_step_beyond_the_week_is_told_at_its_end() -> None:
    assert "sand from Wed 2 Dec on ▸" in row(2)


def test_steps_of_one_interval_are_drawn_once() -> None:
    each = PIECES[-1]
    assert each.last is not None
    both = (each.last.stages[0], replace(each.last.stages[0], stage="buff_ready"))
    doubled = replace(each, last=replace(each.last, stages=both))
    body = week_parts.week([doubled], BERLIN, NOW)
    assert body.count('class="band"') == 1
    assert "sand, buff" in body


def test_words_of_one_lane_do_not_run_into_each_other() -> None:
    items = [week_parts.Item(drawn="", written="", left=left, right=left + 20.0) for left in (0.0, 10.0, 21.5, 50.0)]
    lanes = week_parts._packed(items)
    assert [[item.left for item in lane] for lane in lanes] == [[0.0, 21.5, 50.0], [10.0]]


def test_nights_and_weekends_are_shaded_on_the_shops_clock() -> None:
    body = drawn()
    assert body.count("linear-gradient(90deg,transparent") == 2
    midnights = time_scale.days(NOW, BERLIN, 7)
    assert f"{scale().at(midnights[3]):.2f}%" in body  # Saturday begins


def test_the_piece_of_a_link_is_set_off() -> None:
    assert re.findall(r'class="r named" data-row="(\d+)"', drawn(4)) == ["4"]


def test_names_are_shown_and_never_run() -> None:
    named = replace(PIECES[0], piece=replace(PIECES[0].piece, name="<b onclick=x>"))
    assert "<b onclick" not in week_parts.week([named], BERLIN, NOW)


def test_the_page_shows_the_pieces_of_the_shop(shop: Path) -> None:
    test = opened(PAGE)
    assert not test.exception
    assert said(test) == []
    assert "Snare shell, maple" in html(test) and "Lap steel 1" in html(test)


def test_a_link_to_a_piece_puts_it_first(shop: Path) -> None:
    body = html(opened(PAGE, piece="2"))
    assert body.index("Lap steel 1") < body.index("Snare shell, maple")
    assert 'class="r named" data-row="2"' in body
    assert 'class="r named" data-row="1"' in html(opened(PAGE, piece="1"))


def test_a_link_to_a_piece_that_is_not_there_says_so(shop: Path) -> None:
    test = opened(PAGE, piece="999")
    assert any("is not there" in text for text in said(test))
    assert "Snare shell, maple" in html(test)
