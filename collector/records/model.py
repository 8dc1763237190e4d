"""The shop's records as plain facts: materials, mixes, pieces, coats, checks, outcomes.

Each is frozen and checked when it is made; all times are aware UTC. ``id`` is 0 until the repository has stored it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Final

from collector.errors import RecordError

CHEMISTRIES: Final[Mapping[str, str]] = {
    "solvent_lacquer": "Solvent lacquer",
    "two_component_urethane": "Two-component urethane",
    "waterborne": "Waterborne",
    "oxidising_varnish": "Oxidising varnish",
    "conversion_varnish": "Conversion varnish",
    "shellac": "Shellac",
    "crackle_topcoat": "Crackle topcoat",
    "other": "Other",
}

ROLES: Final[Mapping[str, str]] = {
    "sealer": "Sealer",
    "base": "Base coat",
    "colour": "Colour coat",
    "crackle": "Crackle topcoat",
    "clear": "Clear coat",
}

STAGES: Final[Mapping[str, str]] = {
    "set_to_touch": "Set to touch",
    "dust_free": "Dust-free",
    "tack_free": "Tack-free",
    "dry_to_recoat": "Dry to recoat",
    "tape_ready": "Ready to tape",
    "print_free": "Print-free",
    "dry_hard": "Dry-hard",
    "dry_through": "Dry-through",
    "sand_ready": "Ready to level-sand",
    "buff_ready": "Ready to buff",
}
"""ASTM D1640 and ISO 9117 stages, and the trade's two that no standard defines (tape, buff)."""

CHECK_METHODS: Final[Mapping[str, str]] = {
    "finger": "Light finger touch",
    "cotton": "Cotton fibre",
    "thumb": "Thumb twist",
    "nail": "Thumbnail",
    "smell": "Smell",
    "powder": "Sands to powder",
    "tape": "Tape patch",
    "cloth": "Cloth print",
    "weight": "Witness weight",
}

DEFECTS: Final[Mapping[str, str]] = {
    "blushing": "Blushing",
    "orange_peel": "Orange peel",
    "sagging": "Sagging or runs",
    "cratering": "Cratering, fish-eyes",
    "pinholing": "Pinholing",
    "solvent_popping": "Solvent popping",
    "dry_spray": "Dry spray",
    "wrinkling": "Wrinkling",
    "lifting": "Lifting",
    "cracking": "Cracking, not wanted",
    "delamination": "Intercoat delamination",
    "bleeding": "Bleeding",
    "slow_drying": "Slow drying, tackiness",
    "loss_of_gloss": "Loss of gloss, dieback",
    "shrink_back": "Shrink-back, grain showing",
    "tape_marks": "Printing, tape marks",
    "sanded_through": "Sanded through",
    "inclusions": "Dust and inclusions",
    "crackle_size": "Crackle of the wrong size",
}

SUBSTRATES: Final = (
    "maple",
    "alder",
    "mahogany",
    "basswood",
    "ply",
    "mdf",
    "steel",
    "acrylic sheet",
    "other",
)

ISOCYANATE_CAUTION: Final = (
    "This mix contains isocyanates. No sensor here can detect them: follow the safety data sheet, with supplied-air "
    "breathing protection, whatever the readings say."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StageTime:
    """A drying time from a data sheet, and the conditions it holds at.

    Attributes
    ----------
    stage : str
        One of :data:`STAGES`.
    low_h, high_h : float
        Range of the time to reach the stage. [h]
    at_c, at_relative_humidity_pct, dry_film_um : float
        Film temperature [°C], relative humidity [%] and dry film thickness [µm] the time holds at.
    source : str
        Where the time comes from, or "typical, edit from your data sheet".
    """

    stage: str
    low_h: float
    high_h: float
    at_c: float
    at_relative_humidity_pct: float
    dry_film_um: float
    source: str

    def __post_init__(self) -> None:
        _one_of("stage", self.stage, STAGES)
        _within("low_h", self.low_h, 0, 10_000)
        _within("high_h", self.high_h, self.low_h, 10_000)
        _within("at_c", self.at_c, -10, 60)
        _within("at_relative_humidity_pct", self.at_relative_humidity_pct, 0, 100)
        _within("dry_film_um", self.dry_film_um, 0, 5_000)
        _text("source", self.source)


@dataclass(frozen=True, slots=True, kw_only=True)
class ApplicationLimits:
    """Conditions a data sheet allows for spraying; None where it sets no limit."""

    air_min_c: float | None = None
    air_max_c: float | None = None
    surface_min_c: float | None = None
    surface_max_c: float | None = None
    relative_humidity_min_pct: float | None = None
    relative_humidity_max_pct: float | None = None
    margin_min_k: float | None = None
    source: str = "typical, edit from your data sheet"

    def __post_init__(self) -> None:
        for name in ("air_min_c", "air_max_c", "surface_min_c", "surface_max_c"):
            _within(name, getattr(self, name), -20, 60)
        for name in ("relative_humidity_min_pct", "relative_humidity_max_pct"):
            _within(name, getattr(self, name), 0, 100)
        _within("margin_min_k", self.margin_min_k, 0, 30)
        _text("source", self.source)
        for low, high in (
            ("air_min_c", "air_max_c"),
            ("surface_min_c", "surface_max_c"),
            ("relative_humidity_min_pct", "relative_humidity_max_pct"),
        ):
            if None not in (getattr(self, low), getattr(self, high)) and getattr(self, low) >= getattr(self, high):
                raise RecordError(f"{low} {getattr(self, low)} must be below {high} {getattr(self, high)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoatWindow:
    """When the next coat may go on: from ``min_h`` to ``soft_end_h``, and again from ``reopen_h``. [h]"""

    min_h: float
    soft_end_h: float | None = None
    reopen_h: float | None = None
    source: str = "typical, edit from your data sheet"

    def __post_init__(self) -> None:
        _within("min_h", self.min_h, 0, 10_000)
        _within("soft_end_h", self.soft_end_h, self.min_h, 10_000)
        _within("reopen_h", self.reopen_h, self.soft_end_h or self.min_h, 10_000)
        _text("source", self.source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A coating material as supplied. An edit makes a new ``version``; a coat keeps the one it was sprayed with.

    ``solvents`` maps a solvent's name to its mass fraction of the volatile part; ``notes`` tells where each value
    comes from.
    """

    name: str
    chemistry: str
    role: str
    limits: ApplicationLimits = field(default_factory=ApplicationLimits)
    stages: tuple[StageTime, ...] = ()
    recoat: RecoatWindow | None = None
    isocyanate: bool = False
    solids_volume_fraction: float | None = None
    density_kg_m3: float | None = None
    voc_g_l: float | None = None
    solvents: Mapping[str, float] = field(default_factory=dict)
    minimum_film_forming_c: float | None = None
    pot_life_h: float | None = None
    notes: str = ""
    id: int = 0
    version: int = 1

    def __post_init__(self) -> None:
        _named("name", self.name)
        _one_of("chemistry", self.chemistry, CHEMISTRIES)
        _one_of("role", self.role, ROLES)
        _within("solids_volume_fraction", self.solids_volume_fraction, 0, 1)
        _within("density_kg_m3", self.density_kg_m3, 500, 3_000)
        _within("voc_g_l", self.voc_g_l, 0, 1_500)
        _within("minimum_film_forming_c", self.minimum_film_forming_c, -20, 60)
        _within("pot_life_h", self.pot_life_h, 0, 1_000)
        _yes_or_no("isocyanate", self.isocyanate)
        _text("notes", self.notes)
        names = [stage.stage for stage in self.stages]
        for name in names:
            if names.count(name) > 1:
                raise RecordError(f"stages: {name} is there twice; expected each stage once")
        if not isinstance(self.solvents, Mapping):
            raise RecordError(f"solvents is {self.solvents!r}; expected names with mass fractions")
        if self.solvents:
            for solvent, fraction in self.solvents.items():
                _within(f"solvents {solvent}", fraction, 0, 1)
            if abs(sum(self.solvents.values()) - 1) > 0.01:
                raise RecordError(f"solvents add up to {sum(self.solvents.values()):.3f}; expected 1 (mass fractions)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """A material as applied: thinned and catalysed. Pot life runs from ``mixed_at``.

    Fractions are volumes per volume of material as supplied.
    """

    material: Material
    reducer_fraction: float = 0.0
    retarder_fraction: float = 0.0
    catalyst_fraction: float = 0.0
    mixed_at: datetime | None = None
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        for name in ("reducer_fraction", "retarder_fraction", "catalyst_fraction"):
            _within(name, getattr(self, name), 0, 5)
        _utc("mixed_at", self.mixed_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A thing being finished."""

    name: str
    substrate: str = "other"
    thickness_mm: float | None = None
    owner_reference: str = ""
    due: datetime | None = None
    note: str = ""
    done_at: datetime | None = None
    id: int = 0

    def __post_init__(self) -> None:
        _named("name", self.name)
        _one_of("substrate", self.substrate, SUBSTRATES)
        _within("thickness_mm", self.thickness_mm, 0.1, 500)
        _utc("due", self.due)
        _utc("done_at", self.done_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coat:
    """One coat on one piece, open until ``ended_at`` is set.

    The wet film is the interval a comb gauge gives: last wetted to first dry tooth. [µm]
    """

    piece_id: int
    mix: Mix
    booth: str
    started_at: datetime
    ended_at: datetime | None = None
    passes: int | None = None
    wet_film_low_um: float | None = None
    wet_film_high_um: float | None = None
    sprayed_ml: float | None = None
    gun_note: str = ""
    sprayed_by: str = ""
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("started_at", self.started_at)
        _utc("ended_at", self.ended_at)
        _named("booth", self.booth)
        if self.ended_at is not None and self.ended_at < self.started_at:
            raise RecordError(
                f"ended_at {self.ended_at:%Y-%m-%d %H:%M} is before started_at {self.started_at:%Y-%m-%d %H:%M}"
            )
        _within("passes", self.passes, 1, 50)
        _within("wet_film_low_um", self.wet_film_low_um, 0, 5_000)
        _within("wet_film_high_um", self.wet_film_high_um, self.wet_film_low_um or 0, 5_000)
        _within("sprayed_ml", self.sprayed_ml, 0, 20_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A readiness observation: at this time the coat had, or had not, reached the stage."""

    coat_id: int
    at: datetime
    stage: str
    method: str
    passed: bool
    value: float | None = None
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("at", self.at)
        _one_of("stage", self.stage, STAGES)
        _one_of("method", self.method, CHECK_METHODS)
        _within("value", self.value, -1e9, 1e9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a coat came out: a defect of a degree from 0 to 5 (ISO 4628-1 scheme), or ``defect=None``: right."""

    coat_id: int
    seen_at: datetime
    defect: str | None = None
    degree: int | None = None
    zone: str = ""
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("seen_at", self.seen_at)
        if self.defect is not None:
            _one_of("defect", self.defect, DEFECTS)
            if self.degree is None:
                raise RecordError("degree is missing; expected 0 (none) to 5 (severe) for a defect")
        _within("degree", self.degree, 0, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sanding:
    """A piece, or a zone of it, level-sanded; or sanded back.

    Attributes
    ----------
    piece_id : int
    at : datetime
    grits : tuple of str
        Grades used, coarse to fine, as ``P800``; empty only where it was sanded back.
    zone : str
        Which part of the piece, in the shop's own words; empty for all of it.
    texture_um : float, optional
        Height of the texture that was levelled, as measured. [µm]
    texture_grade : int, optional
        The same as judged, 1 (nearly flat) to 5 (very heavy).
    compounded : bool
        Whether the scratches of the last grit were compounded out.
    through : bool
        Whether it went through the film anywhere.
    through_at : str
        The grit it went through at, or ``compound``; empty where it did not, or nobody noted it.
    sanded_back : bool
        Whether all the film was taken off: what was laid before no longer counts.
    fresh : tuple of str
        Those of the grits that were begun with a fresh sheet.
    minutes, area_m2 : float, optional
        How long it took with all grits [min], and the area sanded [m²].
    """

    piece_id: int
    at: datetime
    grits: tuple[str, ...] = ()
    zone: str = ""
    texture_um: float | None = None
    texture_grade: int | None = None
    compounded: bool = False
    through: bool = False
    through_at: str = ""
    sanded_back: bool = False
    fresh: tuple[str, ...] = ()
    minutes: float | None = None
    area_m2: float | None = None
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("at", self.at)
        if not self.grits and not self.sanded_back:
            raise RecordError("grits is empty; expected those used, as P800, or that it was sanded back")
        numbers = [_grit("grits", name) for name in self.grits]
        if any(after <= before for before, after in pairwise(numbers)):
            raise RecordError(f"grits {', '.join(self.grits)}; expected each finer than the one before")
        if self.zone != "":
            _named("zone", self.zone)
        _within("texture_um", self.texture_um, 0, 1_000)
        if self.texture_grade is not None:
            _one_of_numbers("texture_grade", self.texture_grade, 1, 5)
        for label in ("compounded", "through", "sanded_back"):
            _yes_or_no(label, getattr(self, label))
        if self.through_at:
            if not self.through:
                raise RecordError(f"through_at {self.through_at!r}, but it did not go through; expected nothing")
            steps = (*self.grits, *(("compound",) if self.compounded else ()))
            _one_of("through_at", self.through_at, steps)
        for name in self.fresh:
            _one_of("fresh", name, self.grits)
        _within("minutes", self.minutes, 0, 1_440)
        _within("area_m2", self.area_m2, 0.0001, 100)
        _text("note", self.note)


@dataclass(frozen=True, slots=True, kw_only=True)
class SolventUse:
    """Solvent gone beside the coats: guns cleaned, parts wiped, thinner spilt.

    Attributes
    ----------
    at : datetime
        When it was used.
    what : str
        A solvent by name, a blend such as "acetone=0.5, toluene=0.5" (mass fractions), or any other name.
    litres : float
        What was used less what was collected. [l]
    voc_g_l : float, optional
        As its data sheet gives it; where None, it follows from what it is made of, as far as that is known.
    """

    at: datetime
    what: str
    litres: float
    voc_g_l: float | None = None
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("at", self.at)
        _named("what", self.what)
        _within("litres", self.litres, 0.001, 1_000)
        _within("voc_g_l", self.voc_g_l, 0, 1_500)
        _text("note", self.note)


@dataclass(frozen=True, slots=True, kw_only=True)
class PiecePlace:
    """A piece moved: from then on it stands in another booth, or where a person says how warm it is.

    Attributes
    ----------
    piece_id : int
    at : datetime
        When it was moved.
    place : str
        Where to, in the shop's own words.
    booth : str
        Booth whose readings count from then; empty where a person says the climate.
    node : str
        The one node of that booth whose readings count; empty for all.
    air_c, relative_humidity_pct : float, optional
        The climate there, as typed; the temperature is needed where no booth is named. [°C], [%]
    """

    piece_id: int
    at: datetime
    place: str
    booth: str = ""
    node: str = ""
    air_c: float | None = None
    relative_humidity_pct: float | None = None
    note: str = ""
    id: int = 0

    def __post_init__(self) -> None:
        _utc("at", self.at)
        _named("place", self.place)
        for label, value in (("booth", self.booth), ("node", self.node)):
            if value != "":
                _named(label, value)
        _within("air_c", self.air_c, -20, 50)
        _within("relative_humidity_pct", self.relative_humidity_pct, 1, 99)
        _text("note", self.note)
        if not self.booth and self.air_c is None:
            raise RecordError("air_c is missing; expected the temperature of the place, or a booth with readings")
        if self.booth and not (self.air_c is None and self.relative_humidity_pct is None):
            raise RecordError(f"booth {self.booth!r} and a typed climate; expected one of them")
        if self.node and not self.booth:
            raise RecordError(f"node {self.node!r} without a booth; expected the booth it stands in")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoothSetup:
    """What stands in a booth: a node's button starts coats on this piece, its lamp answers for this material."""

    booth: str
    piece_id: int | None
    material_id: int | None
    changed_at: datetime

    def __post_init__(self) -> None:
        _named("booth", self.booth)
        _utc("changed_at", self.changed_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """One change to one record: what it was before and after, so that nothing is overwritten for good."""

    id: int
    at: datetime
    record: str
    record_id: int
    action: str
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


def _named(label: str, value: str) -> None:
    if not isinstance(value, str):
        raise RecordError(f"{label} is {value!r}; expected text")
    if not value.strip() or len(value) > 120 or value != value.strip():
        raise RecordError(f"{label} {value[:60]!r}; expected 1 to 120 characters without blanks at the ends")


def _text(label: str, value: str) -> None:
    if not isinstance(value, str):
        raise RecordError(f"{label} is {value!r}; expected text")


def _grit(label: str, name: str) -> int:
    if not isinstance(name, str) or re.fullmatch(r"P[1-9][0-9]{1,3}", name) is None:
        raise RecordError(f"{label} {str(name)[:40]!r}; expected a grade such as P800")
    return int(name[1:])


def _one_of_numbers(label: str, value: int, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise RecordError(f"{label} {value!r}; expected a whole number from {low} to {high}")


def _yes_or_no(label: str, value: bool) -> None:
    if not isinstance(value, bool):
        raise RecordError(f"{label} is {value!r}; expected true or false")


def _one_of(label: str, value: str, allowed: Any) -> None:
    if not isinstance(value, str) or value not in allowed:
        raise RecordError(f"{label} {value!r}; expected one of {', '.join(allowed)}")


def _within(label: str, value: float | None, low: float, high: float) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise RecordError(f"{label} is {value!r}; expected a number from {low:g} to {high:g}")
    if not low <= value <= high:
        raise RecordError(f"{label} {value:g}; expected {low:g} to {high:g}")


def _utc(label: str, value: datetime | None) -> None:
    if value is not None and value.utcoffset() != timedelta(0):
        raise RecordError(f"{label} {value.isoformat()}; expected an aware time in UTC")
