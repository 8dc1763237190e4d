"""A shop's existing notes, read from CSV: what would be made, what is there already, what is refused and why.

One line is a coat with its piece, or a piece alone; ``docs/import.md`` describes the columns. Nothing is written here
before :func:`write`, and that writes all or nothing.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from collector.advice.display import ML_PER_US_FL_OZ, UM_PER_MIL
from collector.errors import NotFound, RecordError
from collector.records.model import Coat, Material, Mix, Piece
from collector.records.repository import Records
from collector.records.rows import name_key
from collector.settings import Settings

MOST_BYTES: Final = 20_000_000
MM_PER_INCH: Final = 25.4
NOON: Final = time(12, 0)

PIECE_COLUMNS: Final = ("piece", "substrate", "thickness_mm", "owner_reference", "due", "piece_note", "done_at")
COAT_COLUMNS: Final = (
    "material", "reducer_fraction", "retarder_fraction", "catalyst_fraction", "booth", "started_at", "ended_at",
    "passes", "wet_film_um", "sprayed_ml", "gun_note", "sprayed_by", "coat_note",
)  # fmt: skip
IN_OTHER_UNITS: Final[Mapping[str, tuple[str, float]]] = {
    "thickness_in": ("thickness_mm", MM_PER_INCH),
    "wet_film_mil": ("wet_film_um", UM_PER_MIL),
    "sprayed_fl_oz": ("sprayed_ml", ML_PER_US_FL_OZ),
}
"""Columns in other units, with what one of theirs is in ours; US fluid ounces."""

COLUMNS: Final = (*PIECE_COLUMNS, *COAT_COLUMNS, *IN_OTHER_UNITS)
DELIMITERS: Final = ",;\t"
_NUMBER: Final = r"[+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A line that will not do.

    Attributes
    ----------
    line : int
        In the file, from 1.
    field, value : str
    right : str
        What would be right.
    """

    line: int
    field: str
    value: str
    right: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """What a file comes to.

    Attributes
    ----------
    pieces : tuple of Piece
        To be made.
    coats : tuple of (int, str, Coat)
        To be made: line, name of the piece, coat.
    existing : tuple of (int, str)
        Lines whose piece or coat is there already, in words.
    assumed : tuple of (int, str)
        Lines where something was taken for granted.
    refused : tuple of Refused
    """

    pieces: tuple[Piece, ...]
    coats: tuple[tuple[int, str, Coat], ...]
    existing: tuple[tuple[int, str], ...]
    assumed: tuple[tuple[int, str], ...]
    refused: tuple[Refused, ...]


class _Wrong(Exception):
    """A field that will not do."""

    def __init__(self, field_name: str, value: str, right: str) -> None:
        super().__init__(field_name, value, right)
        self.field, self.value, self.right = field_name, value, right


@dataclass(slots=True)
class _Reading:
    """What has been read so far."""

    records: Records
    settings: Settings
    now: datetime
    materials: dict[str, Material]
    held: dict[str, Piece]
    held_coats: set[tuple[int, datetime]]
    pieces: dict[str, tuple[int, Piece]] = field(default_factory=dict)
    coats: dict[tuple[str, datetime], int] = field(default_factory=dict)
    made: list[tuple[int, str, Coat]] = field(default_factory=list)
    existing: list[tuple[int, str]] = field(default_factory=list)
    assumed: list[tuple[int, str]] = field(default_factory=list)
    told: set[str] = field(default_factory=set)


def read_file(path: Path) -> str:
    """The text of a CSV file.

    Raises
    ------
    RecordError
        If it cannot be read, is too large, or is not UTF-8.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path}: {error.strerror}") from error
    if len(raw) > MOST_BYTES:
        raise RecordError(f"{path}: {len(raw)} bytes; expected at most {MOST_BYTES}")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordError(f"{path}: byte {error.start} is not UTF-8; save it as CSV UTF-8") from error


def read(text: str, records: Records, settings: Settings, now: datetime) -> Notes:
    """What a file's text would make; nothing is written.

    Parameters
    ----------
    text : str
    records : Records
        What is there already, and the materials.
    settings : Settings
        The shop's time zone and usual booth.
    now : datetime
        Nothing can have been sprayed later.

    Raises
    ------
    RecordError
        If it has no usable header.
    """
    everything = records.pieces(include_done=True)
    state = _Reading(
        records=records,
        settings=settings,
        now=now,
        materials={name_key(each.name): each for each in records.materials()},
        held={name_key(each.name): each for each in everything},
        held_coats={(each.piece_id, each.started_at) for each in records.coats()},
    )
    refused: list[Refused] = []
    for line, row, trouble in _lines(text):
        if trouble is not None:
            refused.append(Refused(line=line, field="line", value=trouble[0], right=trouble[1]))
            continue
        try:
            _take(state, line, row)
        except _Wrong as wrong:
            refused.append(Refused(line=line, field=wrong.field, value=wrong.value, right=wrong.right))
        except RecordError as error:
            refused.append(Refused(line=line, **_parted(str(error))))
    return Notes(
        pieces=tuple(piece for _, piece in state.pieces.values()),
        coats=tuple(state.made),
        existing=tuple(state.existing),
        assumed=tuple(state.assumed),
        refused=tuple(refused),
    )


def write(notes: Notes, records: Records) -> None:
    """Store what a file comes to, all in one transaction.

    Raises
    ------
    RecordError
        If a line was refused, or the store has changed since it was read; then nothing is written.
    """
    if notes.refused:
        raise RecordError(f"{len(notes.refused)} lines are refused, so nothing is written; mend them first")
    records.add_notes(notes.pieces, [(name, coat) for _, name, coat in notes.coats])


def _lines(text: str) -> Iterator[tuple[int, dict[str, str], tuple[str, str] | None]]:
    """Rows with the line each begins at; or what is wrong with one, and what would be right."""
    if "\0" in text:
        raise RecordError("the file holds a NUL character; expected CSV text")
    head = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(DELIMITERS, key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    names: list[str] | None = None
    begun = 0
    while True:
        begun = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            if names is None:
                raise RecordError(f"line {begun}: the header cannot be read: {error}") from error
            yield begun, {}, (str(error), "quotes closed, and doubled within a quoted field; what follows is not read")
            return
        if not any(cell.strip() for cell in cells):
            continue
        if names is None:
            names = _header(cells, begun)
            continue
        if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
            right = f"at most {len(names)}, as the header has; quote a field with commas"
            yield begun, {}, (f"{len(cells)} fields", right)
            continue
        row = {name: cell.strip() for name, cell in zip(names, cells, strict=False)}
        yield begun, row, None
    if names is None:
        raise RecordError("the file is empty; expected a header with at least the column piece")


def _header(cells: list[str], line: int) -> list[str]:
    names = [cell.strip().casefold() for cell in cells]
    while names and not names[-1]:
        names.pop()
    for name in names:
        if name not in COLUMNS:
            raise RecordError(f"line {line}: unknown column {name[:60]!r}; expected some of {', '.join(COLUMNS)}")
        if names.count(name) > 1:
            raise RecordError(f"line {line}: column {name} is there twice; expected once")
    if "piece" not in names:
        raise RecordError(f"line {line}: the column piece is missing; expected a header with at least that")
    return names


def _take(state: _Reading, line: int, row: Mapping[str, str]) -> None:
    """Take in one row, or raise; a row is taken whole or not at all."""
    cells = _in_our_units(row)
    piece = _piece(state, cells)
    key = name_key(piece.name)
    held = state.held.get(key)
    assumed: list[str] = []
    coat = _coat(state, cells, assumed)
    if held is None:
        _agrees(state, key, piece, cells)
    if coat is None:
        if held is not None and key not in state.told:
            state.existing.append((line, f"piece {held.name}"))
            state.told.add(key)
    else:
        started = coat.started_at
        if held is not None and (held.id, started) in state.held_coats:
            there = started.astimezone(state.settings.shop.zone)
            state.existing.append((line, f"coat on {held.name}, {there:%Y-%m-%d %H:%M}"))
            return
        earlier = state.coats.get((key, started))
        if earlier is not None:
            raise _Wrong("started_at", cells.get("started_at", ""), f"another start; line {earlier} has a coat then")
        state.coats[key, started] = line
        state.made.append((line, (held or piece).name, coat))
    if held is None:
        known = state.pieces.get(key)
        state.pieces[key] = (line, piece) if known is None else (known[0], _fuller(known[1], piece))
    state.assumed.extend((line, words) for words in assumed)


def _in_our_units(row: Mapping[str, str]) -> dict[str, str]:
    """The row with columns in other units put into ours."""
    cells = {name: value for name, value in row.items() if name not in IN_OTHER_UNITS and value}
    for name, (ours, factor) in IN_OTHER_UNITS.items():
        value = row.get(name, "")
        if not value:
            continue
        if ours in cells:
            raise _Wrong(name, value, f"either this or {ours}, not both")
        if ours == "wet_film_um":
            low, high = _interval(name, value)
            cells[ours] = f"{low * factor!r}-{high * factor!r}"
        else:
            cells[ours] = repr(_number(name, value) * factor)
    return cells


def _piece(state: _Reading, cells: Mapping[str, str]) -> Piece:
    name = cells.get("piece", "")
    if not name:
        raise _Wrong("piece", "", "the name of the piece")
    return Piece(
        name=name,
        substrate=cells.get("substrate", "other").casefold(),
        thickness_mm=_optional(cells, "thickness_mm"),
        owner_reference=cells.get("owner_reference", ""),
        due=_when(state, cells, "due", []),
        note=cells.get("piece_note", ""),
        done_at=_when(state, cells, "done_at", []),
    )


def _coat(state: _Reading, cells: Mapping[str, str], assumed: list[str]) -> Coat | None:
    given = [name for name in COAT_COLUMNS if cells.get(name)]
    if not given:
        return None
    for needed in ("material", "started_at"):
        if needed not in given:
            raise _Wrong(needed, "", f"something, as the line has {given[0]}")
    named = cells["material"]
    material = state.materials.get(name_key(named))
    if material is None:
        raise _Wrong("material", named, _no_material(state, named))
    started = _when(state, cells, "started_at", assumed)
    assert started is not None
    if started > state.now:
        raise _Wrong("started_at", cells["started_at"], "a time that is past")
    ended = _when(state, cells, "ended_at", [])
    if ended is None:
        ended = started
        assumed.append("no end noted: its start is taken for it")
    elif ended > state.now:
        raise _Wrong("ended_at", cells["ended_at"], "a time that is past")
    low, high = _interval("wet_film_um", cells["wet_film_um"]) if "wet_film_um" in cells else (None, None)
    return Coat(
        piece_id=0,
        mix=Mix(
            material=material,
            reducer_fraction=_optional(cells, "reducer_fraction") or 0.0,
            retarder_fraction=_optional(cells, "retarder_fraction") or 0.0,
            catalyst_fraction=_optional(cells, "catalyst_fraction") or 0.0,
        ),
        booth=cells.get("booth", state.settings.shop.booth),
        started_at=started,
        ended_at=ended,
        passes=_whole(cells, "passes"),
        wet_film_low_um=low,
        wet_film_high_um=high,
        sprayed_ml=_optional(cells, "sprayed_ml"),
        gun_note=cells.get("gun_note", ""),
        sprayed_by=cells.get("sprayed_by", ""),
        note=cells.get("coat_note", ""),
    )


def _agrees(state: _Reading, key: str, piece: Piece, cells: Mapping[str, str]) -> None:
    """Refuse a line that tells of a piece otherwise than one above it."""
    known = state.pieces.get(key)
    if known is None:
        return
    line, before = known
    for column, name in _PIECE_FIELDS.items():
        if not cells.get(column):
            continue
        ours, theirs = getattr(piece, name), getattr(before, name)
        if theirs not in (None, "", ours) and not (name == "substrate" and theirs == "other"):
            raise _Wrong(column, cells[column], f"the same as in line {line} ({theirs}), or nothing")


_PIECE_FIELDS: Final = {
    "substrate": "substrate",
    "thickness_mm": "thickness_mm",
    "owner_reference": "owner_reference",
    "due": "due",
    "piece_note": "note",
    "done_at": "done_at",
}


def _fuller(before: Piece, after: Piece) -> Piece:
    """A piece with what either line tells."""
    told = {name: getattr(before, name) or getattr(after, name) for name in _PIECE_FIELDS.values()}
    if before.substrate == "other":
        told["substrate"] = after.substrate
    return Piece(name=before.name, **told)


def _no_material(state: _Reading, named: str) -> str:
    try:
        state.records.material(named)
    except NotFound as error:
        _, _, near = str(error).partition("; ")
        return f"the name of a material the shop has; {near or 'add it first'}"
    return "the name of a material the shop has"


def _when(state: _Reading, cells: Mapping[str, str], name: str, assumed: list[str]) -> datetime | None:
    """A time with its zone, or in the shop's; a day alone is taken as its noon."""
    text = cells.get(name, "")
    if not text:
        return None
    right = "a day or time such as 2025-03-14 or 2025-03-14T14:30, with +01:00 where it is not shop time"
    if re.match(r"\d{4}-\d\d-\d\d", text) is None:
        raise _Wrong(name, text, right)
    try:
        if len(text) == 10:
            moment = datetime.combine(date.fromisoformat(text), NOON)
            assumed.append(f"{name} has no time of day: noon is taken")
        else:
            moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            moment = _in_shop_time(moment, state.settings.shop.zone, name, text)
        utc = moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise _Wrong(name, text, right) from None
    if not 1950 <= utc.year <= 2150:
        raise _Wrong(name, text, "a year from 1950 to 2150")
    return utc


def _in_shop_time(moment: datetime, zone: ZoneInfo, name: str, text: str) -> datetime:
    first, second = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    if back != moment:
        raise _Wrong(name, text, f"a time there was; the clocks of {zone.key} were put forward over it")
    offsets = " or ".join(f"{each:%z}"[:3] + ":" + f"{each:%z}"[3:5] for each in (first, second))
    raise _Wrong(name, text, f"one with {offsets} behind it; the clocks of {zone.key} were put back, and it was twice")


def _optional(cells: Mapping[str, str], name: str) -> float | None:
    return _number(name, cells[name]) if name in cells else None


def _number(name: str, text: str) -> float:
    value = float(text) if re.fullmatch(_NUMBER, text, re.ASCII) else math.nan
    if not math.isfinite(value):
        raise _Wrong(name, text, "a number with a decimal point, such as 0.5")
    return value


def _whole(cells: Mapping[str, str], name: str) -> int | None:
    if name not in cells:
        return None
    if re.fullmatch(r"\d{1,6}", cells[name], re.ASCII) is None:
        raise _Wrong(name, cells[name], "a whole number")
    return int(cells[name])


def _interval(name: str, text: str) -> tuple[float, float]:
    match = re.fullmatch(rf"\s*({_NUMBER})\s*(?:[-–]\s*({_NUMBER})\s*)?", text, re.ASCII)
    if match is None:
        raise _Wrong(name, text, "a film such as 75, or last wetted and first dry tooth such as 75-100")
    low = _number(name, match[1])
    return low, _number(name, match[2]) if match[2] else low


def _parted(message: str) -> dict[str, str]:
    """A record's own refusal as field, value and what would be right."""
    seen, _, right = message.partition("; expected ")
    name, _, value = seen.partition(" ")
    return {"field": name or "line", "value": value, "right": right or message}
