"""Promises of the packs and of the records they are made from."""

import json

from node import record, senml


def pack(**options):
    given = {"values": [("air_temperature", 21400)], "words": []}
    given.update(options)
    return json.loads(senml.pack("n1", given.pop("values"), given.pop("words"), **given))


def test_numbers_are_written_from_integers():
    assert senml.thousandths(25080) == "25.080"
    assert senml.thousandths(-5) == "-0.005"
    assert senml.thousandths(-12345) == "-12.345"
    assert senml.thousandths(0) == "0.000"
    assert senml.thousandths(1772719200123) == "1772719200.123"


def test_a_time_of_today_keeps_its_milliseconds_whatever_a_float_can_hold():
    # A 32-bit float has 24 bits: near 1.77e9 its neighbours are 128 s apart. No text passes through one.
    for ms in range(1772719200000, 1772719201000):
        text = senml.pack("n1", [("a", 1)], [], time_ms=ms).decode()
        assert '"bt":%d.%03d,' % (ms // 1000, ms % 1000) in text


def test_a_pack_has_its_base_in_the_first_record_only():
    first, second, seq, oldest = pack(
        values=[("air_temperature", 21400), ("voc_index", 100000)], time_ms=1772719200000, seq=7, oldest_seq=3
    )
    assert (first["bn"], first["n"], first["u"], first["v"]) == ("n1:", "air_temperature", "Cel", 21.4)
    assert "bn" not in second and "u" not in second and second["v"] == 100
    assert (seq["n"], seq["v"], oldest["n"], oldest["v"]) == ("seq", 7, "oldest_seq", 3)


def test_without_a_clock_the_time_is_an_age_before_now():
    assert pack(age_ms=61500)[0]["bt"] == -61.5
    assert "bt" not in pack(age_ms=0)[0]


def test_a_second_sensor_of_a_kind_has_the_unit_of_the_first():
    assert pack(values=[("surface_temperature.panel", 1)])[0]["u"] == "Cel"


def test_words_with_quotes_and_line_ends_stay_json():
    assert pack(values=[], words=[("a", 'x"y\\z\n')])[0]["vs"] == 'x"y\\z '


def test_a_record_comes_back_as_it_was():
    values = [("air_temperature", -40123), ("air_pressure", 100653250), ("something.new", 5)]
    words = [("relative_humidity", "fault: crc"), ("own", "wörter")]
    raw = record.encode(record.EVENT, 70000, 123456789012, 1772719200123, values, words)
    assert record.decode(raw) == (record.EVENT, values, words)
    assert record.times(raw) == (70000 & 0xFFFF, 123456789012, 1772719200123)


def test_a_record_without_a_clock_says_so():
    assert record.times(record.encode(record.SAMPLE, 1, 5, None, [], []))[2] is None


def test_a_reading_costs_five_bytes():
    raw = record.encode(record.SAMPLE, 1, 5, 6, [(name, 1) for name in record.NAMES[:4]], [])
    assert len(raw) == 19 + 4 * 5


def test_a_word_cut_inside_a_character_keeps_what_is_whole():
    raw = record.encode(record.SAMPLE, 1, 5, 6, [], [("a", "x" * 199 + "é")])
    assert record.decode(raw)[2] == [("a", "x" * 199)]
