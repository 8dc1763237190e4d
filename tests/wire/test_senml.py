"""SenML as printed in RFC 8428, section 5.1: packs, and what they resolve to."""

from __future__ import annotations

import json

import pytest

from collector import wire

NOW_MS = 1_790_000_000_123


def resolved(text: str) -> list[wire.SenmlRecord]:
    return wire.resolve(json.loads(text), NOW_MS)


def record(name: str, time_ms: int = NOW_MS, **fields) -> wire.SenmlRecord:
    return wire.SenmlRecord(name=name, time_ms=time_ms, **fields)


def test_a_single_datapoint_is_of_now():
    """RFC 8428 section 5.1.1, first example."""
    assert resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]') == [
        record("urn:dev:ow:10e2073a01080063", unit="Cel", value=23.1)
    ]


def test_a_base_name_is_put_before_every_name():
    """RFC 8428 section 5.1.2, first example."""
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
      {"n":"current","u":"A","v":1.2}
    ]"""
    assert resolved(text) == [
        record("urn:dev:ow:10e2073a01080063:voltage", unit="V", value=120.1),
        record("urn:dev:ow:10e2073a01080063:current", unit="A", value=1.2),
    ]


def test_base_time_unit_and_version_apply_to_what_follows_and_a_unit_of_its_own_wins():
    """RFC 8428 section 5.1.2, the example with times."""
    text = """[
      {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
       "bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
      {"n":"current","t":-5,"v":1.2},
      {"n":"current","t":-4,"v":1.3},
      {"n":"current","t":-3,"v":1.4},
      {"n":"current","t":-2,"v":1.5},
      {"n":"current","t":-1,"v":1.6},
      {"n":"current","v":1.7}
    ]"""
    current = "urn:dev:ow:10e2073a0108006:current"
    assert resolved(text) == [
        record("urn:dev:ow:10e2073a0108006:voltage", 1_276_020_076_001, unit="V", value=120.1),
        record(current, 1_276_020_071_001, unit="A", value=1.2),
        record(current, 1_276_020_072_001, unit="A", value=1.3),
        record(current, 1_276_020_073_001, unit="A", value=1.4),
        record(current, 1_276_020_074_001, unit="A", value=1.5),
        record(current, 1_276_020_075_001, unit="A", value=1.6),
        record(current, 1_276_020_076_001, unit="A", value=1.7),
    ]


MOVING = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""

MOVING_RESOLVED = """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]"""


def test_a_pack_and_its_printed_resolved_form_mean_the_same():
    """RFC 8428 sections 5.1.3 and 5.1.4 print the one and the other."""
    assert resolved(MOVING) == resolved(MOVING_RESOLVED)
    assert [r.time_ms for r in resolved(MOVING)][::3] == [
        1_320_067_464_000,
        1_320_067_524_000,
        1_320_067_584_000,
        1_320_067_614_000,
        1_320_067_644_000,
    ]


def test_words_flags_and_data_are_values_too():
    """RFC 8428 section 5.1.5."""
    text = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},
      {"n":"nfc-reader","vd":"aGkgCg"}
    ]"""
    start = "urn:dev:ow:10e2073a01080063:"
    assert resolved(text) == [
        record(f"{start}temp", unit="Cel", value=23.1),
        record(f"{start}label", text="Machine Room"),
        record(f"{start}open", flag=False),
        record(f"{start}nfc-reader", data="aGkgCg"),
    ]


def test_a_later_base_name_replaces_the_one_before():
    """RFC 8428 section 5.1.6."""
    text = """[
      {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
      {"n":"humidity","u":"%RH","v":30},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
      {"n":"humidity","u":"%RH","v":67}
    ]"""
    assert [(r.name, r.time_ms, r.value) for r in resolved(text)] == [
        ("2001:db8::2/temperature", 1_320_078_429_000, 25.2),
        ("2001:db8::2/humidity", 1_320_078_429_000, 30),
        ("2001:db8::1/temperature", 1_320_078_429_000, 12.3),
        ("2001:db8::1/humidity", 1_320_078_429_000, 67),
    ]


def test_a_base_value_is_added_and_a_base_sum_to_sums():
    """RFC 8428 section 4.1: base value and base sum are added to the value and the sum."""
    (found,) = resolved('[{"bn":"m","bv":20,"bs":100,"v":1.5,"s":7}]')
    assert (found.value, found.total) == (21.5, 107)


@pytest.mark.parametrize(
    ("seconds", "time_ms"), [(0, NOW_MS), (-90.5, NOW_MS - 90_500), (2**28 - 1, NOW_MS + (2**28 - 1) * 1000)]
)
def test_a_time_below_two_to_the_28_is_relative_to_now(seconds, time_ms):
    """RFC 8428 section 4.5.3."""
    assert resolved(f'[{{"n":"m","t":{seconds},"v":1}}]')[0].time_ms == time_ms


def test_a_time_from_two_to_the_28_on_is_absolute():
    """RFC 8428 section 4.5.3."""
    assert resolved(f'[{{"n":"m","t":{2**28},"v":1}}]')[0].time_ms == 2**28 * 1000


def test_a_field_that_must_be_understood_and_is_not_refuses_the_pack():
    """RFC 8428 section 4.4: a label that ends in an underscore."""
    with pytest.raises(wire.PackError, match="'future_' must be understood"):
        resolved('[{"n":"m","v":1},{"n":"m","v":2,"future_":1}]')


def test_other_unknown_fields_are_passed_over():
    """RFC 8428 section 4.4."""
    assert resolved('[{"n":"m","v":1,"colour":"red"}]')[0].value == 1


def test_a_pack_of_a_later_version_is_refused():
    """RFC 8428 section 4.4: a version above the highest known (10) cannot be processed."""
    with pytest.raises(wire.PackError, match="bver 11"):
        resolved('[{"bver":11,"n":"m","v":1}]')
