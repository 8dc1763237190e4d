"""The finish date promises: an interval that follows what is left, a chance by the due date, and what takes longest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.advice.coat_progress import Moment
from collector.advice.coats_to_come import Shelf
from collector.advice.finish import Finish, PieceSchedule, shop_schedules
from collector.advice.shop_learning import shop_learning
from collector.records.model import Coat, Piece
from collector.records.schedule import Schedule, Step, numbered
from tests.advice.rack_shop import NOW, TestShop, lacquer, steady

STEPS = numbered(
    (
        Step(kind="coat", role="clear", coats=2),
        Step(kind="wait", after_stage="sand_ready"),
        Step(kind="level_sand", grits=("P800", "P1000"), after_stage="sand_ready"),
        Step(kind="polish"),
    )
)


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[TestShop]:
    made = TestShop(tmp_path)
    made.climate(steady(21.0))
    yield made
    made.close()


def follow(shop: TestShop, piece: Piece, steps: tuple[Step, ...] = STEPS) -> Schedule:
    made = Schedule(piece_id=piece.id, template="", steps=steps, copied_at=NOW - timedelta(days=9))
    return shop.records.schedules.copy(made)


def look(shop: TestShop) -> dict[int, PieceSchedule]:
    now_ms = round(NOW.timestamp() * 1000)
    learning = shop_learning(shop.store, shop.records, shop.settings, now_ms)
    return shop_schedules(shop.records, shop.rack(), learning, shop.settings)


def of(shop: TestShop, piece: Piece) -> Finish:
    return look(shop)[piece.id].finish


def days(when: Moment) -> list[float]:
    return [(one - NOW).total_seconds() / 86_400 for one in (when.p10, when.p50, when.p90) if one is not None]


def clears(shop: TestShop, piece: Piece, *hours_ago: float) -> list[Coat]:
    mix = shop.mix(next((m for m in shop.records.materials() if m.name == "Test lacquer"), lacquer()))
    return [shop.coat(piece, mix, h) for h in hours_ago]


def test_a_piece_without_a_schedule_has_no_finish(shop: TestShop) -> None:
    shop.piece()
    assert look(shop) == {}


def test_the_wait_for_the_last_coat_is_in_it_and_is_what_takes_longest(shop: TestShop) -> None:
    piece = shop.piece()
    clears(shop, piece, 2.0)
    follow(shop, piece)
    found = of(shop, piece)
    low, middle, high = days(found.when)
    # Ready to level-sand after 120 to 240 h by the sheet, at the sheet's own temperature; two coats laid together are
    # one film of twice the thickness, which diffusion takes four times as long to leave: 20 to 40 days, and then work.
    assert low < middle < high
    assert 15.0 < middle < 45.0
    assert found.bottleneck == "waiting until ready to level-sand"


def test_it_comes_nearer_as_steps_are_done(shop: TestShop) -> None:
    before, after = shop.piece("One"), shop.piece("Two")
    clears(shop, before, 2.0)
    clears(shop, after, 150.0, 140.0)
    follow(shop, before)
    follow(shop, after)
    found = look(shop)
    assert days(found[after.id].finish.when)[1] < days(found[before.id].finish.when)[1] - 2.0


def test_a_step_ticked_by_hand_is_no_longer_in_it(shop: TestShop) -> None:
    piece = shop.piece()
    clears(shop, piece, 150.0, 140.0)
    held = follow(shop, piece)
    before = days(of(shop, piece).when)[1]
    shop.records.schedules.tick(held.id, 3, NOW)
    assert days(of(shop, piece).when)[1] < before


def test_a_cold_shop_finishes_later(tmp_path: Path) -> None:
    middles = []
    for name, air_c in (("warm", 21.0), ("cold", 12.0)):
        (tmp_path / name).mkdir()
        shop = TestShop(tmp_path / name)
        shop.climate(steady(air_c))
        piece = shop.piece()
        clears(shop, piece, 2.0)
        follow(shop, piece)
        middles.append(days(of(shop, piece).when)[1])
        shop.close()
    assert middles[1] > 1.3 * middles[0]


@pytest.mark.parametrize(("in_days", "verdict"), [(200.0, "in time"), (1.0, "late")])
def test_the_due_date_has_a_chance(shop: TestShop, in_days: float, verdict: str) -> None:
    piece = shop.records.add_piece(Piece(name="Due", due=NOW + timedelta(days=in_days)))
    clears(shop, piece, 2.0)
    follow(shop, piece)
    found = of(shop, piece)
    assert found.verdict == verdict
    assert found.chance is not None
    assert (found.chance > 0.95) == (verdict == "in time")


def test_without_a_due_date_there_is_no_chance_and_no_verdict(shop: TestShop) -> None:
    piece = shop.piece()
    follow(shop, piece)
    assert (of(shop, piece).chance, of(shop, piece).verdict) == (None, "")


def test_the_same_log_gives_the_same_date(shop: TestShop) -> None:
    piece = shop.piece()
    clears(shop, piece, 2.0)
    follow(shop, piece)
    assert of(shop, piece) == of(shop, piece)


def test_a_shop_that_polishes_slowly_is_known_to(shop: TestShop) -> None:
    piece = shop.piece("In hand")
    clears(shop, piece, 400.0, 390.0)
    steps = tuple(replace(step, done_at=NOW - timedelta(hours=1)) if step.id == 3 else step for step in STEPS)
    follow(shop, piece, steps)
    before = of(shop, piece)
    for number in range(12):
        other = shop.piece(f"Done {number}")
        at = NOW - timedelta(days=3)
        own = (Step(kind="scuff", id=1, done_at=at), Step(kind="polish", id=2, done_at=at, done_min=600.0))
        follow(shop, other, own)
    after = of(shop, piece)
    assert after.logged > before.logged
    assert days(after.when)[1] > days(before.when)[1] + 0.1


def test_coats_that_dry_slowly_where_they_stand_stretch_those_to_come(tmp_path: Path) -> None:
    shop = TestShop(tmp_path)
    shop.climate(steady(12.0))
    clears(shop, shop.piece(), 2.0)
    learning = shop_learning(shop.store, shop.records, shop.settings, round(NOW.timestamp() * 1000))
    assert Shelf(shop.records.coats(), [], learning, shop.rack(), shop.settings).stretch.times > 1.3
    shop.close()


def test_a_finished_piece_has_nothing_left(shop: TestShop) -> None:
    piece = shop.piece()
    follow(shop, piece, tuple(replace(step, done_at=NOW - timedelta(hours=1)) for step in STEPS))
    found = look(shop)[piece.id]
    assert found.standing.next is None
    assert (found.finish.bottleneck, days(found.finish.when)) == ("", [0.0, 0.0, 0.0])
