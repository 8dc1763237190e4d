"""What the settings promise: every key documented, every mistake named."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector import settings as configuration
from collector.errors import SettingsError


def written(folder: Path, text: str) -> Path:
    file = folder / "tackfree.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_an_absent_default_file_gives_the_defaults():
    loaded = configuration.load(environment={"TACKFREE_SETTINGS": ""})
    assert loaded.mqtt.host == "127.0.0.1"
    assert loaded.readiness.margin_limit_k == 3.0


def test_a_key_in_the_file_is_taken(tmp_path):
    loaded = configuration.load(written(tmp_path, "[readiness]\nmargin_limit_k = 4\n"), environment={})
    assert loaded.readiness.margin_limit_k == 4.0


def test_the_environment_overrides_the_file(tmp_path):
    file = written(tmp_path, "[mqtt]\nport = 1890\nembedded = true\n")
    environment = {"TACKFREE_MQTT_PORT": "1891", "TACKFREE_MQTT_EMBEDDED": "false"}
    loaded = configuration.load(file, environment=environment)
    assert (loaded.mqtt.port, loaded.mqtt.embedded) == (1891, False)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[mqtt]\nprot = 1883\n", "unknown key prot in [mqtt]; expected one of embedded, host, port"),
        ("[mqt]\nport = 1883\n", "unknown section [mqt]"),
        ("[mqtt]\nport = 70000\n", "[mqtt] port = 70000; expected 1 to 65535"),
        ("[mqtt]\nport = '1883'\n", "[mqtt] port = '1883'; expected a whole number"),
        ("[mqtt]\nembedded = 1\n", "[mqtt] embedded = 1; expected true or false"),
        ("[readiness]\nmargin_limit_k = nan\n", "[readiness] margin_limit_k = nan; expected 0 to 30 K"),
        ("[shop]\nunits = 'imperial'\n", "expected one of metric, us"),
        ("[shop]\ntime_zone = 'Mars/Olympus'\n", "time_zone 'Mars/Olympus'; expected an IANA name"),
        ("[shop]\nbooth = 'a/b'\n", "expected letters, digits, - and _"),
        ("port = 1883\n", "unknown section [port]"),
        ("mqtt = 5\n", "expected a section [mqtt]"),
        ("[mqtt\n", "cannot be read"),
    ],
)
def test_a_mistake_is_named_with_its_file_and_what_would_be_right(tmp_path, text, told):
    file = written(tmp_path, text)
    with pytest.raises(SettingsError) as refused:
        configuration.load(file, environment={})
    assert told in str(refused.value)
    assert str(file) in str(refused.value) or "time_zone" in told


def test_a_wrong_environment_variable_is_named():
    with pytest.raises(SettingsError, match="TACKFREE_MQTT_PORT: 'x'; expected a whole number"):
        configuration.load(environment={"TACKFREE_MQTT_PORT": "x"})


def test_a_password_is_never_shown(tmp_path):
    with pytest.raises(SettingsError) as refused:
        configuration.load(written(tmp_path, "[mqtt]\npassword = 12345\n"), environment={})
    assert "12345" not in str(refused.value)


def test_a_named_file_must_exist(tmp_path):
    with pytest.raises(SettingsError, match="no such settings file"):
        configuration.load(tmp_path / "absent.toml", environment={})


def test_a_child_process_sees_the_same_settings(tmp_path):
    parent = configuration.load(
        written(tmp_path, "[shop]\nname = 'Two benches'\n[mqtt]\nport = 1999\n"), environment={}
    )
    child = configuration.load(environment=configuration.environment_of(parent))
    assert child == parent


def test_the_example_file_is_the_defaults():
    tables = tomllib.loads(configuration.example_file())
    defaults = configuration.Settings()
    for section, table in tables.items():
        for key, value in table.items():
            assert getattr(getattr(defaults, section), key) == value


def test_the_documented_settings_are_the_real_ones():
    page = (Path(__file__).parents[2] / "docs" / "settings.md").read_text(encoding="utf-8")
    assert configuration.example_file() in page


@given(st.binary(max_size=200))
def test_any_file_gives_settings_or_a_settings_error(tmp_path_factory, content):
    file = tmp_path_factory.mktemp("settings") / "tackfree.toml"
    file.write_bytes(content)
    try:
        assert configuration.load(file, environment={}).mqtt.port
    except SettingsError as error:
        assert str(file) in str(error)
