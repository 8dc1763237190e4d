"""Promises of the sampler, the button and the lamp."""

from node.button import Button
from node.lamp import Lamp, verdict_in
from node.sampler import Sampler, Station, median


class Fault(Exception):
    def __init__(self, kind):
        self.kind = kind


class Sensor:
    """Gives out its script, one entry a reading; an exception in it is raised."""

    def __init__(self, quantity, *script):
        self.quantities = (quantity,)
        self._script = list(script)

    async def read(self):
        entry = self._script.pop(0) if len(self._script) > 1 else self._script[0]
        if isinstance(entry, Exception):
            raise entry
        return {self.quantities[0]: entry}


class Time:
    ms = 0

    def __call__(self):
        return self.ms


async def samples(stations, until_ms, on_error=None):
    time, kept = Time(), []
    sampler = Sampler(stations, lambda values, words: kept.append((time.ms, values, words)), time, on_error)
    while time.ms < until_ms:
        time.ms += await sampler.once()
    return sampler, kept


def test_the_median_of_readings_ignores_a_spike():
    assert median([5, 900000, 4]) == 5
    assert median([4, 6]) == 5
    assert median([7]) == 7


async def test_sensors_that_are_due_together_make_one_sample():
    stations = [Station(Sensor("a", 1), 10000), Station(Sensor("b", 2), 10000)]
    _, kept = await samples(stations, 30000)
    assert kept == [(t, [("a", 1), ("b", 2)], []) for t in (0, 10000, 20000)]


async def test_each_sensor_has_its_own_period():
    stations = [Station(Sensor("a", 1), 10000), Station(Sensor("b", 2), 25000)]
    _, kept = await samples(stations, 50000)
    assert [t for t, values, _ in kept if ("a", 1) in values] == [0, 10000, 20000, 30000, 40000]
    assert [t for t, values, _ in kept if ("b", 2) in values] == [0, 25000]


async def test_the_median_is_taken_over_as_many_readings_as_told():
    _, kept = await samples([Station(Sensor("a", 5, 99999, 6, 5), 10000, 3)], 10000)
    assert kept[0][1] == [("a", 6)]


async def test_a_renamed_quantity_is_sent_under_its_new_name():
    station = Station(Sensor("surface_temperature", 1), 10000, 1, {"surface_temperature": "panel"})
    _, kept = await samples([station], 10000)
    assert kept[0][1] == [("panel", 1)]


async def test_a_faulty_sensor_says_so_and_the_others_go_on():
    stations = [Station(Sensor("a", Fault("crc")), 10000), Station(Sensor("b", 2), 10000)]
    sampler, kept = await samples(stations, 30000)
    assert kept[0] == (0, [("b", 2)], [("a", "fault: crc")])
    assert kept[1] == (10000, [("b", 2)], [])
    assert sampler.faults == {"a": "crc"}


async def test_a_fault_is_said_again_when_it_changes_lasts_or_ends():
    script = [Fault("crc"), Fault("missing")] + [Fault("missing")] * 61 + [7]
    _, kept = await samples([Station(Sensor("a", *script), 10000)], 650000)
    assert [(t, words[0][1]) for t, _, words in kept if words] == [
        (0, "fault: crc"),
        (10000, "fault: missing"),
        (610000, "fault: missing"),
        (630000, "recovered"),
    ]


async def test_a_bus_error_means_missing():
    sampler, _ = await samples([Station(Sensor("a", OSError(19)), 10000)], 10000)
    assert sampler.faults == {"a": "missing"}


async def test_an_error_of_the_program_is_reported_and_the_others_go_on():
    errors = []
    stations = [Station(Sensor("a", ZeroDivisionError()), 10000), Station(Sensor("b", 2), 10000)]
    _, kept = await samples(stations, 10000, errors.append)
    assert kept == [(0, [("b", 2)], [("a", "fault: error")])]
    assert isinstance(errors[0], ZeroDivisionError)


async def test_what_was_missed_during_a_long_wait_is_not_made_up_for():
    time, kept = Time(), []
    sampler = Sampler([Station(Sensor("a", 1), 10000)], lambda v, w: kept.append(time.ms), time)
    await sampler.once()
    time.ms = 47000
    assert await sampler.once() == 3000
    assert kept == [0, 47000]


class Pin:
    level = 1

    def value(self, level=None):
        if level is not None:
            self.level = level
        return self.level


def presses(levels):
    pin, heard = Pin(), []
    button = Button(pin, heard.append)
    for level in levels:
        pin.level = level
        button.step()
    return heard


def test_a_press_is_short_or_long_and_told_once():
    assert presses([0] * 10 + [1] * 10) == ["short"]
    assert presses([0] * 45 + [1] * 10) == ["long"]
    assert presses([0] * 10 + [1] * 10 + [0] * 45 + [1] * 10) == ["short", "long"]


def test_a_long_press_is_told_while_the_button_is_still_down():
    assert presses([0] * 45) == ["long"]


def test_a_bouncing_contact_is_one_press():
    assert presses([0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 1, 1, 1]) == ["short"]
    assert presses([0, 1, 1, 1, 0, 1, 1, 1]) == []


def lamp_light(verdict, steps=60, linked=True, age_ms=0):
    pin, time = Pin(), Time()
    lamp = Lamp(pin, time)
    lamp.linked = linked
    lamp.tell(verdict)
    time.ms += age_ms
    light = ""
    for _ in range(steps):
        lamp.step()
        light += str(pin.level)
    return light


def test_each_verdict_has_a_rhythm_of_its_own():
    seen = {lamp_light(v) for v in (b"go", b"marginal", b"hold", b"cannot tell", b"what?")}
    assert len(seen) == 5
    assert lamp_light(b"go") == "1" * 60


def test_an_old_verdict_and_a_broken_link_never_show_go():
    nothing = lamp_light(b"what?")
    assert lamp_light(b"go", linked=False) == nothing
    assert lamp_light(b"go", age_ms=300001) == nothing


def test_a_verdict_is_read_as_a_word_or_as_json():
    assert verdict_in(b" hold\n") == "hold"
    assert verdict_in(b'{"verdict": "marginal", "time_ms": 5}') == "marginal"
    for other in (b"", b"GO!", b"{", b"{}", b"\xff", b'{"verdict": []}'):
        try:
            assert verdict_in(other) is None
        except TypeError:
            raise AssertionError(other)
