"""What a node sends is read, or refused with a reason that names field, value and what would be right."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector import wire

NOW_MS = 1_790_000_000_000
NOW_S = NOW_MS // 1000
TOPIC = "tackfree/booth-1/air-1/readings"

unhurried = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""How fast it goes is no promise of these tests."""


def decode(records, topic: str = TOPIC) -> wire.Pack:
    payload = records if isinstance(records, bytes) else json.dumps(records).encode()
    return wire.decode_pack(topic, payload, NOW_MS)


def rejected(**record) -> str:
    """The one reason for which this record is refused, beside a good one that is kept."""
    pack = decode([{"bn": "air-1:", "bt": NOW_S, "n": "air_temperature", "u": "Cel", "v": 20}, record])
    assert [reading.value for reading in pack.readings] == [20]
    (reason,) = pack.rejected
    return reason


def test_what_a_node_encodes_is_what_the_collector_reads():
    payload = wire.encode_pack(
        "air-1", NOW_MS, {"air_temperature": 21.37, "voc_index": 100}, seq=7, oldest_seq=3, remarks={"button": "press"}
    )
    pack = decode(payload)
    assert (pack.booth, pack.node, pack.seq, pack.oldest_seq, pack.rejected) == ("booth-1", "air-1", 7, 3, ())
    assert [(r.quantity, r.unit, r.time_ms, r.value) for r in pack.readings] == [
        ("air_temperature", "Cel", NOW_MS, 21.37),
        ("voc_index", None, NOW_MS, 100),
    ]
    assert [(r.quantity, r.text) for r in pack.remarks] == [("button", "press")]


@unhurried
@given(st.integers(wire.EARLIEST_MS, NOW_MS), st.integers(0, 3_600_000))
def test_a_time_comes_through_to_the_millisecond_however_it_is_split(time_ms, before_ms):
    whole = decode([{"bn": "air-1:", "bt": time_ms / 1000, "n": "x", "v": 1}])
    assert whole.readings[0].time_ms == time_ms
    base_ms = time_ms + before_ms
    split = wire.decode_pack(
        TOPIC,
        json.dumps([{"bn": "air-1:", "bt": base_ms / 1000, "t": -before_ms / 1000, "n": "x", "v": 1}]).encode(),
        NOW_MS,
        latest_ms=NOW_MS + 3_600_000,
    )
    assert split.readings[0].time_ms == time_ms


def test_an_unknown_quantity_is_stored_as_it_comes():
    (reading,) = decode([{"n": "lamp_current", "u": "A", "v": 0.2}]).readings
    assert (reading.quantity, reading.unit, reading.value) == ("lamp_current", "A", 0.2)


def test_a_device_urn_may_stand_for_the_node():
    """RFC 9039 names devices so; the topic says which node it is."""
    (reading,) = decode([{"bn": "urn:dev:mac:0024befffe804ff1:", "n": "air_temperature", "u": "Cel", "v": 20}]).readings
    assert (reading.node, reading.quantity) == ("air-1", "air_temperature")


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"n": "relative_humidity", "u": "%RH", "v": 140}, ["relative_humidity", "140", "0 to 100 %RH"]),
        ({"n": "air_temperature", "u": "Cel", "v": -300}, ["air_temperature", "-300", "-40 to 85 Cel"]),
        ({"n": "air_temperature", "u": "degF", "v": 70}, ["air_temperature", "unit 'degF'", "expected 'Cel'"]),
        ({"n": "air_temperature", "v": 20}, ["air_temperature", "unit None", "expected 'Cel'"]),
        ({"n": "voc_index", "u": "ppm", "v": 20}, ["voc_index", "unit 'ppm'", "expected none"]),
        ({"n": "air_pressure", "u": "Pa", "v": 1013}, ["air_pressure", "1013", "30000 to 110000 Pa"]),
        ({"n": "x", "bt": 86_400, "v": 1}, ["86100 s too far ahead", "clock set?"]),
        ({"n": "x", "bt": 1_262_304_000, "v": 1}, ["1262304000", "before 2020", "clock"]),
        ({"n": "x", "bt": 3_786_912_000, "v": 1}, ["3786912000", "too far ahead", "clock"]),
        ({"n": "x", "t": 301, "v": 1}, ["1 s too far ahead"]),
        ({"n": "x", "bt": 1e300, "v": 1}, ["time 1e+300", "expected seconds since 1970"]),
        ({"bn": "panel-9:", "n": "x", "v": 1}, ["'panel-9'", "topic is of node 'air-1'"]),
        ({"n": "x", "v": "warm"}, ["v 'warm'", "expected a number"]),
        ({"n": "x", "v": True}, ["v True", "expected a number"]),
        ({"n": "x", "v": None}, ["v None", "expected a number"]),
        ({"n": "x", "vs": 5}, ["vs 5", "expected str"]),
        ({"n": "x", "v": 1, "vs": "two"}, ["['v', 'vs']", "expected one of"]),
        ({"n": "x"}, ["'x' has no value", "expected v"]),
        ({"n": "x y", "v": 1}, ["name 'air-1:x y'", "expected letters"]),
        ({"n": 7, "v": 1}, ["n 7", "expected text"]),
        ({"n": "", "v": 1}, ["name 'air-1:'", "expected a quantity"]),
        ({"n": "x", "s": 5}, ["only a sum", "expected a value"]),
        ({"n": "x", "u": "u" * 65, "v": 1}, ["unit 'uuu", "at most 64 printable"]),
        ({"n": "x", "u": "\ud800", "v": 1}, ["unit '\\ud800'", "printable"]),
        ({"n": "seq", "v": 1.5}, ["seq", "1.5", "whole number"]),
        ({"n": "seq", "v": -1}, ["seq", "-1", "whole number"]),
        ({"n": "seq", "vs": "1"}, ["seq", "whole number"]),
        ({"n": "x", "bv": 17 * 10**307, "v": 17 * 10**307}, ["v inf", "finite"]),
        ({"n": "x", "v": 10**400}, ["expected a finite number"]),
    ],
)
def test_a_bad_record_is_refused_with_its_reason_and_the_rest_of_the_pack_is_kept(record, words):
    reason = rejected(**record)
    assert reason.startswith("record 1: ")
    assert [word for word in words if word not in reason] == []


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", ["not JSON"]),
        (b"air 21 C", ["not JSON", "b'air 21 C'"]),
        (b'[{"bn":"air-1:","n":"air_temp', ["not JSON", "starts"]),
        (b"\xff\xfe\x00", ["not JSON"]),
        (b'{"n":"x","v":1}', ["expected a JSON array"]),
        (b"[]", ["0 records", "expected 1 to 5000"]),
        (b"[" + b'{"v":1},' * 5_000 + b'{"v":1}]', ["5001 records"]),
        (b'[{"n":"air_temperature","u":"Cel","v":NaN}]', ["NaN", "finite"]),
        (b'[{"n":"air_temperature","u":"Cel","v":-Infinity}]', ["-Infinity", "finite"]),
        (b"[" + b" " * 10_000_000 + b"]", ["10000002 bytes", "at most 262144"]),
        (b"[" * 100_000, ["not JSON"]),
        (b"1" * 10_000, ["not JSON"]),
        (b'[{"bn":5,"n":"x","v":1}]', ["record 0", "bn 5", "expected text"]),
        (b'[{"bt":"now","n":"x","v":1}]', ["record 0", "bt 'now'", "expected a number"]),
        (b'[{"bver":"5","n":"x","v":1}]', ["record 0", "bver '5'", "1 to 10"]),
    ],
)
def test_a_message_that_cannot_be_read_says_why(payload, words):
    with pytest.raises(wire.PackError) as caught:
        decode(payload)
    assert [word for word in words if word not in str(caught.value)] == []
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("tackfree/booth-1/air-1/weather", ["expected tackfree/<booth>/<node>/readings"]),
        ("other/booth-1/air-1/readings", ["other/booth-1"]),
        ("tackfree/booth-1/readings", ["expected tackfree"]),
        ("tackfree/booth 1/air-1/readings", ["booth 'booth 1'", "letters"]),
        ("tackfree/booth-1/\u00fcber/readings", ["node '\u00fcber'", "letters"]),
        ("tackfree/booth-1//readings", ["node ''"]),
        (f"tackfree/booth-1/{'n' * 65}/readings", ["1 to 64"]),
        ("tackfree/booth-1/air-1/status", ["no SenML pack"]),
    ],
)
def test_a_foreign_topic_is_refused(topic, words):
    with pytest.raises(wire.PackError) as caught:
        decode([{"n": "x", "v": 1}], topic)
    assert [word for word in words if word not in str(caught.value)] == []


def test_a_pack_that_claims_to_be_older_than_all_its_node_holds_gives_nothing_up():
    pack = decode([{"n": "air_temperature", "u": "Cel", "v": 20}, {"n": "seq", "v": 7}, {"n": "oldest_seq", "v": 8}])
    assert (pack.seq, pack.oldest_seq, len(pack.readings)) == (7, None, 1)
    assert pack.rejected == ("oldest_seq: 8; expected at most the pack's own seq 7",)


def test_a_reason_stays_short_whatever_the_record_holds():
    assert len(rejected(n="x" * 100_000)) < 300
    with pytest.raises(wire.PackError) as caught:
        decode([{"x" * 100_000 + "_": 1}])
    assert len(str(caught.value)) < 300


def test_half_a_character_in_a_word_becomes_a_question_mark():
    (remark,) = decode(b'[{"n":"button","vs":"press \\ud800"}]').remarks
    assert remark.text == "press ?"


def test_a_long_word_is_cut():
    (remark,) = decode([{"n": "button", "vs": "p" * 501}]).remarks
    assert remark.text == "p" * 500


def test_flags_and_data_are_remarks():
    pack = decode([{"n": "door", "vb": True}, {"n": "tag", "vd": "aGkgCg"}])
    assert [(r.quantity, r.text) for r in pack.remarks] == [("door", "true"), ("tag", "aGkgCg")]


@pytest.mark.parametrize("word", ["online", "offline"])
def test_a_status_may_be_one_word(word):
    status = wire.decode_status("tackfree/booth-1/air-1/status", word.encode(), NOW_MS)
    assert (status.online, dict(status.details)) == (word == "online", {"state": word})


def test_a_status_may_tell_more():
    status = wire.decode_status("tackfree/booth-1/air-1/status", b'{"state":"online","spool":3}', NOW_MS)
    assert (status.online, status.details["spool"]) == (True, 3)


@pytest.mark.parametrize(
    "payload", [b"", b"asleep", b"[]", b'{"state":"asleep"}', b"{}", b'{"state":NaN}', b"x" * 300_000]
)
def test_another_status_is_refused(payload):
    with pytest.raises(wire.PackError):
        wire.decode_status("tackfree/booth-1/air-1/status", payload, NOW_MS)


def test_encoding_nothing_is_refused():
    with pytest.raises(wire.PackError, match="at least one record"):
        wire.encode_pack("air-1", NOW_MS, {})


LABELS = st.sampled_from(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_"])
NAMES = st.sampled_from(["air-1:", "air_temperature", "relative_humidity", "seq", "oldest_seq", "button", "urn:dev:x:"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None)) | NAMES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(LABELS | st.text(), inner, max_size=4),
    max_leaves=20,
)
SCALARS = (
    st.integers() | st.floats() | NAMES | st.text() | st.sampled_from([NOW_S, 1e308, -1e308, 10**400, 2**28, None])
)
RECORDS = st.lists(st.dictionaries(LABELS, SCALARS, max_size=6), max_size=6)
TOPICS = st.sampled_from([TOPIC, "tackfree/booth-1/air-1/events"]) | st.text()


def _decoded_or_refused(topic: str, payload: bytes) -> wire.Pack | None:
    try:
        return wire.decode_pack(topic, payload, NOW_MS)
    except wire.PackError as reason:
        assert str(reason)
        return None


@unhurried
@given(TOPICS, st.binary(max_size=500))
def test_random_bytes_are_read_or_refused_and_nothing_else(topic, payload):
    _decoded_or_refused(topic, payload)


@unhurried
@given(st.one_of(JSON, RECORDS))
def test_whatever_json_holds_only_believable_readings_come_out(content):
    pack = _decoded_or_refused(TOPIC, json.dumps(content).encode())
    for reading in pack.readings if pack else ():
        assert isinstance(reading.value, float) and abs(reading.value) < float("inf")
        assert wire.EARLIEST_MS <= reading.time_ms <= NOW_MS + wire.FUTURE_TOLERANCE_MS
        assert (reading.booth, reading.node) == ("booth-1", "air-1")
        (reading.unit or "").encode("utf-8")
    for remark in pack.remarks if pack else ():
        remark.text.encode("utf-8")


@unhurried
@given(st.binary(max_size=300) | JSON.map(lambda content: json.dumps(content).encode()))
def test_a_status_is_read_or_refused_and_nothing_else(payload):
    try:
        status = wire.decode_status("tackfree/booth-1/air-1/status", payload, NOW_MS)
    except wire.PackError as reason:
        assert str(reason)
    else:
        json.dumps(dict(status.details))
