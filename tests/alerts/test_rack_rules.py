"""Ready, recoat windows, pot life: from racks made by hand of the real types."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from collector.advice.coat_progress import (
    CLOSED,
    CLOSING,
    NO_WINDOW,
    OPEN,
    SCUFF_FIRST,
    CoatProgress,
    Moment,
    NextStep,
    PieceProgress,
    PotLife,
    Rack,
    RecoatState,
    StageProgress,
)
from collector.alerts import rack_rules
from collector.alerts.condition import POT_LIFE_ENDED, POT_LIFE_ENDING, RECOAT_CLOSED, RECOAT_CLOSING
from collector.alerts.snapshot import Snapshot
from collector.alerts.watch import Watch
from collector.records.model import ISOCYANATE_CAUTION, Coat, Material, Mix, Piece
from collector.settings import Rack as RackSettings
from collector.settings import Settings, Shop

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
SETTINGS = Settings(shop=Shop(time_zone="Europe/Berlin"))
LACQUER = Material(name="Lacquer, clear", chemistry="solvent_lacquer", role="clear", id=3)


def moment(low, middle, high):
    """Hours from now."""
    return Moment(**{
        name: None if hours is None else NOW + timedelta(hours=hours)
        for name, hours in (("p10", low), ("p50", middle), ("p90", high))
    })  # fmt: skip


def stage(name="dry_to_recoat", probability=0.85, ready=(-2, -1, 0.5), **more):
    return StageProgress(
        stage=name, percent=100, percent_low=80, percent_high=120, ready=moment(*ready), probability=probability, **more
    )


def shot(*stages, recoat=NO_WINDOW, closes=None, pot_life=None, spraying=False, material=LACQUER, settings=SETTINGS):
    piece = Piece(id=4, name="Snare shell, maple")
    ended = None if spraying else NOW - timedelta(hours=3)
    coat = Coat(
        id=12, piece_id=4, mix=Mix(material=material, id=7), booth="booth-1", started_at=NOW - timedelta(hours=4),
        ended_at=ended,
    )  # fmt: skip
    state = RecoatState(state=recoat, closes=closes, words="its solvents bite until then")
    last = CoatProgress(coat=coat, piece=piece, stages=stages, recoat=state, pot_life=pot_life)
    shown = PieceProgress(piece=piece, last=last, steps=(NextStep(word="check", when="now"),), spraying=spraying)
    return Snapshot(now=NOW, settings=settings, rack=Rack(at=NOW, pieces=(shown,), forecast="the log"))


def test_a_coat_is_ready_when_the_chance_passes_what_the_shop_asks():
    (found,) = rack_rules.ready(shot(stage()))
    assert (found.subject, found.raised, found.level) == ("coat 12 dry_to_recoat", True, "notice")
    assert found.what == "Snare shell, maple: ready to recoat"
    assert "dry to recoat with a chance of 85 %" in found.why
    assert found.what_to_do == "Try it as you usually do and log the check, then recoat."


@pytest.mark.parametrize(
    ("asked", "chance", "raised"),
    [
        (80, 0.80, [True]),
        (80, 0.79, [False]),
        (80, 0.65, [False]),
        (80, 0.64, []),
        (95, 0.90, [False]),
        (95, 0.96, [True]),
    ],
)
def test_what_is_asked_raises_and_fifteen_points_less_clears(asked, chance, raised):
    settings = replace(SETTINGS, rack=RackSettings(ready_probability_pct=asked))
    assert [found.raised for found in rack_rules.ready(shot(stage(probability=chance), settings=settings))] == raised


@pytest.mark.parametrize(
    ("name", "step"), [("tape_ready", "tape"), ("sand_ready", "level-sand"), ("buff_ready", "buff")]
)
def test_each_next_step_has_its_word(name, step):
    assert rack_rules.ready(shot(stage(name)))[0].what == f"Snare shell, maple: ready to {step}"


def test_a_stage_that_allows_nothing_new_is_no_alert():
    assert rack_rules.ready(shot(stage("dust_free"), stage("dry_through"))) == []


def test_nobody_is_called_to_what_a_check_has_confirmed_or_while_the_piece_is_sprayed():
    assert rack_rules.ready(shot(stage(confirmed=True))) == []
    assert rack_rules.ready(shot(stage(confirmed=False)))[0].raised
    assert rack_rules.ready(shot(stage(), spraying=True)) == []


@pytest.mark.parametrize(("state", "told"), [(OPEN, 1), (CLOSING, 1), (CLOSED, 0), (SCUFF_FIRST, 0)])
def test_a_coat_whose_window_is_closed_is_not_called_ready_to_recoat(state, told):
    assert len(rack_rules.ready(shot(stage(), recoat=state))) == told


def test_a_slow_stage_is_news_when_the_chance_passes_not_when_its_middle_did():
    # The middle was 60 h ago; four in five passed three quarters of the way to nine in ten, which is 15 h ago.
    (found,) = rack_rules.ready(shot(stage("buff_ready", 0.82, (-150, -60, 0))))
    assert found.raised
    assert found.since == NOW - timedelta(hours=15)


def test_what_is_old_opens_no_alert_and_is_forgotten_in_the_end():
    assert [found.raised for found in rack_rules.ready(shot(stage("buff_ready", 0.99, (-90, -60, -30))))] == [False]
    assert rack_rules.ready(shot(stage("buff_ready", 1.0, (-300, -200, -100)))) == []


def test_an_isocyanate_mix_carries_its_caution():
    urethane = replace(LACQUER, isocyanate=True)
    assert rack_rules.ready(shot(stage(), material=urethane))[0].caution == ISOCYANATE_CAUTION
    assert rack_rules.ready(shot(stage()))[0].caution == ""


def test_a_window_about_to_close_is_told_before_it_closes():
    (found,) = rack_rules.recoat(shot(recoat=CLOSING, closes=moment(1, 2, 3)))
    assert (found.kind, found.level, found.raised) == (RECOAT_CLOSING, "warning", True)
    assert found.what == "Snare shell, maple: the recoat window is closing, recoat by 16:00"  # one in ten by then
    assert found.why == "Lacquer, clear of 12:00. Its solvents bite until then."
    (found,) = rack_rules.recoat(shot(recoat=CLOSING, closes=moment(-1, 1, 3)))
    assert found.what.endswith("closing, maybe closed already")
    assert found.what_to_do.startswith("Recoat now")


@pytest.mark.parametrize(("state", "words"), [(CLOSED, "may wrinkle or lift"), (SCUFF_FIRST, "Scuff it")])
def test_a_window_that_has_closed_is_told_with_what_to_do(state, words):
    (found,) = rack_rules.recoat(shot(recoat=state, closes=moment(-3, -2, -1)))
    assert (found.kind, found.raised, found.since) == (RECOAT_CLOSED, True, NOW - timedelta(hours=2))
    assert words in found.what_to_do
    assert [old.raised for old in rack_rules.recoat(shot(recoat=state, closes=moment(-40, -30, -20)))] == [False]


def test_an_open_window_and_none_are_no_alert():
    assert rack_rules.recoat(shot(recoat=OPEN)) + rack_rules.recoat(shot(recoat=NO_WINDOW)) == []


def pot(share, middle_h):
    return PotLife(share_used=share, ends=moment(middle_h - 0.1, middle_h, middle_h + 0.1))


@pytest.mark.parametrize(
    ("share", "middle_h", "told"),
    [
        (0.5, 2.0, []),
        (0.9, 0.4, [(POT_LIFE_ENDING, False)]),  # within 25 min: nearly
        (0.9, 0.3, [(POT_LIFE_ENDING, True)]),  # within 20 min
        (1.0, -0.1, [(POT_LIFE_ENDED, True)]),
    ],
)
def test_pot_life_is_told_before_it_ends_and_when_it_has(share, middle_h, told):
    found = rack_rules.pot_life(shot(pot_life=pot(share, middle_h), spraying=True))
    assert [(each.kind, each.raised) for each in found] == told


def test_a_mix_on_several_pieces_is_told_once():
    one = shot(pot_life=pot(0.95, 0.2), spraying=True)
    (first,) = one.rack.pieces
    second = replace(first, piece=Piece(id=5, name="Cigar box 2"))
    both = replace(one, rack=replace(one.rack, pieces=(first, second)))
    (found,) = rack_rules.pot_life(both)
    assert found.subject == "mix 7"
    assert "Snare shell, maple, Cigar box 2" in found.why


def test_a_corrected_record_ends_a_ready_alert_without_a_word(book):
    watch = Watch(book, rack_rules.RULES, lambda: ("place",))
    watch.look(shot(stage()))
    assert [alert.what for alert in book.open()] == ["Snare shell, maple: ready to recoat"]
    watch.look(shot(stage(probability=0.05, ready=(2, 3, 4))))  # the start was two hours later than noted
    assert book.open() == []
    assert len(book.messages(1)) == 1
