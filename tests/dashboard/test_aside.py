"""What takes a second is worked out aside: an answer does not wait, and does not keep an old chance for long."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from time import monotonic, sleep
from typing import TypeVar

import pytest

from collector.advice.blush import Situation, blush
from collector.advice.readiness import Readiness
from collector.advice.wet_coat import WetCoatAnswer
from collector.errors import NotFound
from collector.settings import Settings
from dashboard import aside

T = TypeVar("T")

COAT = ("b", 1, 1, None)
DRY = Situation(
    blend=(("acetone", 0.5), ("toluene", 0.5)),
    air_c=25.0,
    relative_humidity_pct=40.0,
    part_c=24.0,
    air_speed_m_s=0.3,
    wet_film_um=100.0,
    solids_mass_fraction=0.2,
    substrate="maple",
    thickness_mm=42.0,
)
DAMP = replace(DRY, relative_humidity_pct=80.0)


@pytest.fixture(autouse=True)
def nothing_kept() -> None:
    aside._lately.clear()
    aside._ways.clear()


def settled(ask: Callable[[], T], done: Callable[[T], bool]) -> T:
    """What is told once it is so."""
    until = monotonic() + 60
    while not done(told := ask()):
        assert monotonic() < until
        sleep(0.05)
    return told


def answer(situation: Situation) -> Readiness:
    wet = WetCoatAnswer(limits=(), situation=situation, blush=blush(situation), cautions=())
    return Readiness(verdict="hold", reason="", booth="b", at_ms=0, limits=(), cautions=(), wet_coat=wet)


def test_the_first_answer_is_for_the_air_as_it_is() -> None:
    assert aside.blush_lately(COAT, DAMP) == blush(DAMP)


def test_air_that_has_just_changed_is_answered_at_once_by_the_last_and_soon_by_its_own() -> None:
    blush.cache_clear()
    before = aside.blush_lately(COAT, DRY)
    assert aside.blush_lately(COAT, DAMP) == before
    assert settled(lambda: aside.blush_lately(COAT, DAMP), lambda told: told != before) == blush(DAMP)


def test_an_old_chance_is_not_shown_for_air_that_has_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    aside.blush_lately(COAT, DRY)
    monkeypatch.setattr(aside, "BLUSH_AGE", timedelta(0))
    assert aside.blush_lately(COAT, DAMP) == blush(DAMP)


def test_another_material_or_piece_never_gets_the_last_ones_chance() -> None:
    aside.blush_lately(COAT, DRY)
    assert aside.blush_lately(("b", 2, 1, None), DAMP) == blush(DAMP)
    assert aside.blush_lately(("b", 1, 1, 7), DAMP) == blush(DAMP)


def test_ways_out_come_when_they_are_worked_out() -> None:
    asked = answer(DAMP)
    assert aside.ways_out(asked, COAT, Settings()) is None
    ways = settled(lambda: aside.ways_out(asked, COAT, Settings()), lambda told: told is not None)
    assert ways is not None
    assert {way.what for way in ways} >= {"air_temperature", "relative_humidity", "retarder"}


def test_a_retarder_that_is_not_in_the_table_is_named() -> None:
    wrong = Settings(readiness=replace(Settings().readiness, retarder="moonshine"))
    with pytest.raises(NotFound, match="moonshine"):
        settled(lambda: aside.ways_out(answer(DAMP), COAT, wrong), lambda told: told is not None)
