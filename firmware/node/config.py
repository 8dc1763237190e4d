"""``config.json`` on the board: read once at start, each mistake named with its key and what is right."""

import json


class ConfigError(ValueError):
    """The configuration cannot be used."""


_KINDS = {str: "text", int: "a whole number", dict: "an object", list: "a list", bool: "true or false"}
_LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"

# key: (kind, default or ... if it must be given, lowest, highest)
_TOP = {
    "booth": (str, ..., None, None),
    "node": (str, ..., None, None),
    "wifi": (dict, None, None, None),
    "mqtt": (dict, ..., None, None),
    "ntp": (str, "", None, None),
    "clock_wait_s": (int, 60, 0, 3600),
    "status_s": (int, 60, 5, 3600),
    "data": (str, "data", None, None),
    "spool_kib": (int, 512, 8, 16384),
    "backlog_per_s": (int, 10, 1, 1000),
    "watchdog": (bool, True, None, None),
    "buses": (dict, {}, None, None),
    "sensors": (list, [], None, None),
    "button": (dict, None, None, None),
    "lamp": (dict, None, None, None),
}
_WIFI = {"ssid": (str, ..., None, None), "password": (str, "", None, None)}
_MQTT = {
    "host": (str, ..., None, None),
    "port": (int, 1883, 1, 65535),
    "username": (str, "", None, None),
    "password": (str, "", None, None),
    "ca_file": (str, "", None, None),
    "keepalive_s": (int, 30, 5, 600),
}
_SENSOR = {
    "type": (str, ..., None, None),
    "bus": (str, "", None, None),
    "pin": (int, -1, 0, 64),
    "period_s": (int, 10, 1, 86400),
    "median_of": (int, 1, 1, 31),
    "names": (dict, None, None, None),
    "calibration": (dict, {}, None, None),
}
_BUTTON = {"pin": (int, ..., 0, 64), "active": (int, 0, 0, 1)}
_LAMP = {"pin": (int, ..., 0, 64)}


def load(path):
    """The checked configuration, every key present."""
    try:
        with open(path) as file:
            given = json.load(file)
    except OSError:
        raise ConfigError("%s cannot be read; copy it to the board beside main.py" % path)
    except ValueError:
        raise ConfigError("%s is not JSON" % path)
    return check(given)


def check(given):
    config = _section("", given, _TOP)
    for key in ("booth", "node"):
        name = config[key]
        if not 0 < len(name) <= 64 or [c for c in name if c not in _LETTERS] or name[0] in "-_":
            raise ConfigError("%s: %r; expected 1 to 64 letters, digits, - or _" % (key, name))
    config["mqtt"] = _section("mqtt.", config["mqtt"], _MQTT)
    for key, keys in (("wifi", _WIFI), ("button", _BUTTON), ("lamp", _LAMP)):
        if config[key] is not None:
            config[key] = _section(key + ".", config[key], keys)
    config["sensors"] = [
        _section("sensors[%d]." % i, sensor, _SENSOR) for i, sensor in enumerate(config["sensors"])
    ]
    return config


def _section(where, given, keys):
    if not isinstance(given, dict):
        raise ConfigError("%s: %r; expected an object" % (where[:-1] or "configuration", given))
    for key in given:
        if key not in keys:
            raise ConfigError("%s%s: unknown; expected one of %s" % (where, key, ", ".join(sorted(keys))))
    checked = {}
    for key, (kind, default, low, high) in keys.items():
        value = given.get(key, default)
        if value is ...:
            raise ConfigError("%s%s: missing; expected %s" % (where, key, _KINDS[kind]))
        if key in given:
            if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
                raise ConfigError("%s%s: %r; expected %s" % (where, key, value, _KINDS[kind]))
            if low is not None and not low <= value <= high:
                raise ConfigError("%s%s: %r; expected %d to %d" % (where, key, value, low, high))
        checked[key] = value
    return checked
