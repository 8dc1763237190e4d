"""The contract between a node and the collector: topics, and SenML packs (RFC 8428) to readings.

Nothing of ours is imported here, so that the firmware's own encoder can be held against this module alone.
``docs/wire-format.md`` is the same contract in prose.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, cast

TOPIC_ROOT: Final = "tackfree"
READINGS, STATUS, EVENTS, STORED, VERDICT, TIME = "readings", "status", "events", "stored", "verdict", "time"
ALERTS: Final = "alerts"
TopicKind = Literal["readings", "status", "events"]

MAX_PAYLOAD_BYTES: Final = 256 * 1024
"""A node's pack is a few hundred bytes; anything above this is refused unread."""

MAX_RECORDS: Final = 5_000
MAX_UNIT: Final = 64
MAX_REMARK: Final = 500
"""Characters kept of a word; the rest is cut."""

SENML_RELATIVE_BELOW_S: Final = 2**28
"""RFC 8428 section 4.5.3: a resolved time below this is relative to now."""

EARLIEST_MS: Final = 1_577_836_800_000
"""2020-01-01T00:00Z. No node of this kind existed before, so an earlier time is a wrong clock."""

FUTURE_TOLERANCE_MS: Final = 300_000
"""How far a node's clock may run ahead of the collector's before its readings are refused."""

_IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}\Z")
_QUANTITY = re.compile(r"[A-Za-z][A-Za-z0-9_.-]{0,63}\Z")
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:._/]*\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A measured quantity the collector knows, with the one unit it travels in and its believable range."""

    name: str
    unit: str | None
    low: float
    high: float
    label: str


QUANTITIES: Final[Mapping[str, Quantity]] = {
    quantity.name: quantity
    for quantity in (
        Quantity(name="air_temperature", unit="Cel", low=-40, high=85, label="Air temperature"),
        Quantity(name="relative_humidity", unit="%RH", low=0, high=100, label="Relative humidity"),
        Quantity(name="surface_temperature", unit="Cel", low=-40, high=125, label="Surface temperature"),
        Quantity(name="air_pressure", unit="Pa", low=30_000, high=110_000, label="Air pressure"),
        Quantity(name="voc_ppm", unit="ppm", low=0, high=20_000, label="Solvent vapour (isobutylene equivalent)"),
        Quantity(name="voc_index", unit=None, low=0, high=65_535, label="Solvent vapour trend (index)"),
        Quantity(name="booth_pressure", unit="Pa", low=-2_500, high=2_500, label="Booth differential pressure"),
        Quantity(name="face_velocity", unit="m/s", low=0, high=20, label="Face velocity"),
        Quantity(name="node_battery", unit="%EL", low=0, high=100, label="Node battery"),
    )
}
"""Units are the SenML registry's (RFC 8428, RFC 8798). Other quantities are stored as they come."""

_COUNTERS = ("seq", "oldest_seq")


class PackError(ValueError):
    """A message cannot be read at all; the text names the field, the value and what would be right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """The parts of ``tackfree/<booth>/<node>/<kind>``."""

    booth: str
    node: str
    kind: TopicKind


@dataclass(frozen=True, slots=True, kw_only=True)
class SenmlRecord:
    """One resolved SenML record: base values applied, time absolute (RFC 8428 section 4.6)."""

    name: str
    time_ms: int
    unit: str | None = None
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    total: float | None = None
    update_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number measured by a node. ``time_ms`` counts from 1970 in UTC."""

    booth: str
    node: str
    quantity: str
    unit: str | None
    time_ms: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One word from a node: a sensor fault, a button press, a flag."""

    booth: str
    node: str
    quantity: str
    time_ms: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """All that one message said. ``rejected`` holds a reason for each record that was refused."""

    booth: str
    node: str
    kind: TopicKind
    received_ms: int
    readings: tuple[Reading, ...] = ()
    remarks: tuple[Remark, ...] = ()
    seq: int | None = None
    oldest_seq: int | None = None
    rejected: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeStatus:
    """What a node last said of itself (retained), or its last will."""

    booth: str
    node: str
    received_ms: int
    online: bool
    details: Mapping[str, Any]


def topic_for(booth: str, node: str, kind: str) -> str:
    """Topic of a node's messages of one kind, e.g. ``tackfree/booth-1/n1/readings``."""
    return f"{TOPIC_ROOT}/{_identifier('booth', booth)}/{_identifier('node', node)}/{kind}"


def verdict_topic(booth: str) -> str:
    """Topic of a booth's retained verdict, which a node shows on its lamp."""
    return f"{TOPIC_ROOT}/{_identifier('booth', booth)}/{VERDICT}"


def time_topic(booth: str) -> str:
    """Topic of the collector's time, for nodes that reach no time server; whole milliseconds since 1970."""
    return f"{TOPIC_ROOT}/{_identifier('booth', booth)}/{TIME}"


def alerts_topic(booth: str) -> str:
    """Topic of a booth's retained list of open alerts, for screens and lights of the shop's own."""
    return f"{TOPIC_ROOT}/{_identifier('booth', booth)}/{ALERTS}"


def parse_topic(topic: str) -> Topic:
    """Split a node's topic into its parts.

    Raises
    ------
    PackError
        If it is not ``tackfree/<booth>/<node>/readings|status|events``.
    """
    parts = topic.split("/")
    if len(parts) != 4 or parts[0] != TOPIC_ROOT or parts[3] not in (READINGS, STATUS, EVENTS):
        raise PackError(f"topic {topic[:120]!r}: expected {TOPIC_ROOT}/<booth>/<node>/readings, status or events")
    return Topic(
        booth=_identifier("booth", parts[1]),
        node=_identifier("node", parts[2]),
        kind=cast(TopicKind, parts[3]),
    )


def encode_pack(
    node: str,
    time_ms: int | None,
    values: Mapping[str, float],
    *,
    seq: int | None = None,
    oldest_seq: int | None = None,
    remarks: Mapping[str, str] | None = None,
) -> bytes:
    """One SenML pack as a node sends it.

    Parameters
    ----------
    time_ms : int or None
        Time of the sample since 1970, UTC [ms]; None when the node's clock is not set (the collector then
        takes the time of arrival).
    values : mapping
        Quantity name to value, each in the unit of :data:`QUANTITIES`.
    seq, oldest_seq : int, optional
        The pack's number, and the lowest number the node still holds.
    """
    records: list[dict[str, Any]] = []
    for name, value in values.items():
        record: dict[str, Any] = {"n": name, "v": value}
        known = QUANTITIES.get(name)
        if known is not None and known.unit is not None:
            record["u"] = known.unit
        records.append(record)
    records += [{"n": name, "vs": text} for name, text in (remarks or {}).items()]
    records += [
        {"n": name, "v": number} for name, number in (("seq", seq), ("oldest_seq", oldest_seq)) if number is not None
    ]
    if not records:
        raise PackError("a pack needs at least one record; values, remarks and seq are all empty")
    records[0] = {"bn": f"{node}:", **({} if time_ms is None else {"bt": time_ms / 1000}), **records[0]}
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def resolve(records: Sequence[Mapping[str, Any]], received_ms: int) -> list[SenmlRecord]:
    """Resolved SenML records of a parsed pack (RFC 8428 sections 4.1 to 4.6).

    Parameters
    ----------
    records : sequence of mappings
        The JSON array of the pack, parsed.
    received_ms : int
        Arrival time, to which relative times refer. [ms since 1970, UTC]

    Raises
    ------
    PackError
        If a base field is malformed, a version is unknown, or a mandatory-to-understand field (a label that
        ends in ``_``) is present. Base fields apply to all that follows, so the whole pack is refused.
    """
    resolved: list[SenmlRecord] = []
    for _, outcome in _resolve_each(records, received_ms):
        if isinstance(outcome, PackError):
            raise outcome
        if outcome is not None:
            resolved.append(outcome)
    return resolved


def decode_pack(topic: str, payload: bytes, received_ms: int, *, latest_ms: int | None = None) -> Pack:
    """Read one message on a ``readings`` or ``events`` topic.

    Parameters
    ----------
    received_ms : int
        Arrival time. [ms since 1970, UTC]
    latest_ms : int, optional
        Newest believable time; by default the arrival time and :data:`FUTURE_TOLERANCE_MS`.

    Returns
    -------
    Pack
        Good records as readings and remarks; each bad one as a line in ``rejected``.

    Raises
    ------
    PackError
        If nothing of the message can be read.
    """
    where = parse_topic(topic)
    if where.kind == STATUS:
        raise PackError("topic kind 'status' holds no SenML pack; use decode_status")
    latest = received_ms + FUTURE_TOLERANCE_MS if latest_ms is None else latest_ms
    readings: list[Reading] = []
    remarks: list[Remark] = []
    rejected: list[str] = []
    counters: dict[str, int] = {}
    for index, outcome in _resolve_each(_parse_array(payload), received_ms):
        try:
            if outcome is None:
                continue
            if isinstance(outcome, PackError):
                raise outcome
            quantity = _quantity_of(outcome.name, where.node)
            if quantity in _COUNTERS:
                counters[quantity] = _counter(quantity, outcome.value)
                continue
            _check_time(outcome.time_ms, latest)
            if outcome.value is not None:
                readings.append(_reading(where, quantity, outcome))
            else:
                remarks.append(_remark(where, quantity, outcome))
        except PackError as reason:
            rejected.append(f"record {index}: {reason}")
    if counters.get("oldest_seq", 0) > counters.get("seq", math.inf):
        # Believed, it would give up what lies between, and the node would be told that all of it is stored.
        lowest = counters.pop("oldest_seq")
        rejected.append(f"oldest_seq: {lowest}; expected at most the pack's own seq {counters['seq']}")
    return Pack(
        booth=where.booth,
        node=where.node,
        kind=where.kind,
        received_ms=received_ms,
        readings=tuple(readings),
        remarks=tuple(remarks),
        seq=counters.get("seq"),
        oldest_seq=counters.get("oldest_seq"),
        rejected=tuple(rejected),
    )


def decode_status(topic: str, payload: bytes, received_ms: int) -> NodeStatus:
    """Read a retained status message: the word ``online`` or ``offline``, or a JSON object with a ``state``.

    Raises
    ------
    PackError
        If it is neither.
    """
    where = parse_topic(topic)
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise PackError(f"payload: {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are read")
    text = payload.decode("utf-8", "replace").strip()
    details: Mapping[str, Any] = {"state": text} if text in ("online", "offline") else _parse_object(text)
    state = details.get("state")
    if state not in ("online", "offline"):
        raise PackError(f"status field state: {str(state)[:40]!r}; expected 'online' or 'offline'")
    return NodeStatus(
        booth=where.booth, node=where.node, received_ms=received_ms, online=state == "online", details=details
    )


def _resolve_each(records: Sequence[Any], received_ms: int) -> Iterable[tuple[int, SenmlRecord | PackError | None]]:
    """Each record's index with what became of it; None for a record that carries base fields only."""
    base: dict[str, Any] = {"bn": "", "bt": 0, "bu": None, "bv": None, "bs": None}
    for index, record in enumerate(records):
        if not isinstance(record, Mapping):
            yield index, PackError(f"is {_short(record)}; expected a JSON object")
            continue
        _apply_base(base, record, index)
        try:
            yield index, _resolved(base, record, received_ms)
        except PackError as reason:
            yield index, reason


def _apply_base(base: dict[str, Any], record: Mapping[str, Any], index: int) -> None:
    for label in record:
        if not isinstance(label, str) or label.endswith("_"):
            raise PackError(f"record {index}: field {_short(label)} must be understood (RFC 8428 4.4) and is not")
    if "bver" in record and (isinstance(record["bver"], bool) or record["bver"] not in range(1, 11)):
        raise PackError(f"record {index}: bver {_short(record['bver'])}; expected a version from 1 to 10")
    for label in ("bn", "bu"):
        if label in record and not isinstance(record[label], str):
            raise PackError(f"record {index}: {label} {_short(record[label])}; expected text")
    for label in ("bt", "bv", "bs"):
        if label in record:
            _number(f"record {index}: {label}", record[label])
    base.update({label: record[label] for label in base if label in record})


def _resolved(base: Mapping[str, Any], record: Mapping[str, Any], received_ms: int) -> SenmlRecord | None:
    kinds = [label for label in ("v", "vs", "vb", "vd") if label in record]
    if len(kinds) > 1:
        raise PackError(f"has the values {kinds}; expected one of v, vs, vb, vd")
    if not kinds and "s" not in record:
        if "n" in record:
            raise PackError(f"{_short(record['n'])} has no value; expected v, vs, vb, vd or s")
        return None
    name = record.get("n", "")
    if not isinstance(name, str):
        raise PackError(f"n {_short(name)}; expected text")
    full_name = base["bn"] + name
    if not _SENML_NAME.match(full_name):
        raise PackError(f"name {full_name[:80]!r}; expected letters, digits and - : . _ / (RFC 8428 4.5.1)")
    unit = record.get("u", base["bu"])
    if unit is not None and not isinstance(unit, str):
        raise PackError(f"u {_short(unit)}; expected text")
    value = _sum("v", record, base["bv"])
    total = _sum("s", record, base["bs"])
    for label, kind in (("vs", str), ("vb", bool), ("vd", str)):
        if label in record and not isinstance(record[label], kind):
            raise PackError(f"{label} {_short(record[label])}; expected {kind.__name__}")
    return SenmlRecord(
        name=full_name,
        time_ms=_absolute_ms(base["bt"], _number("t", record.get("t", 0)), received_ms),
        unit=unit,
        value=value,
        text=record.get("vs"),
        flag=record.get("vb"),
        data=record.get("vd"),
        total=total,
        update_s=_number("ut", record["ut"]) if "ut" in record else None,
    )


def _sum(label: str, record: Mapping[str, Any], base: float | None) -> float | None:
    if label not in record:
        return None
    # As floats: two integers that JSON allows can add up to one that no float holds.
    total = float(_number(label, record[label])) + float(base or 0)
    if not math.isfinite(total):
        raise PackError(f"{label} {total}; expected a finite number")
    return total


def _absolute_ms(base_s: float, offset_s: float, received_ms: int) -> int:
    # Rounded part by part: as one sum, a float of 1.7e9 s carries noise that could make two keys of a sample.
    seconds = base_s + offset_s
    if abs(seconds) > 1e11:
        raise PackError(f"time {seconds:.6g} s; expected seconds since 1970 or relative to now")
    if seconds < SENML_RELATIVE_BELOW_S:
        return received_ms + round(seconds * 1000)
    return round(base_s * 1000) + round(offset_s * 1000)


def _parse_array(payload: bytes) -> Sequence[Any]:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise PackError(f"payload: {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are read")
    parsed = _parse_json(payload)
    if not isinstance(parsed, list):
        raise PackError(f"payload is {_short(parsed)}; expected a JSON array of SenML records")
    if not 0 < len(parsed) <= MAX_RECORDS:
        raise PackError(f"payload holds {len(parsed)} records; expected 1 to {MAX_RECORDS}")
    return parsed


def _parse_object(text: str) -> Mapping[str, Any]:
    try:
        parsed = _parse_json(text)
    except PackError as reason:
        raise PackError(f"status {_short(text)}; expected 'online', 'offline' or a JSON object") from reason
    if not isinstance(parsed, dict):
        raise PackError(f"status {_short(parsed)}; expected 'online', 'offline' or a JSON object")
    return parsed


def _parse_json(payload: bytes | str) -> Any:
    def refuse(constant: str) -> None:
        raise PackError(f"payload holds {constant}; JSON numbers are finite")

    try:
        return json.loads(payload, parse_constant=refuse)
    except PackError:
        raise
    except (ValueError, RecursionError) as error:
        start = payload[:40]
        raise PackError(f"payload is not JSON ({error or type(error).__name__}); it starts {start!r}") from error


def _quantity_of(full_name: str, node: str) -> str:
    device, colon, quantity = full_name.rpartition(":")
    if colon and device != node and not device.startswith("urn:dev:"):
        raise PackError(f"name {full_name[:80]!r} is of node {device[:64]!r}; its topic is of node {node!r}")
    if not _QUANTITY.match(quantity):
        raise PackError(f"name {full_name[:80]!r}; expected a quantity such as air_temperature after the node")
    return quantity


def _reading(where: Topic, quantity: str, record: SenmlRecord) -> Reading:
    value = cast(float, record.value)
    known = QUANTITIES.get(quantity)
    if known is not None:
        if record.unit != known.unit and not (known.unit is None and record.unit in ("1", "/")):
            wanted = f"{known.unit!r}" if known.unit else "none"
            raise PackError(f"{quantity}: unit {_short(record.unit)}; expected {wanted}")
        if not known.low <= value <= known.high:
            bounds = f"{known.low:g} to {known.high:g} {known.unit or ''}".rstrip()
            raise PackError(f"{quantity}: value {value:g}; expected {bounds}")
    elif record.unit is not None and not (len(record.unit) <= MAX_UNIT and record.unit.isprintable()):
        raise PackError(f"{quantity}: unit {_short(record.unit)}; expected at most {MAX_UNIT} printable characters")
    return Reading(
        booth=where.booth,
        node=where.node,
        quantity=quantity,
        unit=known.unit if known is not None else record.unit,
        time_ms=record.time_ms,
        value=value,
    )


def _remark(where: Topic, quantity: str, record: SenmlRecord) -> Remark:
    for text in (record.text, record.data, None if record.flag is None else str(record.flag).lower()):
        if text is not None:
            # JSON can escape half a character, which is no text that a database takes.
            whole = text[:MAX_REMARK].encode("utf-8", "replace").decode("utf-8")
            return Remark(booth=where.booth, node=where.node, quantity=quantity, time_ms=record.time_ms, text=whole)
    raise PackError(f"{quantity}: only a sum (s) is given; expected a value")


def _check_time(time_ms: int, latest_ms: int) -> None:
    if not EARLIEST_MS <= time_ms <= latest_ms:
        side = "before 2020" if time_ms < EARLIEST_MS else f"{(time_ms - latest_ms) / 1000:.0f} s too far ahead"
        raise PackError(f"time {time_ms / 1000:.3f} s since 1970 is {side}; is the node's clock set?")


def _counter(name: str, value: float | None) -> int:
    if value is None or value != int(value) or not 0 <= value < 2**53:
        raise PackError(f"{name}: {value}; expected a whole number from 0")
    return int(value)


def _number(label: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PackError(f"{label} {_short(value)}; expected a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PackError(f"{label} {_short(value)}; expected a finite number")
    return value if isinstance(value, int) else number


def _identifier(label: str, value: str) -> str:
    if not _IDENTIFIER.match(value):
        raise PackError(f"{label} {value[:80]!r}; expected 1 to 64 letters, digits, - or _")
    return value


def _short(value: Any) -> str:
    try:
        text = repr(value)
    except RecursionError:
        text = f"a deeply nested {type(value).__name__}"
    return text if len(text) <= 60 else f"{text[:57]}..."
