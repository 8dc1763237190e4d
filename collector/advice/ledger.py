"""The VOC ledger: what each coat and each cleaning gave off, added up by day, month and twelve months.

The mass is the actual VOC of the mix as applied times the volume sprayed, all of its solvent taken as evaporated. What
cannot be counted is listed with its reason and never taken as zero. Limits are those the shop sets; rules differ from
place to place, and nothing here says whether one of them is met.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, TextIO
from zoneinfo import ZoneInfo

from collector.advice.voc_content import Content, content_of_mix, content_of_use, parts_used
from collector.physics.humidity import ONE_SIDED_95, rectangular
from collector.physics.voc import Emission, as_applied, emission
from collector.physics.voc import total as added
from collector.records.model import Coat, SolventUse
from collector.records.repository import Records
from collector.settings import Ledger as LedgerSettings

COAT, SOLVENT = "coat", "solvent"

WITHIN: Final = "within"
WITHIN_SO_FAR: Final = "within so far"
"""Of a total that leaves something out, and so can only be higher."""
TOO_CLOSE: Final = "too close to tell"
ABOVE: Final = "above"
CANNOT_TELL: Final = "cannot tell"

COVERAGE: Final = 2.0
"""A ± shown is so many standard uncertainties, about 95 %."""

HOW_COUNTED: Final = (
    "Mass = VOC as applied (per litre of everything) times the volume sprayed; all solvent taken as evaporated. "
    "Exempt solvents do not count here, yet burn and are breathed like others. Limits are those you set: rules differ "
    "by place, your local rules and the product's safety data sheet take precedence."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A number with its standard uncertainty, in the same unit."""

    value: float
    standard_uncertainty: float

    @property
    def plus_minus(self) -> float:
        """Half the width of an interval of about 95 %."""
        return COVERAGE * self.standard_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One coat, or one use of solvent beside the coats.

    Attributes
    ----------
    kind : str
        ``coat`` or ``solvent``.
    record_id : int
        Number of the coat or of the solvent use.
    at, day : datetime, date
        When it was, in UTC, and the day in the shop's time zone.
    piece, what : str
        Piece coated, empty for solvent; material or solvent.
    litres : float, optional
        Volume as applied.
    used_l : mapping of str to float
        Litres of each thing that went into it: the material as supplied, reducer, retarder, catalyst, the solvent.
    actual_g_l, regulatory_g_l : Figure, optional
        VOC as applied, of everything, and less water and less exempt solvent. None where it cannot be told.
    emission : Emission, optional
        VOC given off. None where it cannot be told.
    limit : str
        How the VOC as applied stands to the limit the shop sets for a coating; empty where it sets none.
    left_out : str
        Why it is in no total; empty where it is.
    assumed : tuple of str
        What was taken for granted, and what does not fit together.
    """

    kind: str
    record_id: int
    at: datetime
    day: date
    piece: str
    what: str
    litres: float | None
    used_l: Mapping[str, float]
    actual_g_l: Figure | None
    regulatory_g_l: Figure | None
    emission: Emission | None
    limit: str
    left_out: str
    assumed: tuple[str, ...]

    @property
    def voc_kg(self) -> Figure | None:
        """VOC given off. [kg]"""
        return None if self.emission is None else _figure(self.emission)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pot:
    """What a mixture comes to, worked out once for all that was sprayed of it."""

    content: Content
    actual_g_l: Figure | None = None
    regulatory_g_l: Figure | None = None
    per_litre: Emission | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """Entries added up; what could not be counted is in ``left_out`` and in no number."""

    voc_kg: Figure
    by_what_kg: Mapping[str, float]
    used_l: Mapping[str, float]
    counted: int
    left_out: tuple[Entry, ...]

    def against(self, limit_kg: float) -> str:
        """How it stands to a limit; empty for limit 0, which is none."""
        if limit_kg <= 0:
            return ""
        stands = judged(self.voc_kg, limit_kg)
        return WITHIN_SO_FAR if stands == WITHIN and self.left_out else stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """Everything of twelve months and more, newest first.

    Attributes
    ----------
    until : date
        Last day it holds.
    first_day : date
        First day of the twelve months that end with ``until``.
    """

    until: date
    first_day: date
    entries: tuple[Entry, ...]

    def between(self, first: date, last: date) -> tuple[Entry, ...]:
        """Entries of the days from ``first`` to ``last``, both included."""
        return tuple(entry for entry in self.entries if first <= entry.day <= last)

    @property
    def twelve_months(self) -> Total:
        """The twelve months that end with ``until``."""
        return total(self.between(self.first_day, self.until))

    @property
    def month(self) -> Total:
        """The calendar month of ``until``, up to it."""
        return total(self.between(self.until.replace(day=1), self.until))

    def months(self) -> list[tuple[date, Total]]:
        """The twelve calendar months up to that of ``until``, oldest first, each by its first day."""
        firsts = [_months_before(self.until.replace(day=1), back) for back in range(11, -1, -1)]
        return [(first, total(self.between(first, min(last_of_month(first), self.until)))) for first in firsts]

    def kind(self, kind: str, first: date, last: date) -> Total:
        """Coats alone, or solvent alone, of the days from ``first`` to ``last``."""
        return total(entry for entry in self.between(first, last) if entry.kind == kind)

    def days(self, first: date, last: date) -> list[tuple[date, Total]]:
        """Days of a stretch that have an entry, newest first."""
        days = sorted({entry.day for entry in self.between(first, last)}, reverse=True)
        return [(day, total(self.between(day, day))) for day in days]


def gather(records: Records, until: date, zone: ZoneInfo, settings: LedgerSettings) -> Ledger:
    """The ledger up to the end of a day of the shop's time zone."""
    first_day = _year_before(until) + timedelta(days=1)
    earliest = min(first_day, _months_before(until.replace(day=1), 11))
    since, end = (
        datetime.combine(day, time.min, zone).astimezone(UTC) for day in (earliest, until + timedelta(days=1))
    )
    names = {piece.id: piece.name for piece in records.pieces(include_done=True)}
    pots: dict[tuple[float, ...], _Pot] = {}
    entries: list[Entry] = []
    for coat in records.coats(since=since, until=end):
        mix = coat.mix
        # Every coat may have a mix of its own, yet few of a year's differ in what they hold.
        alike = (
            mix.material.id,
            mix.material.version,
            mix.reducer_fraction,
            mix.retarder_fraction,
            mix.catalyst_fraction,
        )
        if alike not in pots:
            pots[alike] = _pot(content_of_mix(mix, settings), settings)
        entries.append(
            _coat_entry(coat, pots[alike], names.get(coat.piece_id, f"deleted piece {coat.piece_id}"), zone, settings)
        )
    entries += [entry_of_use(use, zone, settings) for use in records.solvent_uses(since=since, until=end)]
    entries.sort(key=lambda entry: (entry.at, entry.kind, entry.record_id), reverse=True)
    return Ledger(until=until, first_day=first_day, entries=tuple(entries))


def entry_of_use(use: SolventUse, zone: ZoneInfo, settings: LedgerSettings) -> Entry:
    """One use of solvent in the ledger. A limit for coatings does not apply to it."""
    pot = _pot(content_of_use(use, settings), settings)
    return _entry(SOLVENT, use.id, use.at, "", use.what, use.litres, pot, pot.content.unknown, zone, "")


def total(entries: Iterable[Entry]) -> Total:
    """Entries added up, with what one source of error does to all of them counted as one."""
    every = tuple(entries)
    counted = [entry for entry in every if entry.emission is not None]
    by_what: dict[str, float] = {}
    used: dict[str, float] = {}
    for entry in counted:
        assert entry.emission is not None
        by_what[entry.what] = by_what.get(entry.what, 0.0) + entry.emission.kg
    for entry in every:
        for thing, litres in entry.used_l.items():
            used[thing] = used.get(thing, 0.0) + litres
    return Total(
        voc_kg=_figure(added(entry.emission for entry in counted if entry.emission is not None)),
        by_what_kg=dict(sorted(by_what.items(), key=lambda item: (-item[1], item[0]))),
        used_l=dict(sorted(used.items(), key=lambda item: (-item[1], item[0]))),
        counted=len(counted),
        left_out=tuple(entry for entry in every if entry.emission is None),
    )


def judged(figure: Figure, limit: float) -> str:
    """Within or above a limit with 95 % confidence on that side, or too close to tell."""
    guard = ONE_SIDED_95 * figure.standard_uncertainty
    if figure.value - guard > limit:
        return ABOVE
    return WITHIN if figure.value + guard <= limit else TOO_CLOSE


def left_out_reasons(entries: Iterable[Entry]) -> dict[str, int]:
    """Reasons why entries are in no total, each with how many it concerns, the commonest first."""
    found: dict[str, int] = {}
    for entry in entries:
        if entry.left_out:
            found[entry.left_out] = found.get(entry.left_out, 0) + 1
    return dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def assumptions(entries: Iterable[Entry]) -> list[str]:
    """What was taken for granted in counting entries, each once."""
    return list(dict.fromkeys(text for entry in entries for text in entry.assumed))


def csv_rows(entries: Sequence[Entry]) -> Iterator[tuple[Any, ...]]:
    """The entries as a table with its heads first; numbers unrounded, ± for about 95 %."""
    yield (
        "day", "time_utc", "kind", "record_id", "piece", "what", "litres",
        "voc_actual_g_l", "voc_actual_plus_minus_g_l", "voc_less_water_and_exempt_g_l",
        "voc_less_water_and_exempt_plus_minus_g_l",
        "voc_kg", "voc_plus_minus_kg", "coating_limit", "left_out", "assumed",
    )  # fmt: skip
    for entry in entries:
        yield (
            entry.day.isoformat(), entry.at.isoformat(timespec="seconds").replace("+00:00", "Z"), entry.kind,
            entry.record_id, entry.piece, entry.what, entry.litres, *_pair(entry.actual_g_l),
            *_pair(entry.regulatory_g_l), *_pair(entry.voc_kg), entry.limit, entry.left_out, " ".join(entry.assumed),
        )  # fmt: skip


def write_csv(entries: Sequence[Entry], out: TextIO) -> int:
    """Write the entries as CSV (RFC 4180); returns how many."""
    csv.writer(out).writerows(csv_rows(entries))
    return len(entries)


def last_of_month(first: date) -> date:
    """Last day of the month of a day."""
    return _months_before(first.replace(day=1), -1) - timedelta(days=1)


def _pot(content: Content, settings: LedgerSettings) -> _Pot:
    if not content.parts:
        return _Pot(content=content)
    mixed = as_applied(content.parts)
    # Of a pot of nothing but water and exempt solvent there is no such figure.
    regulatory = Figure(value=float(mixed.regulatory_g_l), standard_uncertainty=float(mixed.regulatory_uncertainty_g_l))
    u_litre = float(rectangular(settings.volume_accuracy_pct / 100.0))
    return _Pot(
        content=content,
        actual_g_l=Figure(value=float(mixed.actual_g_l), standard_uncertainty=float(mixed.actual_uncertainty_g_l)),
        regulatory_g_l=regulatory if content.regulatory_known and math.isfinite(regulatory.value) else None,
        per_litre=emission(content.parts, 1.0, u_litre, volume_source="volumes"),
    )


def _coat_entry(coat: Coat, pot: _Pot, piece: str, zone: ZoneInfo, settings: LedgerSettings) -> Entry:
    litres = None if coat.sprayed_ml is None else coat.sprayed_ml / 1000.0
    reason = pot.content.unknown
    if litres is None:
        reason = "still being sprayed" if coat.ended_at is None else "no volume: its millilitres were not noted"
    limit = ""
    if settings.coating_limit_g_l > 0:
        of = pot.actual_g_l if settings.coating_limit_basis == "actual" else pot.regulatory_g_l
        limit = CANNOT_TELL if of is None else judged(of, settings.coating_limit_g_l)
    return _entry(COAT, coat.id, coat.started_at, piece, coat.mix.material.name, litres, pot, reason, zone, limit)


def _entry(
    kind: str,
    record_id: int,
    at: datetime,
    piece: str,
    what: str,
    litres: float | None,
    pot: _Pot,
    reason: str,
    zone: ZoneInfo,
    limit: str,
) -> Entry:
    given_off = None
    if pot.per_litre is not None and litres is not None and not reason:
        given_off = pot.per_litre.times(litres)
    return Entry(
        kind=kind,
        record_id=record_id,
        at=at,
        day=at.astimezone(zone).date(),
        piece=piece,
        what=what,
        litres=litres,
        used_l={} if litres is None else parts_used(pot.content, what, litres),
        actual_g_l=pot.actual_g_l,
        regulatory_g_l=pot.regulatory_g_l,
        emission=given_off,
        limit=limit,
        left_out=reason,
        assumed=pot.content.assumed,
    )


def _figure(given_off: Emission) -> Figure:
    return Figure(value=given_off.kg, standard_uncertainty=given_off.uncertainty_kg)


def _pair(figure: Figure | None) -> tuple[float | None, float | None]:
    return (None, None) if figure is None else (figure.value, figure.plus_minus)


def _months_before(first: date, back: int) -> date:
    index = first.year * 12 + first.month - 1 - back
    return date(index // 12, index % 12 + 1, 1)


def _year_before(day: date) -> date:
    # 29 February has no day of its own a year before.
    return day.replace(year=day.year - 1, day=28 if (day.month, day.day) == (2, 29) else day.day)
