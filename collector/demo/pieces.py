"""The invented shop's pieces: a fortnight of drum shells, lap steels and cigar-box guitars, coat by coat.

Working days count back from the demo's "now"; ``plan`` sets them in time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCheck:
    """A readiness check, so many hours after the end of the coat."""

    after_h: float
    stage: str
    method: str
    passed: bool
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedOutcome:
    """How a coat came out, seen so many hours after its end; without defect: right."""

    after_h: float
    defect: str | None = None
    degree: int | None = None
    zone: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCoat:
    """A coat of a kind of material; ``workday`` counts back from 0, the last that had its morning."""

    workday: int
    hour: float
    chemistry: str
    role: str
    minutes: float = 5.0
    sprayed_ml: float = 90.0
    volume_noted: bool = True
    passes: int = 2
    wet_film_um: tuple[float, float] = (75.0, 100.0)
    reducer_fraction: float = 0.0
    retarder_fraction: float = 0.0
    catalyst_fraction: float = 0.0
    gun_note: str = ""
    fan_late_min: float = 0.0
    note: str = ""
    checks: tuple[PlannedCheck, ...] = ()
    outcomes: tuple[PlannedOutcome, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSanding:
    """A level-sanding on a working day; through at a grit, or not."""

    workday: int
    hour: float
    grits: tuple[str, ...]
    texture_grade: int
    compounded: bool = False
    through_at: str = ""
    zone: str = ""
    fresh: tuple[str, ...] = ()
    minutes: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTick:
    """A step of the piece's schedule, by its place from 1, ticked by hand; ``minutes`` of hands on it."""

    place: int
    workday: int
    hour: float
    minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPiece:
    """A piece and its coats, oldest first; ``done_workday`` says when it left the shop, ``schedule`` which template
    it follows."""

    name: str
    substrate: str
    thickness_mm: float
    note: str = ""
    due_days: int | None = None
    done_workday: int | None = None
    schedule: str = ""
    ticks: tuple[PlannedTick, ...] = ()
    coats: tuple[PlannedCoat, ...] = ()
    sandings: tuple[PlannedSanding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSolvent:
    """Solvent used beside the coats."""

    workday: int
    hour: float
    what: str
    litres: float
    voc_g_l: float | None = None
    note: str = ""


_RIGHT: Final = (PlannedOutcome(after_h=26),)
_LACQUER_CHECKS: Final = (
    PlannedCheck(after_h=0.3, stage="tack_free", method="finger", passed=False),
    PlannedCheck(after_h=0.8, stage="tack_free", method="finger", passed=True),
)


def _lacquer(workday: int, hour: float, role: str, **more: Any) -> PlannedCoat:
    usual: dict[str, Any] = {
        "reducer_fraction": 0.5,
        "checks": _LACQUER_CHECKS,
        "gun_note": "1.3 mm, 1.6 bar at the gun",
    }
    return PlannedCoat(workday=workday, hour=hour, chemistry="solvent_lacquer", role=role, **{**usual, **more})


PIECES: Final[tuple[PlannedPiece, ...]] = (
    PlannedPiece(
        name="Drum shell 14 x 5.5, maple",
        substrate="maple",
        thickness_mm=7.5,
        done_workday=3,
        coats=(
            _lacquer(15, 9.5, "clear", note="First coat, thinned to seal", outcomes=_RIGHT),
            _lacquer(15, 13.0, "clear", passes=3, outcomes=_RIGHT),
            _lacquer(14, 9.2, "clear", passes=3, outcomes=_RIGHT),
            _lacquer(
                13,
                9.2,
                "clear",
                passes=3,
                checks=(
                    *_LACQUER_CHECKS,
                    PlannedCheck(after_h=24, stage="print_free", method="cloth", passed=False),
                    PlannedCheck(after_h=72, stage="print_free", method="cloth", passed=True),
                    PlannedCheck(after_h=170, stage="sand_ready", method="powder", passed=True),
                ),
                outcomes=(PlannedOutcome(after_h=200, note="Buffed, even gloss"),),
            ),
        ),
        sandings=(
            PlannedSanding(
                workday=5,
                hour=10.0,
                grits=("P1000", "P1500", "P2000"),
                texture_grade=2,
                compounded=True,
                fresh=("P1000", "P1500", "P2000"),
                minutes=50,
            ),
        ),
    ),
    PlannedPiece(
        name="Drum shell 13 x 7, crackle",
        substrate="ply",
        thickness_mm=8.0,
        schedule="Crackle over contrasting base",
        ticks=(
            PlannedTick(place=1, workday=12, hour=9.2, minutes=25),
            PlannedTick(place=2, workday=12, hour=9.6, minutes=5),
            PlannedTick(place=4, workday=12, hour=13.2, minutes=35),
            PlannedTick(place=5, workday=12, hour=13.7, minutes=4),
            PlannedTick(place=7, workday=12, hour=16.2, minutes=10),
        ),
        note="Wanted: islands of about 6 mm",
        done_workday=5,
        coats=(
            _lacquer(12, 10.0, "base", note="Base for the crackle", outcomes=_RIGHT),
            PlannedCoat(
                workday=12,
                hour=14.0,
                chemistry="crackle_topcoat",
                role="crackle",
                passes=1,
                sprayed_ml=70,
                minutes=3,
                wet_film_um=(100, 125),
                reducer_fraction=0.2,
                outcomes=(
                    PlannedOutcome(after_h=2, defect="crackle_size", degree=2, zone="lower third", note="About 3 mm"),
                ),
            ),
            _lacquer(10, 9.5, "clear", outcomes=_RIGHT),
        ),
        sandings=(
            PlannedSanding(
                workday=6,
                hour=14.0,
                grits=("P1500", "P2000"),
                texture_grade=2,
                through_at="P1500",
                zone="bearing edge",
                minutes=15,
                note="One coat of clear was not enough",
            ),
        ),
    ),
    PlannedPiece(
        name="Lap steel, six string, mahogany",
        substrate="mahogany",
        thickness_mm=44.0,
        schedule="Solid colour lacquer, high gloss",
        due_days=6,
        coats=(
            PlannedCoat(
                workday=11,
                hour=11.0,
                chemistry="shellac",
                role="sealer",
                sprayed_ml=50,
                minutes=3,
                wet_film_um=(50, 75),
                outcomes=_RIGHT,
            ),
            _lacquer(9, 9.5, "clear", outcomes=_RIGHT),
            _lacquer(
                8,
                15.5,
                "clear",
                passes=3,
                fan_late_min=6,
                note="Sprayed soon after the floor was rinsed, the fan late",
                outcomes=(
                    PlannedOutcome(
                        after_h=0.4,
                        defect="blushing",
                        degree=3,
                        zone="top",
                        note="Milky, mostly gone after a retarder mist",
                    ),
                ),
            ),
            _lacquer(6, 10.0, "clear", retarder_fraction=0.08, outcomes=_RIGHT),
            _lacquer(2, 9.4, "clear", retarder_fraction=0.05),
        ),
    ),
    PlannedPiece(
        name="Lap steel, eight string, alder",
        substrate="alder",
        thickness_mm=42.0,
        schedule="Urethane clear, polished",
        due_days=12,
        coats=(
            PlannedCoat(
                workday=7,
                hour=13.5,
                chemistry="two_component_urethane",
                role="clear",
                sprayed_ml=120,
                catalyst_fraction=0.5,
                reducer_fraction=0.1,
                wet_film_um=(125, 150),
                checks=(
                    PlannedCheck(after_h=4, stage="tack_free", method="finger", passed=False),
                    PlannedCheck(after_h=19, stage="dry_hard", method="thumb", passed=True),
                ),
                outcomes=(PlannedOutcome(after_h=20, defect="inclusions", degree=1, zone="back", note="Wet-sanded"),),
            ),
            PlannedCoat(
                workday=4,
                hour=9.5,
                chemistry="two_component_urethane",
                role="clear",
                sprayed_ml=120,
                catalyst_fraction=0.5,
                reducer_fraction=0.1,
                wet_film_um=(125, 150),
                outcomes=_RIGHT,
            ),
        ),
    ),
    PlannedPiece(
        name="Cigar-box guitar 1",
        substrate="ply",
        thickness_mm=4.0,
        schedule="Waterborne, satin",
        due_days=3,
        coats=(
            PlannedCoat(
                workday=5,
                hour=10.5,
                chemistry="waterborne",
                role="clear",
                sprayed_ml=60,
                wet_film_um=(75, 100),
                checks=(PlannedCheck(after_h=1, stage="tack_free", method="finger", passed=True),),
                outcomes=_RIGHT,
            ),
            PlannedCoat(
                workday=4,
                hour=14.5,
                chemistry="waterborne",
                role="clear",
                sprayed_ml=60,
                passes=3,
                wet_film_um=(125, 150),
                outcomes=(PlannedOutcome(after_h=1, defect="sagging", degree=2, zone="lower edge"),),
            ),
            PlannedCoat(
                workday=1,
                hour=15.0,
                chemistry="waterborne",
                role="clear",
                sprayed_ml=55,
                wet_film_um=(75, 100),
                checks=(PlannedCheck(after_h=1.2, stage="tack_free", method="finger", passed=True),),
            ),
        ),
    ),
    PlannedPiece(
        name="Cigar-box guitar 2",
        substrate="basswood",
        thickness_mm=5.0,
        due_days=9,
        coats=(
            PlannedCoat(
                workday=6,
                hour=15.0,
                chemistry="oxidising_varnish",
                role="clear",
                sprayed_ml=50,
                wet_film_um=(50, 75),
                reducer_fraction=0.1,
                checks=(
                    PlannedCheck(after_h=17, stage="tack_free", method="finger", passed=False),
                    PlannedCheck(after_h=41, stage="tack_free", method="finger", passed=True),
                ),
                outcomes=(PlannedOutcome(after_h=17, defect="slow_drying", degree=2),),
            ),
            PlannedCoat(
                workday=2,
                hour=14.0,
                chemistry="oxidising_varnish",
                role="clear",
                sprayed_ml=50,
                wet_film_um=(50, 75),
                reducer_fraction=0.1,
                checks=(PlannedCheck(after_h=19, stage="tack_free", method="finger", passed=False),),
            ),
        ),
    ),
    PlannedPiece(
        name="Bass drum shell 22, ply",
        substrate="ply",
        thickness_mm=9.0,
        due_days=8,
        coats=(
            PlannedCoat(
                workday=3,
                hour=10.0,
                chemistry="conversion_varnish",
                role="clear",
                sprayed_ml=220,
                minutes=9,
                catalyst_fraction=0.05,
                wet_film_um=(100, 125),
                outcomes=_RIGHT,
            ),
            PlannedCoat(
                workday=1,
                hour=10.0,
                chemistry="conversion_varnish",
                role="clear",
                sprayed_ml=230,
                minutes=9,
                catalyst_fraction=0.05,
                wet_film_um=(100, 125),
                checks=(PlannedCheck(after_h=1, stage="dust_free", method="cotton", passed=True),),
            ),
        ),
    ),
    PlannedPiece(
        name="Lap steel 3, alder, gold",
        substrate="alder",
        thickness_mm=40.0,
        due_days=15,
        coats=(
            _lacquer(1, 13.0, "colour", outcomes=(PlannedOutcome(after_h=3),)),
            _lacquer(0, 9.3, "clear"),
            _lacquer(0, 10.6, "clear", passes=1, sprayed_ml=70, volume_noted=False),
        ),
    ),
    PlannedPiece(
        name="Cigar-box guitar 3",
        schedule="Crackle over contrasting base",
        substrate="basswood",
        thickness_mm=5.0,
        note="Sanded to 320, waits for its sealer",
        due_days=20,
    ),
)

SOLVENTS: Final[tuple[PlannedSolvent, ...]] = (
    PlannedSolvent(workday=14, hour=16.4, what="acetone=0.5, toluene=0.5", litres=0.25, note="Gun and cup"),
    PlannedSolvent(workday=10, hour=16.6, what="acetone", litres=0.3, note="Gun and cup"),
    PlannedSolvent(workday=7, hour=15.2, what="n-butyl acetate", litres=0.2, note="Gun, after the urethane"),
    PlannedSolvent(
        workday=4, hour=16.5, what="Gun cleaner, mixed", litres=0.4, voc_g_l=640, note="From its data sheet"
    ),
    PlannedSolvent(workday=2, hour=11.0, what="Old thinner, unmarked", litres=0.15, note="Wiping down a jig"),
    PlannedSolvent(workday=1, hour=16.4, what="acetone", litres=0.25, note="Gun and cup"),
)
"""Cleaning; what is in the unmarked can nobody knows, so the ledger cannot count it."""
