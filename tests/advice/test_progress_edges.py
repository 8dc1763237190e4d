"""What goes wrong in a shop: coats nobody ended, silent sensors, moved pieces, corrected times, edited materials."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect

from collector.errors import Conflict, NotFound, RecordError
from collector.records.migrations import runner
from collector.records.model import PiecePlace
from collector.records.repository import open_records
from tests.advice.rack_shop import BOOTH, NOW, TestShop, hours, lacquer, stage, steady, urethane


@pytest.fixture
def shop(tmp_path):
    made = TestShop(tmp_path)
    yield made
    made.close()


def test_a_coat_started_by_button_and_never_ended_is_flagged_and_goes_on(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), 0.0, started_at=NOW - timedelta(hours=30), ended_at=None)
    found = shop.on(piece)
    assert not found.spraying
    assert found.last.flags == ("never ended: taken as laid when it began; end it with the time it was finished",)
    assert [step.word for step in found.steps][:2] == ["end coat", "recoat"]
    assert hours(found.last, "tape_ready") == pytest.approx((16 * 32) ** 0.5, rel=0.12)


def test_a_start_in_the_future_waits_for_its_time(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), -2.0)
    assert shop.on(piece).next.word == "start"


@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Europe/Berlin", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("Europe/Berlin", datetime(2026, 10, 25, 1, 0, tzinfo=UTC)),
        ("America/New_York", datetime(2026, 3, 8, 7, 0, tzinfo=UTC)),
        ("America/New_York", datetime(2026, 11, 1, 6, 0, tzinfo=UTC)),
    ],
)
def test_a_change_of_clocks_moves_no_ready_time(tmp_path, zone, change):
    shop = TestShop(tmp_path, now=change - timedelta(hours=10))
    # The same day after day by the sun, so that the forecast differs by the shifted hour of the pattern alone.
    shop.climate(steady(20.0))
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), 1.0)
    shop.in_zone("UTC")
    plain = shop.last(piece)
    shop.in_zone(zone)
    changed = shop.last(piece)
    for name in ("tape_ready", "sand_ready"):
        for share in ("p10", "p50", "p90"):
            assert abs(hours(changed, name, share) - hours(plain, name, share)) < 0.01
    # Once the clocks have changed, what was so far foretold is found to be so.
    shop.climate(steady(20.0), days=1.0, until=change + timedelta(hours=6))
    after = shop.last(piece, at=change + timedelta(hours=6))
    assert hours(after, "tape_ready") == pytest.approx(hours(changed, "tape_ready"), rel=0.02)
    shop.close()


def test_an_outage_of_six_hours_is_bridged_told_and_widens_the_interval(shop, tmp_path):
    def with_outage(at):
        return None if timedelta(hours=4) < NOW - at < timedelta(hours=10) else 21.0

    other = tmp_path / "whole"
    other.mkdir()
    whole = TestShop(other)
    found = []
    for one, climate in ((shop, with_outage), (whole, steady(21.0))):
        one.climate(climate)
        piece = one.piece()
        one.coat(piece, one.mix(lacquer()), 12.0)
        found.append(one.last(piece))
    gapped, plain = found
    assert gapped.notes == ("no readings for 6 h: bridged by a line, and the times are less certain for it",)
    assert plain.notes == ()
    assert hours(gapped, "tape_ready") == pytest.approx(hours(plain, "tape_ready"), rel=0.05)
    spread = [
        stage_.percent_high / stage_.percent_low for stage_ in (each.stage("sand_ready") for each in (gapped, plain))
    ]
    assert spread[0] > spread[1]
    whole.close()


def test_a_booth_that_never_had_a_sensor_is_told_and_answered_for(shop):
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), 3.0)
    last = shop.last(piece)
    assert "no temperature was measured since it was laid: the forecast's is assumed" in last.notes
    assert last.stage("tape_ready").ready.p10 < last.stage("tape_ready").ready.p90


def move(shop, piece, hours_ago, **given):
    return shop.records.move_piece(
        PiecePlace(piece_id=piece.id, at=NOW - timedelta(hours=hours_ago), **{"place": "Drying rack", **given})
    )


def test_a_piece_moved_to_another_booth_counts_that_booths_readings_from_then(shop):
    shop.climate(steady(21.0))
    shop.climate(steady(30.0), booth="rack", node="rack-1")
    shop.climate(steady(12.0), booth="rack", node="rack-2", days=19.0)
    mix = shop.mix(lacquer())
    stayed, moved = shop.piece("Stayed"), shop.piece("Moved")
    for piece in (stayed, moved):
        shop.coat(piece, mix, 8.0)
    move(shop, moved, 6.0, booth="rack", node="rack-1")
    assert hours(shop.last(moved), "tape_ready") < 0.65 * hours(shop.last(stayed), "tape_ready")
    move(shop, moved, 5.9, booth="rack", node="rack-2")
    cold = shop.last(moved)
    assert hours(cold, "tape_ready") > 1.5 * hours(shop.last(stayed), "tape_ready")
    assert cold.stage("tape_ready").limiting.startswith("cold: 12 °C")


def test_a_piece_moved_where_no_node_measures_counts_the_typed_temperature(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    stayed, moved = shop.piece("Stayed"), shop.piece("Moved")
    for piece in (stayed, moved):
        shop.coat(piece, mix, 8.0)
    move(shop, moved, 6.0, place="Attic", air_c=30.0, relative_humidity_pct=40.0)
    there = shop.last(moved)
    assert "stood where no node measures: the temperature typed for that place is used" in there.notes
    assert hours(there, "tape_ready") < 0.65 * hours(shop.last(stayed), "tape_ready")
    # Brought back by the next coat, which was sprayed in the booth.
    shop.coat(moved, mix, 1.0)
    assert shop.last(moved).notes == ()


def test_a_move_can_be_corrected_taken_back_and_is_in_the_audit(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), 8.0)
    before = shop.rack().to_dict()
    place = move(shop, piece, 6.0, air_c=30.0)
    warm = hours(shop.last(piece), "tape_ready")
    shop.records.edit_place(replace(place, air_c=25.0))
    assert shop.records.places(piece.id) == [replace(place, air_c=25.0)]
    assert hours(shop.last(piece), "tape_ready") > warm
    entry = shop.records.delete("piece_place", place.id)
    assert shop.rack().to_dict() == before
    shop.records.undo(entry.id)
    assert shop.records.places() == [replace(place, air_c=25.0)]
    assert [change.action for change in shop.records.audit("piece_place")] == ["undo", "delete", "edit", "move"]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"air_c": None}, "air_c is missing; expected the temperature of the place, or a booth with readings"),
        ({"booth": BOOTH}, "booth 'booth-1' and a typed climate; expected one of them"),
        ({"node": "air-1"}, "node 'air-1' without a booth; expected the booth it stands in"),
        ({"air_c": 80.0}, "air_c 80; expected -20 to 50"),
        ({"relative_humidity_pct": 0.0}, "relative_humidity_pct 0; expected 1 to 99"),
        ({"place": " "}, "place ' '; expected 1 to 120 characters"),
        ({"at": NOW.astimezone(timezone(timedelta(hours=1)))}, "expected an aware time in UTC"),
    ],
)
def test_a_move_that_cannot_be_is_refused(given, words):
    with pytest.raises(RecordError) as refused:
        PiecePlace(**{"piece_id": 1, "at": NOW, "place": "Attic", "air_c": 20.0, **given})
    assert words in str(refused.value)


def test_a_piece_that_is_not_there_is_not_moved(shop):
    with pytest.raises(NotFound, match="there is no piece 77"):
        shop.records.move_piece(PiecePlace(piece_id=77, at=NOW, place="Attic", air_c=20.0))
    piece = shop.piece()
    place = move(shop, piece, 1.0, air_c=20.0)
    entry = shop.records.audit("piece_place")[0]
    shop.records.edit_place(replace(place, air_c=21.0))
    with pytest.raises(Conflict):
        shop.records.undo(entry.id)


def test_a_store_from_before_moves_were_kept_is_brought_up(tmp_path):
    from alembic import command
    from alembic.config import Config

    url = f"sqlite:///{tmp_path / 'old.sqlite'}"
    engine = create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(Path(runner.__file__).parent))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0003")
        assert not inspect(connection).has_table("piece_place")
    engine.dispose()
    records = open_records(url)
    assert records.places() == []
    records.close()


def test_a_corrected_start_recomputes_everything_what_was_learned_too(shop):
    shop.climate(steady(21.0))
    mix = shop.mix(lacquer())
    checked, other = shop.piece("Checked"), shop.piece("Other")
    coat = shop.coat(checked, mix, 30.0)
    shop.coat(other, mix, 1.0)
    shop.check(coat, 10.0, "tape_ready", True)
    early, learned = shop.last(checked), hours(shop.last(other), "tape_ready")
    # It was laid 14 h before the check, not 20: tape-ready that much sooner.
    later = coat.ended_at + timedelta(hours=6)
    shop.records.edit_coat(replace(coat, started_at=later - timedelta(minutes=6), ended_at=later))
    assert hours(shop.last(other), "tape_ready") < learned
    assert shop.last(checked).stage("sand_ready").percent < early.stage("sand_ready").percent


def test_a_coat_keeps_the_material_it_was_sprayed_with(shop):
    shop.climate(steady(21.0))
    material = shop.records.add_material(lacquer())
    old, new = shop.piece("Old"), shop.piece("New")
    shop.coat(old, shop.mix(material), 1.0)
    before = shop.last(old)
    slower = shop.records.edit_material(
        replace(material, stages=(stage("tape_ready", 160.0, 320.0),), solids_volume_fraction=0.5)
    )
    shop.coat(new, shop.mix(slower), 1.0)
    assert shop.last(old) == before
    assert hours(shop.last(new), "tape_ready") > 10 * hours(before, "tape_ready")


def test_readings_that_arrive_late_are_counted(shop):
    def before_the_outage(at):
        return 21.0 if NOW - at > timedelta(hours=7) else None

    shop.climate(before_the_outage)
    piece = shop.piece()
    shop.coat(piece, shop.mix(lacquer()), 8.0)
    assert len(shop.last(piece).notes) == 1
    shop.climate(steady(28.0), days=7.0 / 24.0)
    back = shop.last(piece)
    assert back.notes == ()
    assert back.stage("tape_ready").limiting == ""


def test_isocyanate_or_not_a_deleted_piece_and_its_coats_are_off_the_rack(shop):
    shop.climate(steady(21.0))
    piece = shop.piece()
    shop.coat(piece, shop.mix(urethane()), 3.0)
    shop.records.delete("piece", piece.id)
    assert shop.rack().pieces == ()
