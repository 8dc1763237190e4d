"""Hands free: presses become coats once, at the time they were pressed; the lamp's verdict is the booth's."""

from datetime import UTC, datetime, timedelta

import pytest

from collector import wire
from collector.advice.bench import act_on_presses, verdicts
from collector.readings.base import Batch
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import BoothSetup, Mix, Piece
from collector.records.repository import open_records
from collector.settings import Settings

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)
LACQUER = "Nitrocellulose lacquer, clear"


def ms(moment):
    return round(moment.timestamp() * 1000)


@pytest.fixture
def readings(tmp_path):
    store = SqliteReadingStore(tmp_path / "readings.sqlite")
    yield store
    store.close()


@pytest.fixture
def records(tmp_path):
    opened = open_records(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield opened
    opened.close()


@pytest.fixture
def piece(records):
    piece = records.add_piece(Piece(name="Cigar box 2"))
    chosen = records.material(LACQUER)
    records.set_up_booth(
        BoothSetup(booth="b", piece_id=piece.id, material_id=chosen.id, changed_at=NOW - timedelta(hours=1))
    )
    return piece


def press(readings, at, kind="short", node="n1"):
    payload = wire.encode_pack(node, ms(at), {}, remarks={"button": kind})
    readings.write(Batch(packs=[wire.decode_pack(f"tackfree/b/{node}/events", payload, ms(NOW))]))


def test_one_press_starts_a_coat_and_the_next_ends_it(readings, records, piece):
    press(readings, NOW - timedelta(minutes=10))
    press(readings, NOW - timedelta(minutes=4))
    started, ended = act_on_presses(readings, records, ms(NOW))
    assert started.id == ended.id
    assert (ended.started_at, ended.ended_at) == (NOW - timedelta(minutes=10), NOW - timedelta(minutes=4))
    assert ended.mix.material.name == LACQUER


def test_a_press_is_acted_on_once(readings, records, piece):
    press(readings, NOW - timedelta(minutes=10))
    assert len(act_on_presses(readings, records, ms(NOW))) == 1
    press(readings, NOW - timedelta(minutes=10))
    assert act_on_presses(readings, records, ms(NOW)) == []
    assert records.open_coat(piece.id) is not None


def test_a_late_press_of_another_node_still_counts(readings, records, piece):
    press(readings, NOW - timedelta(minutes=2), node="n1")
    act_on_presses(readings, records, ms(NOW))
    press(readings, NOW - timedelta(minutes=1), node="n2")
    assert len(act_on_presses(readings, records, ms(NOW))) == 1
    assert records.open_coat(piece.id) is None


def test_a_long_press_only_marks_the_moment(readings, records, piece):
    press(readings, NOW - timedelta(minutes=10), kind="long")
    assert act_on_presses(readings, records, ms(NOW)) == []
    assert [remark.text for remark in readings.remarks("b", 0, ms(NOW), "button")] == ["long"]


def test_a_twitch_of_the_thumb_is_one_press(readings, records, piece):
    press(readings, NOW - timedelta(seconds=60))
    press(readings, NOW - timedelta(seconds=59))
    assert len(act_on_presses(readings, records, ms(NOW))) == 1
    assert records.open_coat(piece.id) is not None


def test_a_press_before_the_piece_was_chosen_starts_nothing(readings, records, piece):
    press(readings, NOW - timedelta(hours=2))
    assert act_on_presses(readings, records, ms(NOW)) == []


def test_without_a_chosen_piece_a_press_starts_nothing(readings, records):
    records.set_up_booth(BoothSetup(booth="b", piece_id=None, material_id=None, changed_at=NOW - timedelta(hours=1)))
    press(readings, NOW - timedelta(minutes=10))
    assert act_on_presses(readings, records, ms(NOW)) == []
    assert records.coats() == []


def test_the_newest_mix_of_the_material_is_used(readings, records, piece):
    thinned = records.add_mix(Mix(material=records.material(LACQUER), reducer_fraction=0.5))
    press(readings, NOW - timedelta(minutes=10))
    assert act_on_presses(readings, records, ms(NOW))[0].mix.id == thinned.id


def test_a_deleted_piece_starts_nothing_and_stops_nothing_else(readings, records, piece):
    records.delete("piece", piece.id)
    press(readings, NOW - timedelta(minutes=10))
    assert act_on_presses(readings, records, ms(NOW)) == []
    assert verdicts(readings, records, ms(NOW), Settings()) == {}


def test_the_lamp_gets_the_verdict_of_the_chosen_material(readings, records, piece):
    assert verdicts(readings, records, ms(NOW), Settings()) == {"b": "cannot tell"}
    payload = wire.encode_pack("n1", ms(NOW), {"air_temperature": 21.0, "relative_humidity": 90.0})
    readings.write(Batch(packs=[wire.decode_pack("tackfree/b/n1/readings", payload, ms(NOW))]))
    assert verdicts(readings, records, ms(NOW), Settings()) == {"b": "hold"}
