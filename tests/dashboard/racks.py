"""Racks made by hand, of the real types: what a progress answer can look like, without a forecast behind it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from collector.advice import coat_progress as cp
from collector.advice.coat_progress import (
    CoatProgress,
    Moment,
    NextStep,
    PieceProgress,
    Rack,
    RecoatState,
    StageProgress,
)
from collector.records.model import Coat, Material, Mix, Piece

NOW = datetime(2026, 11, 25, 12, 30, tzinfo=UTC)


def moment(now: datetime, *hours: float | None) -> Moment:
    """P10, P50 and P90, in hours from now."""
    low, half, high = (None if one is None else now + timedelta(hours=one) for one in hours)
    return Moment(p10=low, p50=half, p90=high)


def stage(now: datetime, name: str, hours: tuple[float | None, ...], probability: float, **more: Any) -> StageProgress:
    """A stage by hours from now."""
    return StageProgress(
        stage=name,
        percent=min(100.0, 100 * probability + 20),
        percent_low=max(0.0, 100 * probability - 5),
        percent_high=min(150.0, 100 * probability + 40),
        ready=moment(now, *hours),
        probability=probability,
        **more,
    )


def coat(
    piece: Piece,
    material: Material,
    now: datetime,
    ended_h: float,
    stages: tuple[StageProgress, ...],
    recoat: RecoatState | None = None,
    **more: Any,
) -> CoatProgress:
    """The progress of a coat that ended so many hours ago."""
    ended = now - timedelta(hours=ended_h)
    return CoatProgress(
        coat=Coat(
            id=piece.id * 10,
            piece_id=piece.id,
            mix=Mix(material=material),
            booth="booth-1",
            started_at=ended - timedelta(minutes=6),
            ended_at=ended,
        ),
        piece=piece,
        stages=stages,
        recoat=recoat or RecoatState(state=cp.NO_WINDOW),
        **more,
    )


LACQUER = Material(name="Nitrocellulose lacquer, clear", chemistry="solvent_lacquer", role="clear")
COLOUR = Material(name="Acrylic lacquer, colour", chemistry="solvent_lacquer", role="colour")
URETHANE = Material(
    name="Two-component urethane, clear", chemistry="two_component_urethane", role="clear", isocyanate=True
)
WATERBORNE = Material(name="Waterborne acrylic, clear", chemistry="waterborne", role="clear")


def rack(now: datetime = NOW) -> Rack:
    """One piece of every state."""

    def made(number: int, name: str, step: NextStep, *more_steps: NextStep, due: float | None = None) -> Any:
        piece = Piece(id=number, name=name, due=None if due is None else now + timedelta(days=due))
        return piece, (step, *more_steps)

    pieces = []
    piece, steps = made(1, "Lap steel, eight string, alder", NextStep(word="recoat", when="now", probability=0.97),
                        NextStep(word="tape", when="today", probability=0.22, ready=moment(now, -1, 2.5, 6)),
                        due=3)  # fmt: skip
    pieces.append(
        PieceProgress(
            piece=piece,
            steps=steps,
            last=coat(
                piece, URETHANE, now, 8,
                (
                    stage(now, "set_to_touch", (-7.5, -7, -6.5), 0.995),
                    stage(now, "dry_to_recoat", (-7, -6, -3), 0.97),
                    stage(now, "tape_ready", (-1, 2.5, 6), 0.22, limiting="cold: 16 °C doubles the wait"),
                    stage(now, "sand_ready", (4, 16, 30), 0.02),
                    stage(now, "buff_ready", (30, 80, 140), 0.0),
                ),
                RecoatState(state=cp.CLOSING, opens=moment(now, -7, -6, -3), closes=moment(now, 2, 3, 5),
                            reopens=moment(now, 8, 14, 26), words="Recoat before it closes, or wait and scuff."),
            ),
        )
    )  # fmt: skip
    piece, steps = made(2, "Lap steel 3, alder, gold", NextStep(word="recoat", when="now", probability=0.9))
    pieces.append(
        PieceProgress(
            piece=piece,
            steps=steps,
            last=coat(
                piece, COLOUR, now, 1.6,
                (
                    stage(now, "dry_to_recoat", (-1.1, -0.7, 0.1), 0.9),
                    stage(now, "tape_ready", (14, 26, 50), 0.0),
                    stage(now, "sand_ready", (160, 300, None), 0.0),
                ),
                RecoatState(state=cp.OPEN, opens=moment(now, -1.1, -0.7, 0.1)),
            ),
        )
    )  # fmt: skip
    piece, steps = made(3, "Cigar-box guitar 3", NextStep(word="start", when="now", probability=1.0), due=20)
    pieces.append(PieceProgress(piece=piece, steps=steps, last=None))
    piece, steps = made(4, "Cigar-box guitar 1", NextStep(word="recoat", when="today", probability=0.3,
                                                         ready=moment(now, -0.5, 1.5, 4)), due=-1)  # fmt: skip
    pieces.append(
        PieceProgress(
            piece=piece,
            steps=steps,
            last=coat(
                piece, WATERBORNE, now, 3,
                (
                    stage(now, "dry_to_recoat", (-0.5, 1.5, 4), 0.3, limiting="damp: 68 % RH adds a third"),
                    stage(now, "tape_ready", (20, 30, 44), 0.0),
                    stage(now, "sand_ready", (22, 44, 70), 0.0),
                ),
                RecoatState(state=cp.NOT_YET, opens=moment(now, -0.5, 1.5, 4)),
                flags=("Laid at 8 °C, below the 10 °C it needs to form a film; it stays marked.",),
            ),
        )
    )  # fmt: skip
    piece, steps = made(5, "Bass drum shell 22, ply", NextStep(word="tape", when="tomorrow", probability=0.1,
                                                              ready=moment(now, 14, 20, 30)), due=8)  # fmt: skip
    pieces.append(
        PieceProgress(
            piece=piece,
            steps=steps,
            last=coat(
                piece, LACQUER, now, 24,
                (
                    stage(now, "dry_to_recoat", (-23.5, -23, -22), 0.999, confirmed=True),
                    stage(now, "tape_ready", (14, 20, 30), 0.1),
                    stage(now, "sand_ready", (140, 260, 520), 0.0),
                    stage(now, "buff_ready", (140, 300, None), 0.0),
                ),
                RecoatState(state=cp.CLOSED, opens=moment(now, -23.5, -23, -22), closes=moment(now, -12, -8, -5),
                            reopens=moment(now, 20, 30, 44), words="Neither recoat nor scuff: it would wrinkle."),
            ),
        )
    )  # fmt: skip
    piece, steps = made(6, "Cigar-box guitar 2", NextStep(word="level-sand", when="later", probability=0.0,
                                                         ready=moment(now, 80, 140, 300)))  # fmt: skip
    pieces.append(
        PieceProgress(
            piece=piece, steps=steps,
            last=coat(piece, LACQUER, now, 50, (stage(now, "sand_ready", (80, 140, 300), 0.0),)),
        )
    )  # fmt: skip
    return Rack(at=now, pieces=tuple(pieces), forecast="Made by hand.")
