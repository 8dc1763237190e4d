"""The sanding budget: how likely a sequence of grits is to go through the clear, where to stop, what more clear does.

What the shop logged of its own sandings moves how it is taken to cut (:mod:`collector.physics.cut_learning`); the log
itself is all that is kept, so that a withdrawn outcome is one that never was.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from collector.advice.film_stack import FilmStack, film_stack, solids_of, texture_of
from collector.errors import NotFound, RecordError
from collector.physics.cut_learning import Learned, Trial, learned
from collector.physics.sanding import Cut, Sanded, sand
from collector.records.model import ISOCYANATE_CAUTION, Coat, Piece, Sanding
from collector.records.repository import Records
from collector.reference.abrasives import Grade, grade, sequence
from collector.settings import Settings

COMPOUND: Final = "compound"
MOST_COATS: Final = 8
"""More coats than this are no advice."""

USUAL_GRITS: Final = ("P800", "P1000", "P1500", "P2000", COMPOUND)
OFFERED: Final = ("P400", "P600", "P800", "P1000", "P1200", "P1500", "P2000", "P2500", COMPOUND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One grit, or the compound, and what stands after it.

    Attributes
    ----------
    name : str
    removed_um, removed_sd_um, left_um, left_sd_um : float
        Down to the bottom of the scratches that stand then. [µm]
    probability_through : float
        That the clear is gone somewhere by then.
    within : bool
        Whether that is at most the shop's limit.
    """

    name: str
    removed_um: float
    removed_sd_um: float
    left_um: float
    left_sd_um: float
    probability_through: float
    within: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreCoats:
    """What more clear would do.

    Attributes
    ----------
    coats : int or None
        Fewest that bring the chance within the limit; None if a reasonable number is not enough.
    wet_film_um : float
        Of each. [µm]
    dry_um : float
        Each gives. [µm]
    material : str
    probability_through : float or None
        With them.
    """

    coats: int | None
    wet_film_um: float
    dry_um: float
    material: str
    probability_through: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The answer before the first stroke.

    Attributes
    ----------
    stack : FilmStack
    steps : tuple of Step
    stop_at : str
        The last step within the limit; empty if none is.
    limit : float
        Chance the shop accepts.
    more : MoreCoats or None
        Where the last step is over the limit.
    texture_words, edge_words, cut_words : str
        What was reckoned with.
    fresh : tuple of str
        Grits whose sheet is due.
    """

    stack: FilmStack
    steps: tuple[Step, ...]
    stop_at: str
    limit: float
    more: MoreCoats | None
    texture_um: float
    texture_words: str
    edge_words: str
    cut_words: str
    fresh: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """``go`` all the way, ``marginal`` to a grit, ``hold`` before the first; ``cannot tell`` without film."""
        if not self.stack.clear or self.stack.clear_um <= 0:
            return "cannot tell"
        return "go" if self.stop_at == self.steps[-1].name else "marginal" if self.stop_at else "hold"

    @property
    def isocyanate(self) -> bool:
        """Whether a coat of the piece was mixed with isocyanates."""
        return any(each.coat.mix.material.isocyanate for each in self.stack.films)

    @property
    def words(self) -> str:
        """The advice in a few words."""
        if self.verdict == "cannot tell":
            return "No clear to sand." if self.stack.films else "No coat is logged."
        last = self.steps[-1]
        if self.verdict == "go":
            return f"All the way: {percent(last.probability_through)} to go through."
        first = "Do not start" if self.verdict == "hold" else f"Stop after {self.stop_at}"
        over = next(step for step in self.steps if not step.within)
        return f"{first}: {over.name} makes it {percent(over.probability_through)} to go through."

    def to_dict(self) -> dict[str, Any]:
        """The budget as JSON holds it."""
        more = self.more
        return {
            "piece": self.stack.piece.name,
            "zone": self.stack.zone,
            "verdict": self.verdict,
            "words": self.words,
            "stop_at": self.stop_at or None,
            "probability_through": self.steps[-1].probability_through,
            "through_limit": self.limit,
            "steps": [
                {
                    "step": step.name,
                    "removed_um": step.removed_um,
                    "removed_sd_um": step.removed_sd_um,
                    "left_um": step.left_um,
                    "left_sd_um": step.left_sd_um,
                    "probability_through": step.probability_through,
                    "within_limit": step.within,
                }
                for step in self.steps
            ],
            "more_coats": None
            if more is None
            else {
                "coats": more.coats,
                "wet_film_um": more.wet_film_um,
                "dry_um_each": more.dry_um,
                "material": more.material,
                "probability_through": more.probability_through,
            },
            "texture_um": self.texture_um,
            "film": self.stack.to_dict(),
            "assumed": [self.texture_words, self.edge_words, self.cut_words],
            "fresh_sheets": list(self.fresh),
            "cautions": [ISOCYANATE_CAUTION] if self.isocyanate else [],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The sheet of one grit in use.

    Attributes
    ----------
    grit : str
    uses : int
        Sandings since it was fresh.
    minutes, area_m2 : float
        Of those sandings that tell, each minute shared between the grits. [min], [m²]
    due : bool
        Whether a fresh one is due.
    """

    grit: str
    uses: int
    minutes: float
    area_m2: float
    due: bool


def budget(
    records: Records,
    piece: Piece,
    steps: Sequence[str],
    settings: Settings,
    *,
    zone: str = "",
    texture_um: float | None = None,
    texture_grade: int | None = None,
    area_m2: float | None = None,
) -> Budget:
    """The sanding budget of a piece, with what the shop has logged.

    Parameters
    ----------
    steps : sequence of str
        Grades coarse to fine, and at last ``compound`` where it will be compounded.
    texture_um, texture_grade : float or int, optional
        Measured [µm], or judged 1 to 5; by default the shop's usual grade.

    Raises
    ------
    NotFound, RecordError
        Naming a grade, texture or area that will not do.
    """
    grades, compounded = grits_of(steps)
    logged = records.sandings()
    known = learned_of(records, settings, logged)
    own = [each for each in logged if each.piece_id == piece.id]
    stack = film_stack(
        piece, records.coats(piece_id=piece.id), own, settings, zone=zone, area_m2=area_m2, cut=known.cut
    )
    texture, spread, texture_words = texture_of(texture_um, texture_grade, settings)
    cut = replace(known.cut, texture_spread=spread)
    names = [each.name for each in grades] + [COMPOUND] * compounded
    limit = settings.sanding.through_limit_pct / 100.0
    found = _sanded(stack.clear_um, stack.clear_sd_um, grades, texture, cut, settings)
    made = tuple(
        Step(
            name=name,
            removed_um=float(found.removed_um[i]),
            removed_sd_um=float(found.removed_sd_um[i]),
            left_um=float(found.left_um[i]),
            left_sd_um=float(found.left_sd_um[i]),
            probability_through=float(found.probability_through[i]),
            within=bool(found.probability_through[i] <= limit),
        )
        for i, name in enumerate(names)
    )
    stop_at = next((step.name for step in reversed(made) if step.within), "")
    more = None
    if not made[-1].within:
        more = _more_coats(stack, grades, len(names) - 1, texture, cut, limit, settings)
    edges = settings.sanding
    return Budget(
        stack=stack,
        steps=made,
        stop_at=stop_at,
        limit=limit,
        more=more,
        texture_um=texture,
        texture_words=texture_words,
        edge_words=f"{edges.spots} spots such as edges, each {edges.spot_spread_pct:g} % off the mean film",
        cut_words=cut_words(known),
        fresh=tuple(sheet.grit for sheet in sheets(logged, settings) if sheet.due and sheet.grit in names),
    )


def grits_of(steps: Sequence[str]) -> tuple[tuple[Grade, ...], bool]:
    """Grades of a list of steps, and whether it ends with the compound.

    Raises
    ------
    NotFound, RecordError
        If a grade is not in the table, or the order is wrong.
    """
    names = [name.strip() for name in steps if name.strip()]
    compounded = bool(names) and names[-1].casefold() == COMPOUND
    return sequence(names[:-1] if compounded else names), compounded


def in_order(steps: Iterable[str]) -> list[str]:
    """Steps picked in any order, coarse to fine, the compound last."""
    picked = set(steps)
    names = sorted((grade(name).name for name in picked - {COMPOUND}), key=lambda name: -grade(name).grain_um)
    return [*names, *([COMPOUND] if COMPOUND in picked else [])]


def learned_of(records: Records, settings: Settings, logged: Sequence[Sanding] | None = None) -> Learned:
    """How the shop cuts, by the sandings it logged.

    Each is judged on the film as it was then; what earlier sandings had taken off is reckoned with the cut of a shop
    nothing is known of, so that the order of the log does not matter.
    """
    everything = records.sandings() if logged is None else list(logged)
    used = [each for each in everything if not each.sanded_back and each.grits]
    pieces = {each.piece_id for each in used}
    coats = {number: records.coats(piece_id=number) for number in pieces}
    trials = []
    for each in used:
        own = [one for one in everything if one.piece_id == each.piece_id]
        trial = trial_of(records.piece(each.piece_id), each, coats[each.piece_id], own, settings)
        if trial is not None:
            trials.append(trial)
    return learned(trials)


def trial_of(
    piece: Piece, sanding: Sanding, coats: Sequence[Coat], sandings: Sequence[Sanding], settings: Settings
) -> Trial | None:
    """A logged sanding as something to learn from; None where its film was not known."""
    try:
        grades = sequence(sanding.grits)
    except (NotFound, RecordError):
        return None
    before = [coat for coat in coats if coat.started_at < sanding.at]
    earlier = [one for one in sandings if (one.at, one.id) < (sanding.at, sanding.id)]
    stack = film_stack(piece, before, earlier, settings, zone=sanding.zone)
    if stack.clear_um <= 0 or any(each.basis == "unknown" for each in stack.clear):
        return None
    texture, spread, _ = texture_of(sanding.texture_um, sanding.texture_grade, settings)
    steps = [*sanding.grits, *([COMPOUND] if sanding.compounded else [])]
    through = None
    if sanding.through:
        through = steps.index(sanding.through_at) if sanding.through_at else len(steps)
    return Trial(
        dry_um=round(stack.clear_um, 3),
        dry_sd_um=round(stack.clear_sd_um, 3),
        grains_um=tuple(each.grain_um for each in grades),
        texture_um=texture,
        texture_spread=spread,
        compounded=sanding.compounded,
        through=through,
        spots=settings.sanding.spots,
        spot_sd_um=round(_spot_sd(stack.clear_um, settings), 3),
    )


def cut_words(known: Learned) -> str:
    """What the shop's own sandings told, in a sentence."""
    usual = Cut()
    if not known.trials:
        return (
            f"scratches {usual.scratch_per_grain:.2f} of the grain deep and {usual.excess:.0%} more taken than needed; "
            "nothing learned from your own sandings yet"
        )
    cut, (low, high) = known.cut, known.scratch_per_grain_90
    count = f"{known.trials} sanding{'s' if known.trials > 1 else ''} of your own"
    least, most = known.excess_90
    return (
        f"from {count}: scratches {cut.scratch_per_grain:.2f} of the grain deep ({low:.2f} to {high:.2f}; assumed "
        f"before: {usual.scratch_per_grain:.2f}), {cut.excess:.0%} more taken than needed ({least:.0%} to {most:.0%})"
    )


def sheets(logged: Sequence[Sanding], settings: Settings) -> list[Sheet]:
    """The sheet in use of each grit, coarse to fine."""
    held: dict[str, tuple[int, float, float]] = {}
    for each in sorted(logged, key=lambda one: (one.at, one.id)):
        for name in each.grits:
            uses, minutes, area = (0, 0.0, 0.0) if name in each.fresh else held.get(name, (0, 0.0, 0.0))
            share = (each.minutes or 0.0) / len(each.grits)
            held[name] = (uses + 1, minutes + share, area + (each.area_m2 or 0.0))
    most = settings.sanding.sheet_uses
    return [
        Sheet(grit=name, uses=uses, minutes=minutes, area_m2=area, due=uses >= most)
        for name, (uses, minutes, area) in sorted(held.items(), key=lambda item: int(item[0][1:]))
    ]


def log_of(
    piece: Piece,
    at: datetime,
    steps: Sequence[str],
    *,
    through_at: str | None,
    texture_um: float | None = None,
    texture_grade: int | None = None,
    zone: str = "",
    fresh: Sequence[str] = (),
    minutes: float | None = None,
    area_m2: float | None = None,
    sanded_back: bool = False,
    note: str = "",
) -> Sanding:
    """A sanding to be stored.

    Parameters
    ----------
    through_at : str or None
        None: it did not go through; empty: it did, nobody knows at which step.

    Raises
    ------
    NotFound, RecordError
        Naming what will not do.
    """
    nothing = not any(name.strip() for name in steps)
    grades, compounded = ((), False) if sanded_back and nothing else grits_of(steps)
    named = COMPOUND if through_at and through_at.casefold() == COMPOUND else through_at
    if named and named != COMPOUND:
        named = grade(named).name
    return Sanding(
        piece_id=piece.id,
        at=at,
        grits=tuple(each.name for each in grades),
        zone=zone.strip(),
        texture_um=texture_um,
        texture_grade=texture_grade,
        compounded=compounded,
        through=through_at is not None,
        through_at=named or "",
        sanded_back=sanded_back,
        fresh=tuple(grade(name).name for name in fresh),
        minutes=minutes,
        area_m2=area_m2,
        note=note,
    )


def percent(chance: float) -> str:
    """A chance as people say it: it is never told finer than it can be known."""
    if chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{100 * chance:.0f} %"


def _spot_sd(film_um: float, settings: Settings) -> float:
    return film_um * settings.sanding.spot_spread_pct / 100.0


def _sanded(
    film_um: float, sd_um: float, grades: Sequence[Grade], texture_um: float, cut: Cut, settings: Settings
) -> Sanded:
    try:
        return sand(
            film_um,
            sd_um,
            [each.grain_um for each in grades],
            texture_um,
            spots=settings.sanding.spots,
            spot_sd_um=_spot_sd(film_um, settings),
            cut=cut,
        )
    except ValueError as error:
        raise RecordError(str(error)) from error


def _more_coats(
    stack: FilmStack,
    grades: Sequence[Grade],
    last: int,
    texture_um: float,
    cut: Cut,
    limit: float,
    settings: Settings,
) -> MoreCoats | None:
    """The fewest coats, as the last clear coat was mixed, that bring the last step within the limit."""
    if not stack.clear:
        return None
    mix = stack.clear[-1].coat.mix
    solids, spread = solids_of(mix)
    if solids is None:
        return None
    wet = settings.readiness.wet_film_um
    each = wet * solids
    for count in range(1, MOST_COATS + 1):
        shared = stack.shared_um + count * each * spread
        # A coat to come is laid to a gauge: its own spread is that of one tooth.
        own = math.hypot(stack.own_um, math.sqrt(count) * each * 0.1)
        film = stack.clear_um + count * each
        chance = float(
            _sanded(film, math.hypot(shared, own), grades, texture_um, cut, settings).probability_through[last]
        )
        if chance <= limit:
            return MoreCoats(
                coats=count, wet_film_um=wet, dry_um=each, material=mix.material.name, probability_through=chance
            )
    return MoreCoats(coats=None, wet_film_um=wet, dry_um=each, material=mix.material.name, probability_through=None)
