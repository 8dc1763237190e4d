"""Display units: exact conversions, and a dash where there is no number.

Factors: NIST Special Publication 811 (2008), appendix B.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.advice.display import Units, duration

METRIC, US = Units("metric"), Units("us")


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (METRIC.temperature(20.04), "20.0 °C"),
        (US.temperature(20.0), "68.0 °F"),
        (US.temperature(-40.0), "-40.0 °F"),
        (METRIC.difference(3.0), "3.0 K"),
        (US.difference(3.0), "5.4 °F"),
        (METRIC.film(75.0), "75 µm"),
        (US.film(76.2), "3.0 mil"),
        (METRIC.volume(120.0), "120 ml"),
        (US.volume(29.5735), "1.0 fl oz"),
        (METRIC.velocity(0.508), "0.51 m/s"),
        (US.velocity(0.508), "100 ft/min"),
        (METRIC.temperature(-0.01), "0.0 °C"),
        (METRIC.temperature(None), "–"),
        (METRIC.film(math.nan), "–"),
        (METRIC.quantity("%RH", 45.24), "45.2 % RH"),
        (US.quantity("Cel", 100.0), "212.0 °F"),
        (METRIC.quantity(None, 7.0), "7.0"),
    ],
)
def test_a_number_is_shown_with_its_unit(shown, text):
    assert shown == text


@given(st.floats(-60, 200))
def test_a_temperature_typed_back_is_the_same(celsius):
    assert US.celsius(US.temperature_value(celsius)) == pytest.approx(celsius, abs=1e-9)


@given(st.floats(0, 5000))
def test_a_film_and_a_volume_typed_back_are_the_same(value):
    assert US.film_um(US.film_value(value)) == pytest.approx(value, abs=1e-9)
    assert US.volume_ml(US.volume_value(value)) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("seconds", "text"), [(5, "5 s"), (119, "119 s"), (900, "15 min"), (9000, "2.5 h"), (259_200, "3 d"), (-60, "60 s")]
)
def test_a_length_of_time_is_in_the_unit_a_person_would_use(seconds, text):
    assert duration(seconds) == text
