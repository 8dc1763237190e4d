"""Promises of the configuration: a mistake is named with its key and what would be right."""

from node.config import ConfigError, check, load

GOOD = {"booth": "booth-1", "node": "n1", "mqtt": {"host": "192.168.1.20"}}


def refusal(**changes):
    given = dict(GOOD)
    given.update(changes)
    try:
        check(given)
    except ConfigError as error:
        return str(error)
    raise AssertionError("accepted")


def test_what_is_left_out_has_a_default():
    config = check(GOOD)
    assert config["mqtt"]["port"] == 1883 and config["spool_kib"] == 512 and config["sensors"] == []


def test_mistakes_are_named_with_their_key_and_what_would_be_right():
    assert refusal(booth="a/b") == "booth: 'a/b'; expected 1 to 64 letters, digits, - or _"
    assert refusal(spool_kib=1) == "spool_kib: 1; expected 8 to 16384"
    assert refusal(mqtt={}) == "mqtt.host: missing; expected text"
    assert refusal(mqtt={"host": "x", "port": "1883"}) == "mqtt.port: '1883'; expected a whole number"
    assert refusal(watchdog=1) == "watchdog: 1; expected true or false"
    assert refusal(spool_kib=True) == "spool_kib: True; expected a whole number"
    assert refusal(wifi={"ssid": "x", "pasword": "y"}).startswith("wifi.pasword: unknown; expected one of")
    assert refusal(sensors=[{"type": "sht4x"}, {}]) == "sensors[1].type: missing; expected text"
    assert refusal(sensors=[5]) == "sensors[0]: 5; expected an object"
    assert refusal(sensors={}) == "sensors: {}; expected a list"


def test_a_missing_file_says_where_it_belongs():
    try:
        load("nowhere.json")
    except ConfigError as error:
        assert "beside main.py" in str(error)
        return
    raise AssertionError("accepted")
