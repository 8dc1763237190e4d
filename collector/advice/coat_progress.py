"""How far a coat has come: the answer's shape. :mod:`collector.advice.progress` fills it.

Every time is a moment, never a length, and comes with the interval it lies in; None where the forecast ends first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from collector.records.model import Coat, Piece

STEPS: Final[Mapping[str, str]] = {
    "dry_to_recoat": "recoat",
    "tape_ready": "tape",
    "sand_ready": "level-sand",
    "buff_ready": "buff",
}
"""Stages that let the finisher do the next thing, and the word for doing it."""

NO_WINDOW: Final = "no window"
NOT_YET: Final = "not yet"
OPEN: Final = "open"
CLOSING: Final = "closing"
CLOSED: Final = "closed"
SCUFF_FIRST: Final = "scuff first"
"""States of a recoat window. Closed: neither recoat nor scuff, the coat would wrinkle or lift; wait for the reopening.
Scuff first: recoat again, after scuffing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When something happens: one time in ten before ``p10``, half before ``p50``, nine in ten before ``p90``.

    None: not within the forecast.
    """

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None

    def to_dict(self) -> dict[str, str | None]:
        """ISO times, UTC."""
        return {
            name: None if value is None else value.isoformat(timespec="minutes")
            for name, value in (("p10", self.p10), ("p50", self.p50), ("p90", self.p90))
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class StageProgress:
    """One stage of one coat.

    Attributes
    ----------
    stage : str
        One of :data:`collector.records.model.STAGES`.
    percent, percent_low, percent_high : float
        Done, of the age it takes; median, and the middle eight in ten.
    ready : Moment
    probability : float
        That it is reached now.
    ready_at : datetime or None
        From when that probability is the shop's choice or more; None: not within the forecast.
    confirmed : bool or None
        What the last check of this coat said of it; None without one.
    limiting : str
        What holds it up now, for a person: "cold: 16 °C doubles the wait"; empty where nothing does.
    checks : int
        Checks of this stage and material that stand behind it.
    """

    stage: str
    percent: float
    percent_low: float
    percent_high: float
    ready: Moment
    probability: float
    ready_at: datetime | None = None
    confirmed: bool | None = None
    limiting: str = ""
    checks: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoatState:
    """Where a coat stands against its recoat window.

    Attributes
    ----------
    state : str
        ``no window``, ``not yet``, ``open``, ``closing``, ``closed`` or ``scuff first``.
    opens, closes, reopens : Moment or None
        None where the material names no such end.
    words : str
        For a person, with what to do.
    """

    state: str
    opens: Moment | None = None
    closes: Moment | None = None
    reopens: Moment | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLife:
    """Pot life of the mix a coat is being sprayed with: share used, and when it ends (sooner in the warmth)."""

    share_used: float
    ends: Moment


@dataclass(frozen=True, slots=True, kw_only=True)
class CoatProgress:
    """One coat.

    Attributes
    ----------
    coat, piece : Coat, Piece
    stages : tuple of StageProgress
        Those the material has times for, in the order they come.
    recoat : RecoatState
    pot_life : PotLife or None
        While the mix can still be sprayed.
    flags : tuple of str
        What stays true of the coat: laid below its minimum film-forming temperature, laid on a coat whose window was
        closed, never ended.
    notes : tuple of str
        What the answer rests on: gaps in the log, conditions taken from elsewhere, a usual film assumed.
    """

    coat: Coat
    piece: Piece
    stages: tuple[StageProgress, ...]
    recoat: RecoatState
    pot_life: PotLife | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def stage(self, name: str) -> StageProgress | None:
        """A stage by its name."""
        return next((stage for stage in self.stages if stage.stage == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What can be done to a piece next.

    Attributes
    ----------
    word : str
        ``recoat``, ``tape``, ``level-sand``, ``buff``; or ``end coat`` while it is being sprayed, ``start`` for a
        piece without a coat, ``check`` where no stage has a time.
    when : str
        ``now``, ``today``, ``tomorrow`` or ``later``.
    ready : Moment or None
    probability : float
        That it can be done now.
    ready_at : datetime or None
        From when that probability is the shop's choice or more; ``when`` goes by it.
    """

    word: str
    when: str
    ready: Moment | None = None
    probability: float = 0.0
    ready_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceProgress:
    """One piece in hand, with its last coat and what can be done next, soonest first."""

    piece: Piece
    last: CoatProgress | None
    steps: tuple[NextStep, ...]
    spraying: bool = False

    @property
    def next(self) -> NextStep:
        """The soonest step."""
        return self.steps[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rack:
    """Every piece in hand, what can be done soonest first.

    Attributes
    ----------
    at : datetime
    pieces : tuple of PieceProgress
    forecast : str
        What the forecast rests on, for a person.
    """

    at: datetime
    pieces: tuple[PieceProgress, ...]
    forecast: str

    def to_dict(self) -> dict[str, Any]:
        """The rack as JSON-ready values."""
        return {
            "at": self.at.isoformat(timespec="seconds"),
            "forecast": self.forecast,
            "pieces": [_piece(each) for each in self.pieces],
        }


def _piece(each: PieceProgress) -> dict[str, Any]:
    last = each.last
    return {
        "piece": each.piece.name,
        "spraying": each.spraying,
        "next": each.next.word,
        "when": each.next.when,
        "steps": [
            {
                "word": step.word,
                "when": step.when,
                "probability": step.probability,
                "ready_at": step.ready_at.isoformat(timespec="minutes") if step.ready_at else None,
                "ready": step.ready.to_dict() if step.ready else None,
            }
            for step in each.steps
        ],
        "coat": None
        if last is None
        else {
            "id": last.coat.id,
            "material": last.coat.mix.material.name,
            "started_at": last.coat.started_at.isoformat(timespec="seconds"),
            "recoat": last.recoat.state,
            "recoat_words": last.recoat.words,
            "recoat_opens": last.recoat.opens.to_dict() if last.recoat.opens else None,
            "recoat_closes": last.recoat.closes.to_dict() if last.recoat.closes else None,
            "recoat_reopens": last.recoat.reopens.to_dict() if last.recoat.reopens else None,
            "pot_life": None
            if last.pot_life is None
            else {"share_used": last.pot_life.share_used, "ends": last.pot_life.ends.to_dict()},
            "flags": list(last.flags),
            "notes": list(last.notes),
            "stages": [
                {
                    "stage": stage.stage,
                    "percent": stage.percent,
                    "percent_low": stage.percent_low,
                    "percent_high": stage.percent_high,
                    "probability": stage.probability,
                    "ready_at": stage.ready_at.isoformat(timespec="minutes") if stage.ready_at else None,
                    "confirmed": stage.confirmed,
                    "limiting": stage.limiting,
                    "checks": stage.checks,
                    "ready": stage.ready.to_dict(),
                }
                for stage in last.stages
            ],
        },
    }
