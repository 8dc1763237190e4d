"""A finishing schedule as plain facts: ordered steps, what each waits for, and the templates a piece copies.

A step of kind coat may stand for several coats; each waits until the one beneath can take it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import Any, Final

from collector.errors import NotFound, RecordError
from collector.records.model import ROLES, STAGES

STEP_KINDS: Final[Mapping[str, str]] = {
    "scuff": "Scuff",
    "wipe": "Blow off and wipe",
    "coat": "Coat",
    "crackle": "Crackle coat",
    "wait": "Wait",
    "tape": "Tape",
    "unmask": "Unmask",
    "level_sand": "Level-sand",
    "compound": "Compound",
    "polish": "Polish",
}

COATS: Final = ("coat", "crackle")
"""Kinds that a logged coat ticks; a wait is ticked by a check, the others by hand."""

MOST_STEPS: Final = 60
NO_SOURCE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a schedule.

    Attributes
    ----------
    kind : str
        One of :data:`STEP_KINDS`.
    role, material : str
        Of a coat: the role of what goes on, one of :data:`collector.records.model.ROLES`, and the material by name
        where it is settled.
    coats : int
        How many coats.
    grits : tuple of str
        Of level-sanding, coarse to fine: ``("P800", "P1000")``.
    after_stage : str
        Stage that the coat beneath must have reached, one of :data:`collector.records.model.STAGES`; or empty.
    wiped_within_min : float or None
        Wipe again if the last wipe, or coat, is older than this. [min]
    booth : bool
        Whether the booth must be within the limits for the material.
    hands_on_min : float or None
        Usual time of hands on it, each coat; None: the usual time of its kind. [min]
    note, source : str
        ``source``: where what it waits for comes from.
    done_at : datetime or None
        When it was ticked by hand.
    done_min : float or None
        How long hands were on it, where somebody said. [min]
    id : int
        Its number within the schedule, kept when it moves.
    """

    kind: str
    role: str = ""
    material: str = ""
    coats: int = 1
    grits: tuple[str, ...] = ()
    after_stage: str = ""
    wiped_within_min: float | None = None
    booth: bool = False
    hands_on_min: float | None = None
    note: str = ""
    source: str = NO_SOURCE
    done_at: datetime | None = None
    done_min: float | None = None
    id: int = 0

    def __post_init__(self) -> None:
        _one_of("kind", self.kind, STEP_KINDS)
        for name, most in (("material", 120), ("note", 500), ("source", 500)):
            value = getattr(self, name)
            if not isinstance(value, str) or len(value) > most:
                raise RecordError(f"{name} is {str(value)[:60]!r}; expected text of up to {most} characters")
        if not self.source.strip():
            raise RecordError(f"source is empty; expected where the gate comes from, or {NO_SOURCE!r}")
        if isinstance(self.coats, bool) or not isinstance(self.coats, int) or not 1 <= self.coats <= 20:
            raise RecordError(f"coats {self.coats!r}; expected 1 to 20")
        for name in ("wiped_within_min", "hands_on_min", "done_min"):
            _minutes(name, getattr(self, name))
        if not isinstance(self.booth, bool):
            raise RecordError(f"booth is {self.booth!r}; expected true or false")
        if self.after_stage:
            _one_of("after_stage", self.after_stage, STAGES)
        if self.done_at is not None and self.done_at.utcoffset() != timedelta(0):
            raise RecordError(f"done_at {self.done_at.isoformat()}; expected an aware time in UTC")
        self._check_kind()

    def _check_kind(self) -> None:
        """What goes with the kind, and what does not."""
        if self.kind in COATS:
            _one_of("role", self.role, ROLES)
            if self.kind == "crackle" and self.role != "crackle":
                raise RecordError(f"role {self.role!r} of a crackle coat; expected 'crackle'")
        elif self.role or self.material or self.coats != 1 or self.booth or self.wiped_within_min is not None:
            raise RecordError(
                f"{self.kind}: role, material, coats, booth and wiped_within_min belong to a coat; expected none"
            )
        if self.kind == "level_sand":
            if not isinstance(self.grits, tuple) or not self.grits:
                raise RecordError("grits is empty; expected grits from coarse to fine, as P800, P1000")
            numbers = [_grit(name) for name in self.grits]
            for before, after in pairwise(numbers):
                if after <= before:
                    raise RecordError(f"grits: P{after} after P{before}; expected each finer than the one before")
        elif self.grits:
            raise RecordError(f"grits of a step of kind {self.kind}; expected them only for level_sand")
        if self.kind == "wait" and not self.after_stage:
            raise RecordError("after_stage is missing; expected the stage to wait for")

    @property
    def words(self) -> str:
        """What is done: "clear coat, 3 coats", "level-sand P800, P1000", "tape"."""
        if self.kind in COATS:
            what = self.material or ROLES[self.role].lower()
            return what if self.coats == 1 else f"{what}, {self.coats} coats"
        if self.kind == "level_sand":
            return f"level-sand {', '.join(self.grits)}"
        if self.kind == "wait":
            return f"wait until {STAGES[self.after_stage].lower()}"
        return STEP_KINDS[self.kind].lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """A schedule to copy."""

    name: str
    about: str
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The schedule of a piece, its own to edit.

    Attributes
    ----------
    piece_id : int
    template : str
        Name of the template it was copied from; empty if none.
    steps : tuple of Step
        In order, each with a number of its own.
    copied_at : datetime
    """

    piece_id: int
    template: str
    steps: tuple[Step, ...]
    copied_at: datetime
    id: int = 0

    def __post_init__(self) -> None:
        check_steps(self.steps)
        if self.copied_at.utcoffset() != timedelta(0):
            raise RecordError(f"copied_at {self.copied_at.isoformat()}; expected an aware time in UTC")

    def step(self, step_id: int) -> Step:
        """A step by its number; NotFound otherwise."""
        found = next((step for step in self.steps if step.id == step_id), None)
        if found is None:
            raise NotFound(f"there is no step {step_id} in this schedule")
        return found

    def at(self, place: int) -> Step:
        """A step by its place in the list, from 1; NotFound otherwise."""
        if not 1 <= place <= len(self.steps):
            raise NotFound(f"there is no step {place}; expected 1 to {len(self.steps)}")
        return self.steps[place - 1]


def check_steps(steps: tuple[Step, ...]) -> None:
    """RecordError unless steps make a schedule: not too many, each number once."""
    if not 1 <= len(steps) <= MOST_STEPS:
        raise RecordError(f"steps: {len(steps)} of them; expected 1 to {MOST_STEPS}")
    numbers = [step.id for step in steps if step.id]
    if len(set(numbers)) < len(numbers):
        raise RecordError("steps: a number is there twice; expected each once")


def numbered(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The steps, those without a number given the next free ones."""
    free, made = max((step.id for step in steps), default=0), []
    for step in steps:
        if not step.id:
            free += 1
            step = replace(step, id=free)
        made.append(step)
    return tuple(made)


def added(steps: tuple[Step, ...], step: Step, place: int | None = None) -> tuple[Step, ...]:
    """The steps with one more, at a place from 1, or at the end."""
    at = len(steps) if place is None else min(max(place - 1, 0), len(steps))
    return numbered((*steps[:at], replace(step, id=0), *steps[at:]))


def moved(steps: tuple[Step, ...], step_id: int, by: int) -> tuple[Step, ...]:
    """The steps with one moved down (or up, if ``by`` is negative) by some places."""
    at = next((i for i, step in enumerate(steps) if step.id == step_id), None)
    if at is None:
        raise NotFound(f"there is no step {step_id} in this schedule")
    rest = [step for step in steps if step.id != step_id]
    rest.insert(min(max(at + by, 0), len(rest)), steps[at])
    return tuple(rest)


def removed(steps: tuple[Step, ...], step_id: int) -> tuple[Step, ...]:
    """The steps without one; the last one of a schedule stays."""
    rest = tuple(step for step in steps if step.id != step_id)
    if len(rest) == len(steps):
        raise NotFound(f"there is no step {step_id} in this schedule")
    if not rest:
        raise RecordError("a schedule needs a step; delete the schedule instead")
    return rest


@cache
def templates() -> tuple[Template, ...]:
    """The templates that come with tackfree (``schedules.toml``)."""
    text = resources.files("collector.reference").joinpath("schedules.toml").read_text(encoding="utf-8")
    return templates_from(text)


def templates_from(text: str) -> tuple[Template, ...]:
    """Templates from TOML; RecordError names the template and the step that is wrong."""
    try:
        tables = tomllib.loads(text).get("schedule", [])
    except tomllib.TOMLDecodeError as error:
        raise RecordError(f"schedules: {error}") from error
    found = []
    for table in tables:
        name, steps = table.get("name", ""), []
        for place, step in enumerate(table.get("step", []), start=1):
            try:
                steps.append(step_from(step))
            except RecordError as error:
                raise RecordError(f"schedule {name!r}, step {place}: {error}") from error
        made = numbered(tuple(steps))
        check_steps(made)
        found.append(Template(name=name, about=table.get("about", ""), steps=made))
    return tuple(found)


def template(name: str) -> Template:
    """A template by name, in any case, or by how it begins; NotFound lists them."""
    wanted = name.strip().casefold()
    same = [each for each in templates() if each.name.casefold() == wanted]
    near = same or [each for each in templates() if wanted and each.name.casefold().startswith(wanted)]
    if len(near) != 1:
        names = "; ".join(each.name for each in templates())
        raise NotFound(f"there is no template {name!r}; expected one of: {names}")
    return near[0]


_DEFAULTS: Final = {item.name: item.default for item in fields(Step) if item.name != "kind"}


def step_to(step: Step) -> dict[str, Any]:
    """A step as JSON can hold it, what is as usual left out."""
    made: dict[str, Any] = {"kind": step.kind}
    for name, usual in _DEFAULTS.items():
        value = getattr(step, name)
        if value != usual:
            made[name] = value.isoformat() if isinstance(value, datetime) else value
    if step.grits:
        made["grits"] = list(step.grits)
    return made


def step_from(table: Mapping[str, Any]) -> Step:
    """A step from what :func:`step_to` made of it, or from TOML."""
    known = {"kind", *_DEFAULTS}
    for name in table:
        if name not in known:
            raise RecordError(f"{name!r} is not known; expected one of {', '.join(sorted(known))}")
    if "kind" not in table:
        raise RecordError(f"kind is missing; expected one of {', '.join(STEP_KINDS)}")
    values = dict(table)
    if isinstance(values.get("grits"), list):
        values["grits"] = tuple(values["grits"])
    if isinstance(values.get("done_at"), str):
        values["done_at"] = datetime.fromisoformat(values["done_at"])
    return Step(**values)


def _grit(name: Any) -> int:
    if not isinstance(name, str) or not name.startswith("P") or not name[1:].isdigit():
        raise RecordError(f"grits: {name!r}; expected a grade as P800")
    return int(name[1:])


def _one_of(label: str, value: Any, allowed: Mapping[str, str]) -> None:
    if not isinstance(value, str) or value not in allowed:
        raise RecordError(f"{label} {value!r}; expected one of {', '.join(allowed)}")


def _minutes(label: str, value: Any) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 10_000:
        raise RecordError(f"{label} {value!r}; expected more than 0 and up to 10000 min")
