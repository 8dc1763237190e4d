"""What the Rack says: intervals never narrower than the forecast, chances that claim no certainty, windows in time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import Moment, PieceProgress, RecoatState
from dashboard import rack_words
from tests.dashboard import racks

BERLIN = ZoneInfo("Europe/Berlin")
NOW = racks.NOW  # Wednesday 25 November 2026, 13:30 in Berlin
RACK = {each.piece.name: each for each in racks.rack().pieces}


def between(*hours: float | None) -> str:
    return rack_words.interval(racks.moment(NOW, *hours), BERLIN, NOW)


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        ((1.5, 3.0, 5.5), "today 15:00 – 19:00"),
        ((20.6, 22.0, 26.1), "tomorrow 10:00 – 16:00"),
        ((5.0, 12.0, 20.0), "today 18:30 – tomorrow 09:30"),
        ((-1.0, 0.5, 2.0), "by today 15:30"),
        ((-3.0, -2.0, -1.0), "since today 12:30"),
        ((-90.0, -80.0, -75.0), "since Sun 22 Nov"),
        ((72.0, 100.0, 240.0), "Sat 28 – Sat 5 Dec"),
        ((-5.0, 100.0, 240.0), "by Sat 5 Dec"),
        ((30.0, 50.0, None), "from tomorrow 19:30 on"),
        ((None, None, None), "after the forecast ends"),
    ],
)
def test_an_interval_names_its_days_as_a_person_would(hours: tuple[float | None, ...], words: str) -> None:
    assert between(*hours) == words


def test_rounding_never_narrows_an_interval() -> None:
    # From 14:44 to 18:31: by half hours outward
    assert between(1.24, 3.0, 5.02) == "today 14:30 – 19:00"
    # Shorter than two hours: by five minutes outward, from 14:33 to 15:27
    assert between(1.05, 1.5, 1.95) == "today 14:30 – 15:30"


def test_the_hours_of_a_clock_change_are_the_shops() -> None:
    # Clocks go back at 03:00 on 25 October 2026: 23:00 UTC before it is 01:00, 04:00 UTC after it is 05:00
    now = datetime(2026, 10, 24, 20, tzinfo=UTC)
    found = Moment(p10=now + timedelta(hours=3), p50=now + timedelta(hours=5), p90=now + timedelta(hours=8))
    assert rack_words.interval(found, BERLIN, now) == "tomorrow 01:00 – 05:00"


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "over 99 %"), (0.994, "over 99 %"), (0.97, "97 %"), (0.0, "under 1 %")]
)
def test_no_chance_is_told_as_certain(share: float, words: str) -> None:
    assert rack_words.percent(share) == words


@pytest.mark.parametrize(
    ("share", "word"),
    [
        (0.97, "almost certain"),
        (0.8, "likely"),
        (0.65, "probable"),
        (0.5, "even chance"),
        (0.2, "unlikely yet"),
        (0.01, "not yet"),
    ],
)
def test_a_chance_has_a_word(share: float, word: str) -> None:
    assert rack_words.likely(share) == word


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Lap steel, eight string, alder", "Recoat now"),
        ("Cigar-box guitar 3", "First coat now"),
        ("Cigar-box guitar 1", "Recoat by today 17:30"),
        ("Bass drum shell 22, ply", "Tape tomorrow 03:30 – 19:30"),
        ("Cigar-box guitar 2", "Level-sand Sat 28 – Tue 8 Dec"),
    ],
)
def test_a_headline_is_the_next_step_and_its_time(name: str, words: str) -> None:
    assert rack_words.headline(RACK[name], BERLIN, NOW) == words


def steps(*named: tuple[str, float]) -> PieceProgress:
    each = RACK["Lap steel, eight string, alder"]
    return replace(each, steps=tuple(cp.NextStep(word=word, when="now", probability=p) for word, p in named))


def test_several_steps_that_can_be_done_now_are_named_in_the_order_of_a_finish() -> None:
    each = steps(("level-sand", 0.96), ("recoat", 0.99), ("tape", 0.97))
    assert rack_words.headline(each, BERLIN, NOW) == "Recoat, tape or sand now"
    assert rack_words.certainty(each, NOW) == "each almost certain, 96 % or more"


def test_of_several_steps_the_least_sure_is_told() -> None:
    assert rack_words.certainty(steps(("recoat", 0.99), ("tape", 0.85)), NOW) == "tape likely, 85 %; the other surer"


def test_a_check_outweighs_a_chance() -> None:
    each = steps(("recoat", 0.9))
    assert each.last is not None
    stages = tuple(replace(one, confirmed=True) if one.stage == "dry_to_recoat" else one for one in each.last.stages)
    checked = replace(each, last=replace(each.last, stages=stages))
    assert rack_words.certainty(checked, NOW) == "checked: yes"


def test_scuffing_is_named_where_it_comes_first() -> None:
    each = steps(("recoat", 0.99))
    assert each.last is not None
    late = replace(each, last=replace(each.last, recoat=RecoatState(state=cp.SCUFF_FIRST)))
    assert rack_words.headline(late, BERLIN, NOW) == "Scuff & recoat now"


def test_a_coat_never_ended_asks_to_be_put_right() -> None:
    each = steps(("end coat", 1.0), ("recoat", 0.99))
    assert rack_words.headline(each, BERLIN, NOW) == "Never ended: put it right"


def window_of(state: RecoatState) -> tuple[str, str] | None:
    last = RACK["Lap steel, eight string, alder"].last
    assert last is not None
    return rack_words.window(replace(last, recoat=state), BERLIN, NOW)


def test_a_window_is_seen_closing_before_it_closes() -> None:
    found = window_of(RecoatState(state=cp.CLOSING, closes=racks.moment(NOW, 2, 3, 5)))
    assert found == ("marginal", "Recoat window closing in 3 h (2 h to 5 h)")


def test_an_open_window_says_when_it_closes() -> None:
    found = window_of(RecoatState(state=cp.OPEN, closes=racks.moment(NOW, 20.6, 23, 26)))
    assert found == ("go", "Recoat window open, closes tomorrow 10:00 – 15:30")


def test_a_closed_window_says_when_it_opens_again() -> None:
    found = window_of(RecoatState(state=cp.CLOSED, reopens=racks.moment(NOW, 20.6, 23, 26)))
    assert found == ("hold", "Recoat window closed, opens again tomorrow 10:00 – 15:30")


@pytest.mark.parametrize("state", [RecoatState(state=cp.NO_WINDOW), RecoatState(state=cp.NOT_YET)])
def test_without_a_window_to_mind_nothing_is_said(state: RecoatState) -> None:
    assert window_of(state) is None


def test_a_check_asks_first_about_the_step_nearest_to_being_decided() -> None:
    last = RACK["Lap steel, eight string, alder"].last
    assert last is not None
    # Chances of recoat 97 %, tape 22 %; the others next to nothing
    assert rack_words.to_ask(last, 0.8)[:2] == ["dry_to_recoat", "tape_ready"]


def test_a_check_does_not_ask_first_what_was_found_already() -> None:
    last = RACK["Bass drum shell 22, ply"].last
    assert last is not None
    assert rack_words.to_ask(last, 0.8)[0] == "tape_ready"
    assert "dry_to_recoat" not in rack_words.to_ask(last, 0.8)


def test_what_can_take_a_clear_now_is_what_can_be_recoated_or_is_bare() -> None:
    names = [name for name, each in RACK.items() if rack_words.takes_now(each, "clear")]
    assert names == ["Lap steel, eight string, alder", "Lap steel 3, alder, gold", "Cigar-box guitar 3"]


def test_crackle_goes_onto_base_and_colour_alone() -> None:
    names = [name for name, each in RACK.items() if rack_words.takes_now(each, "crackle")]
    assert names == ["Lap steel 3, alder, gold"]


def test_every_stage_has_a_usual_way_to_try_it() -> None:
    last = RACK["Cigar-box guitar 1"].last
    assert last is not None
    made = [rack_words.quick_check(last.coat, stage, True, NOW) for stage in rack_words.USUAL_METHOD]
    assert {check.stage for check in made} == set(rack_words.STAGES)


def test_a_window_about_to_close_cannot_wait() -> None:
    ordered = sorted(RACK.values(), key=rack_words.can_wait)
    assert [each.piece.name for each in ordered if not rack_words.can_wait(each)] == ["Lap steel, eight string, alder"]
    assert not rack_words.can_wait(ordered[0])


def test_what_is_drawn_is_told_in_words() -> None:
    last = RACK["Lap steel, eight string, alder"].last
    assert last is not None
    told = rack_words.spoken(last, BERLIN, NOW)
    assert "Ready to tape: 22 % now; by today 19:30, as likely as not by today 16:00" in told
    assert "Recoat window closing in 3 h (2 h to 5 h)" in told
