"""The one place that reads configuration: ``tackfree.toml``, overridden by ``TACKFREE_<SECTION>_<KEY>``.

``docs/settings.md`` is generated from the fields below; a test holds the two together.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Final, get_type_hints
from zoneinfo import ZoneInfo, available_timezones

import platformdirs

from collector.errors import SettingsError

FILE_NAME: Final = "tackfree.toml"


def _key(
    default: Any,
    unit: str,
    meaning: str,
    *,
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] = (),
    pattern: str = "",
    like: str = "letters, digits, - and _",
    secret: bool = False,
) -> Any:
    metadata = {
        "unit": unit,
        "meaning": meaning,
        "low": low,
        "high": high,
        "choices": choices,
        "pattern": pattern,
        "like": like,
        "secret": secret,
    }
    return field(default=default, metadata=metadata, repr=not secret)


_NAME = r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}"
_TIME_OF_DAY = r"(?:(?:[01]\d|2[0-3]):[0-5]\d)?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """The shop itself."""

    name: str = _key("The shop", "", "Name shown on the screens.")
    booth: str = _key("booth-1", "", "Booth shown first, as named in the MQTT topics.", pattern=_NAME)
    time_zone: str = _key("", "", "IANA time zone of the shop, e.g. Europe/Berlin; empty: the machine's own.")
    units: str = _key("metric", "", "Units on screens and reports.", choices=("metric", "us"))

    @property
    def zone(self) -> ZoneInfo:
        """The shop's time zone."""
        return ZoneInfo(self.time_zone or machine_time_zone())


@dataclass(frozen=True, slots=True, kw_only=True)
class Data:
    """Where things are kept, and for how long."""

    folder: str = _key("", "", "Data folder; empty: the platform's own place for application data.")
    raw_days: int = _key(
        400,
        "d",
        "Raw readings are kept this long; those of a coat, and roll-ups, for ever.",
        low=2,
        high=100_000,
    )

    @property
    def path(self) -> Path:
        """The data folder."""
        return Path(self.folder).expanduser() if self.folder else platformdirs.user_data_path("tackfree")

    @property
    def readings_file(self) -> Path:
        """The reading store's file."""
        return self.path / "readings.sqlite"

    @property
    def records_url(self) -> str:
        """The record store's database URL."""
        return f"sqlite:///{self.path / 'records.sqlite'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mqtt:
    """The broker between nodes and collector."""

    embedded: bool = _key(True, "", "Run the built-in broker; false: use one that runs already.")
    host: str = _key("127.0.0.1", "", "Address of the broker; the built-in one listens there.")
    port: int = _key(1883, "", "TCP port of the broker.", low=1, high=65_535)
    username: str = _key("", "", "User name at the broker; empty: none.")
    password: str = _key("", "", "Password at the broker; better given as TACKFREE_MQTT_PASSWORD.", secret=True)
    client_id: str = _key(
        "tackfree-collector",
        "",
        "Client identifier; one per collector, as it holds a session.",
        pattern=_NAME,
    )
    ca_file: str = _key("", "", "Certificate authority file; set, the connection is TLS and verified.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ingest:
    """How messages are gathered into commits."""

    batch_messages: int = _key(500, "messages", "A commit holds at most this many.", low=1, high=10_000)
    batch_ms: int = _key(200, "ms", "A message waits at most this long for its commit.", low=10, high=10_000)
    queue_messages: int = _key(
        5_000, "messages", "Held in memory while the disk is slow, at most.", low=10, high=1_000_000
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Dashboard:
    """The screens."""

    host: str = _key("127.0.0.1", "", "Address the pages are served at.")
    port: int = _key(8501, "", "TCP port the pages are served at.", low=1, high=65_535)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """Limits and accuracies for the spray / hold answer. Accuracies are datasheet ± limits (rectangular)."""

    margin_limit_k: float = _key(
        3.0, "K", "Surface above dew point, at least, where the material sets no other.", low=0, high=30
    )
    stale_after_s: float = _key(120.0, "s", "A reading older than this no longer counts.", low=5, high=86_400)
    air_accuracy_k: float = _key(0.5, "K", "± limit of the air temperature sensor.", low=0.01, high=10)
    relative_humidity_accuracy_pct: float = _key(3.0, "%RH", "± limit of the humidity sensor.", low=0.1, high=30)
    surface_accuracy_k: float = _key(0.5, "K", "± limit of the surface temperature sensor.", low=0.01, high=10)
    surface_from_air_accuracy_k: float = _key(
        2.0,
        "K",
        "± limit when no surface is measured and the air's temperature stands in for it.",
        low=0.1,
        high=20,
    )
    blush_limit_pct: float = _key(
        10.0, "%", "Chance of blush the shop accepts; up to 50 % is marginal, above it holds.", low=1, high=50
    )
    wet_film_um: float = _key(
        100.0, "µm", "Wet film of a usual coat, where none is told; 75 to 125 is common practice.", low=10, high=1_000
    )
    face_length_m: float = _key(0.35, "m", "Length of a piece's coated face along the air.", low=0.01, high=5)
    retarder: str = _key("2-butoxyethanol", "", "What the shop's retarder is, as named in docs/solvents.md.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ventilation:
    """The booth's air: what is moved, how well it mixes, and the ceilings the shop sets itself."""

    exhaust_m3_h: float = _key(
        0.0,
        "m³/h",
        "Exhaust flow as measured, used where no face velocity is; 0: not known.",
        low=0,
        high=1_000_000,
    )
    volume_m3: float = _key(0.0, "m³", "Air in the booth; 0: not known.", low=0, high=100_000)
    mixing_factor: float = _key(
        3.0, "", "K, parts of air that do the work of one: 3 to 10 in dilution practice, 1 is perfect.", low=1, high=20
    )
    face_opening_m2: float = _key(
        0.0, "m²", "Section the air passes where its velocity is measured; 0: not known.", low=0, high=1_000
    )
    flow_accuracy_pct: float = _key(
        20.0, "%", "± limit of face velocity and exhaust flow; one point does not see a whole face.", low=1, high=90
    )
    face_velocity_min_m_s: float = _key(
        0.5,
        "m/s",
        "Least face velocity; 100 ft/min (0.508) in 29 CFR 1910.107(b)(5) for dry filters, against fire.",
        low=0.05,
        high=5,
    )
    booth_pressure_min_pa: float = _key(
        5.0, "Pa", "Booth pressure, its sign aside, that shows the fan is drawing.", low=0.1, high=2_500
    )
    filter_change_pa: float = _key(
        0.0,
        "Pa",
        "Booth pressure, its sign aside, at which the filter is due; above a clean filter's with tubes across the "
        "filter, below it with the booth against the shop; 0: not known.",
        low=0,
        high=2_500,
    )
    lfl_ceiling_pct: float = _key(
        25.0,
        "%",
        "Ceiling for vapour, of its lower flammable limit: 25 in 29 CFR 1910.94(c), NFPA 33 and IMC; 20 in "
        "California's Title 8 s. 5153; 10 in WAC 296-304 for shipyards.",
        low=1,
        high=100,
    )
    spray_rate_ml_min: float = _key(
        120.0, "ml/min", "Mix leaving the gun; 100 to 150 is common practice, no source.", low=1, high=5_000
    )
    spray_rate_accuracy_pct: float = _key(40.0, "%", "± limit of that rate.", low=1, high=90)
    transfer_pct: float = _key(
        50.0, "%", "Part of the spray that lands on the piece; its solvent leaves over the flash-off.", low=0, high=100
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What the VOC ledger goes by. Limits are yours to set; accuracies are ± limits (rectangular)."""

    voc_limit_kg_12_months: float = _key(
        0.0, "kg", "VOC given off in 12 months, at most, as you set it; 0: no limit.", low=0, high=1_000_000
    )
    coating_limit_g_l: float = _key(
        0.0, "g/l", "VOC of a coating as applied, at most, as you set it; 0: no limit.", low=0, high=1_500
    )
    coating_limit_basis: str = _key(
        "less_water_and_exempt",
        "",
        "What that limit counts: per litre less water and exempt solvent, or per litre of everything.",
        choices=("less_water_and_exempt", "actual"),
    )
    exempt_list: str = _key(
        "us_epa",
        "",
        "Solvents that do not count as VOC: those of 40 CFR 51.100(s) as far as the solvent table has them, or none.",
        choices=("us_epa", "none"),
    )
    data_sheet_voc: str = _key(
        "actual",
        "",
        "What a material's voc_g_l is: per litre of everything, or per litre less water and exempt solvent.",
        choices=("actual", "less_water_and_exempt"),
    )
    data_sheet_accuracy_pct: float = _key(5.0, "%", "± limit of a data sheet's VOC.", low=0, high=100)
    blend_accuracy_pct: float = _key(
        15.0, "%", "± limit of a VOC worked out from solids and blend, where the sheet gives none.", low=0, high=100
    )
    volume_accuracy_pct: float = _key(5.0, "%", "± limit of a volume sprayed or used.", low=0, high=100)
    mixing_accuracy_pct: float = _key(
        5.0, "%", "± limit of how much reducer, retarder and catalyst is poured.", low=0, high=100
    )
    reducer_voc_g_l: float = _key(
        850.0, "g/l", "VOC of the reducer. Typical, edit from your data sheet.", low=0, high=1_500
    )
    reducer_exempt_fraction: float = _key(
        0.0, "", "Exempt solvent in the reducer, volume per volume; not in its VOC.", low=0, high=1
    )
    retarder_voc_g_l: float = _key(
        890.0, "g/l", "VOC of the retarder. Typical, edit from your data sheet.", low=0, high=1_500
    )
    thinner_accuracy_g_l: float = _key(60.0, "g/l", "± limit of those two.", low=0, high=1_000)
    catalyst_voc_g_l: float = _key(
        500.0, "g/l", "VOC of the catalyst; they differ widely: edit from your data sheet.", low=0, high=1_500
    )
    catalyst_accuracy_g_l: float = _key(250.0, "g/l", "± limit of it.", low=0, high=1_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alerts:
    """When to call somebody, and where."""

    wet_min: float = _key(
        30.0, "min", "A coat counts as wet this long after its end; judgement, no source.", low=0, high=1_440
    )
    pot_life_notice_min: float = _key(
        20.0, "min", "The end of a mix's pot life is told this long before it.", low=1, high=1_440
    )
    node_silent_min: float = _key(10.0, "min", "A node not heard for this long is told.", low=2, high=1_440)
    disk_free_min_gib: float = _key(2.0, "GiB", "Free room on the data folder's disk, at least.", low=0.1, high=10_000)
    quiet_from: str = _key(
        "",
        "",
        "Start of the quiet hours in shop time, e.g. 22:00; empty: none. Danger is told even then.",
        pattern=_TIME_OF_DAY,
        like="a time such as 22:00, or nothing",
    )
    quiet_until: str = _key(
        "",
        "",
        "End of the quiet hours; what is still true then is told.",
        pattern=_TIME_OF_DAY,
        like="a time such as 07:00, or nothing",
    )
    apprise_urls: str = _key(
        "",
        "",
        "Where messages go, as Apprise URLs with commas between them; better given as TACKFREE_ALERTS_APPRISE_URLS.",
        secret=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rack:
    """When a piece counts as ready for its next step."""

    ready_probability_pct: float = _key(
        80.0, "%", "A step is shown as possible now, and called out, at this chance of it.", low=50, high=99
    )
    closing_within_h: float = _key(
        12.0, "h", "A recoat window is shown as closing when it may close within this time.", low=0.5, high=168
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sanding:
    """The film there is to sand, and how far the shop goes."""

    through_limit_pct: float = _key(
        5.0, "%", "Chance of sanding through the clear that the shop accepts.", low=0.1, high=50
    )
    piece_area_m2: float = _key(
        0.0,
        "m²",
        "Coated area of a usual piece, for coats with millilitres and no gauge; 0: not known.",
        low=0,
        high=50,
    )
    spots: int = _key(
        6, "", "Spots of a piece, such as edges, that may be thin. Judgement, no source.", low=1, high=1_000
    )
    spot_spread_pct: float = _key(
        10.0, "%", "How far such spots differ in film, standard deviation. Judgement, no source.", low=0, high=60
    )
    texture_grade: int = _key(
        3, "", "Texture off the gun where none is told: 1 nearly flat to 5 very heavy.", low=1, high=5
    )
    sheet_uses: int = _key(
        3, "sandings", "A sheet of a grit is due after so many. Common practice, no source.", low=1, high=100
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything a person can set."""

    shop: Shop = field(default_factory=Shop)
    data: Data = field(default_factory=Data)
    mqtt: Mqtt = field(default_factory=Mqtt)
    ingest: Ingest = field(default_factory=Ingest)
    dashboard: Dashboard = field(default_factory=Dashboard)
    readiness: Readiness = field(default_factory=Readiness)
    ventilation: Ventilation = field(default_factory=Ventilation)
    ledger: Ledger = field(default_factory=Ledger)
    rack: Rack = field(default_factory=Rack)
    alerts: Alerts = field(default_factory=Alerts)
    sanding: Sanding = field(default_factory=Sanding)
    file: Path | None = None


SECTIONS: Final[Mapping[str, Callable[..., Any]]] = {
    "shop": Shop,
    "data": Data,
    "mqtt": Mqtt,
    "ingest": Ingest,
    "dashboard": Dashboard,
    "readiness": Readiness,
    "ventilation": Ventilation,
    "ledger": Ledger,
    "rack": Rack,
    "alerts": Alerts,
    "sanding": Sanding,
}


def default_file() -> Path:
    """Where ``tackfree.toml`` is looked for when no other file is named."""
    return platformdirs.user_config_path("tackfree") / FILE_NAME


def machine_time_zone() -> str:
    """IANA name of the machine's time zone, or UTC where it cannot be told."""
    for candidate in (os.environ.get("TZ", ""), _zone_of_link(Path("/etc/localtime"))):
        if candidate in available_timezones():
            return candidate
    return "UTC"


def load(path: Path | None = None, environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings file and the environment.

    Parameters
    ----------
    path : Path, optional
        The file; by default ``TACKFREE_SETTINGS``, or the platform's configuration folder, where it may be
        absent.
    environment : mapping, optional
        In place of the process's environment.

    Raises
    ------
    SettingsError
        Naming file, key, value and what would be right.
    """
    environ = os.environ if environment is None else environment
    named = path or (Path(environ["TACKFREE_SETTINGS"]) if environ.get("TACKFREE_SETTINGS") else None)
    source = named or default_file()
    tables = _read_file(source, must_exist=named is not None)
    for section in tables:
        if section not in SECTIONS:
            raise SettingsError(f"{source}: unknown section [{section}]; expected one of {', '.join(SECTIONS)}")
    return Settings(
        file=source if source.exists() else None,
        **{name: _section(name, kind, tables.get(name, {}), source, environ) for name, kind in SECTIONS.items()},
    )


def environment_of(settings: Settings) -> dict[str, str]:
    """Every setting as an environment variable, so that a child process sees just what its parent does."""
    environment = {
        _variable(section, item.name): _as_text(getattr(getattr(settings, section), item.name))
        for section in SECTIONS
        for item in fields(getattr(settings, section))
    }
    return environment if settings.file is None else {**environment, "TACKFREE_SETTINGS": str(settings.file)}


def example_file() -> str:
    """A settings file that holds every key at its default, with its meaning and unit as comments."""
    lines: list[str] = []
    for section, kind in SECTIONS.items():
        lines += ["" if lines else "# tackfree.toml: every key, at its default", f"[{section}]"]
        for item in fields(kind):  # type: ignore[arg-type]
            rule = item.metadata
            words = [rule["meaning"]]
            words += [f"Unit: {rule['unit']}."] if rule["unit"] else []
            words += [f"One of: {', '.join(rule['choices'])}."] if rule["choices"] else []
            words += [f"From {rule['low']:g} to {rule['high']:g}."] if rule["low"] is not None else []
            lines += [f"# {' '.join(words)}", f"{item.name} = {_as_toml(item.default)}"]
    return "\n".join(lines) + "\n"


def _as_toml(value: Any) -> str:
    return json.dumps(value)  # text, numbers and true/false read the same in TOML


def _as_text(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _variable(section: str, key: str) -> str:
    return f"TACKFREE_{section}_{key}".upper()


def _read_file(source: Path, *, must_exist: bool) -> Mapping[str, Any]:
    try:
        return tomllib.loads(source.read_text(encoding="utf-8"))
    except FileNotFoundError:
        if must_exist:
            raise SettingsError(f"{source}: no such settings file") from None
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{source}: cannot be read: {error}") from error


def _section(name: str, kind: Callable[..., Any], table: Any, source: Path, environ: Mapping[str, str]) -> Any:
    if not isinstance(table, Mapping):
        raise SettingsError(f"{source}: {name} is {table!r}; expected a section [{name}]")
    known = {item.name: item for item in fields(kind)}  # type: ignore[arg-type]
    types = get_type_hints(kind)
    for key in table:
        if key not in known:
            raise SettingsError(f"{source}: unknown key {key} in [{name}]; expected one of {', '.join(known)}")
    values: dict[str, Any] = {}
    for key, item in known.items():
        variable = _variable(name, key)
        if variable in environ:
            place, value = variable, _parsed(variable, environ[variable], types[key])
        elif key in table:
            place, value = f"{source}: [{name}] {key}", table[key]
        else:
            continue
        values[key] = _checked(place, value, types[key], item.metadata)
    section = kind(**values)
    if isinstance(section, Shop) and section.time_zone and section.time_zone not in available_timezones():
        raise SettingsError(f"time_zone {section.time_zone!r}; expected an IANA name such as Europe/Berlin")
    if isinstance(section, Alerts) and bool(section.quiet_from) != bool(section.quiet_until):
        raise SettingsError(
            f"[alerts] quiet_from {section.quiet_from!r}, quiet_until {section.quiet_until!r}; expected both or neither"
        )
    return section


def _parsed(variable: str, text: str, kind: type) -> Any:
    if kind is bool:
        words = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}
        if text.lower() not in words:
            raise SettingsError(f"{variable}: {text!r}; expected true or false")
        return words[text.lower()]
    try:
        return kind(text)
    except ValueError:
        raise SettingsError(f"{variable}: {text!r}; expected {_kind_word(kind)}") from None


def _checked(place: str, value: Any, kind: type, rule: Mapping[str, Any]) -> Any:
    shown = "(hidden)" if rule["secret"] else repr(value)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
        raise SettingsError(f"{place} = {shown}; expected {_kind_word(kind)}")
    low, high = rule["low"], rule["high"]
    if low is not None and not low <= value <= high:
        raise SettingsError(f"{place} = {shown}; expected {low:g} to {high:g} {rule['unit']}".rstrip())
    if rule["choices"] and value not in rule["choices"]:
        raise SettingsError(f"{place} = {shown}; expected one of {', '.join(rule['choices'])}")
    if rule["pattern"] and not re.fullmatch(rule["pattern"], str(value)):
        raise SettingsError(f"{place} = {shown}; expected {rule['like']}")
    return value


def _kind_word(kind: type) -> str:
    return {bool: "true or false", int: "a whole number", float: "a number", str: "text"}[kind]


def _zone_of_link(link: Path) -> str:
    try:
        return str(link.resolve()).partition("zoneinfo/")[2]
    except OSError:
        return ""
