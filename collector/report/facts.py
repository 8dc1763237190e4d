"""What the record of a piece holds, before anybody decides how to say it.

Gathered by :mod:`collector.report.gather`; :mod:`collector.report.compose` puts it in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.advice import film_stack
from collector.advice.coat_progress import PieceProgress
from collector.advice.conditions import Conditions, Spread
from collector.records.model import Check, Coat, Outcome, Piece, PiecePlace, RecoatWindow, Sanding, StageTime
from collector.settings import Settings

GAUGED: Final = film_stack.GAUGED
SPRAYED: Final = film_stack.SPRAYED
ASSUMED: Final = film_stack.USUAL
"""Where a wet film comes from: a comb gauge, the millilitres, or the shop's usual film."""

NO_GATE: Final = "no gate"
EARLY: Final = "early"
WITHIN: Final = "within"
LATE: Final = "late"
REOPENED: Final = "reopened"
"""A wait against the recoat window of the coat beneath. Late: the window was closed. Reopened: scuffing was due."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DryFilm:
    """Dry film of a coat, as laid.

    Attributes
    ----------
    um : float
        [µm]
    standard_uncertainty_um : float
        All of it. [µm]
    shared_uncertainty_um : float
        The part that the piece's coats share: bias of the comb gauge, solids of the data sheet. [µm]
    basis : str
        ``gauge``, ``millilitres`` or ``usual``.
    how : str
        For the shop: what it was reckoned from.
    """

    um: float
    standard_uncertainty_um: float
    shared_uncertainty_um: float
    basis: str
    how: str

    @property
    def low_um(self) -> float:
        """Lower end of 95 %. [µm]"""
        return max(0.0, self.um - 2.0 * self.standard_uncertainty_um)

    @property
    def high_um(self) -> float:
        """Upper end of 95 %. [µm]"""
        return self.um + 2.0 * self.standard_uncertainty_um


@dataclass(frozen=True, slots=True, kw_only=True)
class WhileSpraying:
    """Conditions from the first to the last pass; None where nothing was measured."""

    air_c: Spread
    surface_c: Spread
    dew_point_c: Spread
    relative_humidity_pct: Spread
    margin_k: Spread
    margin_uncertainty_k: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFact:
    """A check, how long after the coat it was, and what the data sheet says of its stage. [h]"""

    check: Check
    after_h: float
    sheet: StageTime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectFact:
    """A defect, and what the log shows of its cure.

    Attributes
    ----------
    outcome : Outcome
    changes : tuple of str
        What the next coat's mix had otherwise: "retarder 8 % (none before)".
    next_number : int or None
        Number of the next coat.
    came_right : bool or None
        Whether this coat, looked at again, or else the next one was noted as right; None where nothing was noted.
    by_itself : bool
        Whether it was this coat that was noted as right later.
    """

    outcome: Outcome
    changes: tuple[str, ...] = ()
    next_number: int | None = None
    came_right: bool | None = None
    by_itself: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CoatFact:
    """One coat: what was laid, in what conditions, what was found of it.

    ``number`` counts the piece's coats from the bottom; ``film`` is None where the solids are not known.
    ``mix_age_h`` is how long ago it had been mixed at the start [h]; ``sanded_back`` says that it is gone.
    """

    number: int
    coat: Coat
    film: DryFilm | None
    solids_as_applied: float | None
    mix_age_h: float | None
    conditions: Conditions
    spraying: WhileSpraying
    checks: tuple[CheckFact, ...]
    defects: tuple[DefectFact, ...]
    right: tuple[Outcome, ...]
    sanded_back: bool = False

    @property
    def ended_at(self) -> datetime:
        """When it was laid; its start while it is still open."""
        return self.coat.ended_at or self.coat.started_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """The time from one coat to the next, against the recoat window of the one beneath.

    Attributes
    ----------
    lower, upper : int
        Numbers of the coats.
    length : timedelta
    window : RecoatWindow or None
    verdict : str
        ``no gate``, ``early``, ``within``, ``late`` or ``reopened``.
    sheet : StageTime or None
        The data sheet's time to recoat, with the conditions it holds at.
    air_c, relative_humidity_pct : Spread
        Meanwhile, in the booth of the lower coat.
    elsewhere : bool
        Whether the piece was moved meanwhile, so that the booth's air was not its own all the time.
    """

    lower: int
    upper: int
    length: timedelta
    window: RecoatWindow | None
    verdict: str
    sheet: StageTime | None
    air_c: Spread
    relative_humidity_pct: Spread
    elsewhere: bool

    @property
    def hours(self) -> float:
        """Its length. [h]"""
        return self.length.total_seconds() / 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Clear that is left where most was sanded off, and what was. [µm]"""

    um: float
    standard_uncertainty_um: float
    removed_um: float
    removed_uncertainty_um: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A photo of the piece: JPEG or PNG bytes, and what it shows."""

    image: bytes
    caption: str
    taken_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One measured figure of a crackle finish: "middle island", 6.1, 5.2 to 7.0, "mm"."""

    name: str
    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRecord:
    """All there is to tell of a piece's finish.

    Attributes
    ----------
    piece : Piece
    settings : Settings
    at : datetime
        When it was gathered.
    coats : tuple of CoatFact
        From the bottom up.
    waits : tuple of Wait
        Between each coat and the next.
    stands : PieceProgress or None
        How far the last coat has come; None for a finished piece.
    moves : tuple of PiecePlace
    sandings : tuple of Sanding
    left : Left or None
        None where nothing was sanded off the clear.
    pictures : tuple of Picture
    crackle : tuple of Measured
    """

    piece: Piece
    settings: Settings
    at: datetime
    coats: tuple[CoatFact, ...]
    waits: tuple[Wait, ...]
    stands: PieceProgress | None = None
    moves: tuple[PiecePlace, ...] = ()
    sandings: tuple[Sanding, ...] = ()
    left: Left | None = None
    pictures: tuple[Picture, ...] = ()
    crackle: tuple[Measured, ...] = ()

    @property
    def isocyanate(self) -> bool:
        """Whether any of its mixes holds isocyanates."""
        return any(each.coat.mix.material.isocyanate for each in self.coats)

    @property
    def unknown_films(self) -> tuple[int, ...]:
        """Numbers of the coats on it whose film is not known."""
        return tuple(each.number for each in self.standing if each.film is None)

    @property
    def standing(self) -> tuple[CoatFact, ...]:
        """The coats that are still on it."""
        return tuple(each for each in self.coats if not each.sanded_back)

    @property
    def total(self) -> DryFilm | None:
        """Film build of the coats whose film is known; None where there is none."""
        films = [each.film for each in self.standing if each.film is not None]
        if not films:
            return None
        shared = sum(film.shared_uncertainty_um for film in films)
        own = sum(film.standard_uncertainty_um**2 - film.shared_uncertainty_um**2 for film in films)
        basis = next((b for b in (ASSUMED, SPRAYED) if any(film.basis == b for film in films)), GAUGED)
        return DryFilm(
            um=sum(film.um for film in films),
            standard_uncertainty_um=(max(own, 0.0) + shared**2) ** 0.5,
            shared_uncertainty_um=shared,
            basis=basis,
            how="",
        )

    def by_number(self) -> Mapping[int, CoatFact]:
        """The coats by their number."""
        return {each.number: each for each in self.coats}
