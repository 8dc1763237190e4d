"""The record as the customer gets it: plain words, no names of people, no notes, care of the finish in general."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import tzinfo
from typing import Final

from collector.advice.display import Units
from collector.records.model import ISOCYANATE_CAUTION
from collector.report import figures, sections
from collector.report.blocks import COLUMN_MM, Block, Bullets, Caution, Facts, Figure, Heading, Paragraph, Table
from collector.report.drawing import Drawing, Label, beside
from collector.report.facts import (
    EARLY,
    LATE,
    NO_GATE,
    REOPENED,
    WITHIN,
    CheckFact,
    CoatFact,
    DefectFact,
    PieceRecord,
    Wait,
)
from collector.report.phrases import (
    DEGREES,
    INTERVAL,
    PLAIN_DEFECTS,
    PLAIN_STAGES,
    coat_name,
    day,
    degrees_above,
    film_value,
    hours,
    hours_exact,
    interval,
    length,
    piece_of,
    plural,
)

SHEET_UM: Final = 100.0
"""A sheet of office paper of 80 g/m², about. [µm] Common knowledge, no source."""

WAIT_WORDS: Final[Mapping[str, str]] = {
    NO_GATE: "no window given",
    EARLY: "sooner than that",
    WITHIN: "within it",
    LATE: "later than that",
    REOPENED: "after it, when the coat is first rubbed dull to grip the next",
}

CARE_BY_CHEMISTRY: Final[Mapping[str, str]] = {
    "solvent_lacquer": "Lacquer stays soluble: keep alcohol, perfume, sunscreen and thinner off it, and keep it from "
    "lying on soft plastic, vinyl or rubber (some stands, straps and cables), which can soften and mark it. Let a cold "
    "instrument warm up in its closed case, as sudden changes of temperature can craze it.",
    "crackle_topcoat": "The crackle is part of the finish and is meant to be there.",
    "shellac": "Shellac dislikes alcohol, standing water and heat: wipe off drops at once and put nothing hot on it.",
    "oxidising_varnish": "Varnish goes on hardening for weeks; give it air and light before it goes into a case.",
    "waterborne": "A waterborne finish goes on hardening for weeks; wipe off water and sweat rather than let them dry.",
}
"""What suits a kind of finish. Common practice, no source."""

CARE: Final = (
    "A finish feels dry long before it is hard. For its first weeks give it air, and keep it from pressure: no closed "
    "case, straps, clamps or soft stands.",
    "Wipe it with a soft dry cloth, or one barely damp and a dry one after it. No solvents, no alcohol, no abrasives; "
    "polishes with silicone make later repairs harder.",
    "Wood moves with the air. Steady, medium humidity (about 40 to 60 %) suits it; direct sun, heaters and a car in "
    "summer do not.",
    "Bring it back to us before sanding or touching up: what goes on next must suit what is on it.",
)
"""Common practice, no source."""


def blocks(record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    """The customer's record, top to bottom."""
    if not record.coats:
        return [_facts(record, units, zone), Paragraph(text="No coat has been laid on it yet.")]
    return [
        _facts(record, units, zone),
        *_summary(record, units),
        Heading(text="The coats, to scale"),
        sections.stack_figure(record, units, zone),
        *_conditions(record, units, zone),
        *_waits(record),
        *_sandings(record, units, zone),
        *_checks(record),
        *_defects(record, zone),
        *sections.crackle(record),
        *sections.pictures(record, zone),
        *_care(record),
    ]


def _facts(record: PieceRecord, units: Units, zone: tzinfo) -> Block:
    piece = record.piece
    wood = piece_of(piece)
    thick = f", {length(units, piece.thickness_mm)} thick" if piece.thickness_mm is not None else ""
    rows = [("Made of", f"{wood}{thick}" if wood != "the piece" else f"not noted{thick}")]
    if record.coats:
        first, last = (day(each.coat.started_at, zone) for each in (record.coats[0], record.coats[-1]))
        rows.append(("Coats", str(len(record.coats))))
        rows.append(("Sprayed", first if first == last else f"{first} to {last}"))
    rows.append(("Finished", "in progress" if piece.done_at is None else day(piece.done_at, zone)))
    return Facts(rows=rows)


def _summary(record: PieceRecord, units: Units) -> list[Block]:
    total = record.total
    if total is None:
        return []
    about = _beside_paper(total.um / SHEET_UM)
    known = len(record.standing) - len(record.unknown_films)
    which = "All coats together are" if known == len(record.coats) else f"The {plural(known, 'coat')} known are"
    return [
        Paragraph(
            text=f"{which} {film_value(units, total)} thick when dry and before sanding and polishing, which take some "
            f"off: {about}. {INTERVAL}"
        )
    ]


def _beside_paper(sheets: float) -> str:
    if sheets < 0.35:
        return "much thinner than a sheet of office paper"
    if sheets < 0.7:
        return "about half as thick as a sheet of office paper"
    if sheets < 1.4:
        return "about as thick as a sheet of office paper"
    return f"about as thick as {sheets:.0f} sheets of office paper"


def _conditions(record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    rows = []
    for each in record.coats:
        on = each.spraying
        rows.append(
            (
                str(each.number),
                day(each.coat.started_at, zone),
                units.temperature(on.air_c.mean, 0),
                units.quantity("%RH", on.relative_humidity_pct.mean, 0).replace(" RH", ""),
                degrees_above(units, on.margin_k.low),
            )
        )
    found: list[Block] = [
        Heading(text="The air while it was sprayed"),
        Paragraph(
            text="Moisture settles on a surface that is colder than the dew point of the air and can cloud a wet coat. "
            "The last column is how far the surface stayed above it, at the least."
        ),
        Table(
            head=("Coat", "Day", "Air", "Humidity", "Above the dew point, at least"),
            rows=rows,
            widths=(9, 30, 15, 15, 31),
        ),
    ]
    half = (COLUMN_MM - 6.0) / 2
    measured = [each for each in record.coats if not each.conditions.empty]
    for i in range(0, len(measured), 2):
        pair = measured[i : i + 2]
        row = beside([_titled(each, units, zone, half) for each in pair], COLUMN_MM)
        last = i + 2 >= len(measured)
        found.append(
            Figure(
                drawing=row,
                caption="From half an hour before each coat to four hours after it; the coat itself is shaded."
                if last
                else "",
                alt="; ".join(f"air, surface and dew point round coat {each.number}" for each in pair),
            )
        )
    return found


def _titled(each: CoatFact, units: Units, zone: tzinfo, width: float) -> Drawing:
    drawn = figures.temperatures(each.conditions, each, units, zone, width, 36.0)
    title = figures.fitted(f"Coat {each.number}, {day(each.coat.started_at, zone)}", width, 8.0)
    label = Label(x=0.0, y=3.6, text=title, size_pt=8.0, bold=True)
    return replace(drawn, height=drawn.height + 5.0, shapes=[label, *drawn.moved(0.0, 5.0)])


def _waits(record: PieceRecord) -> list[Block]:
    if not record.waits:
        return []
    rows = [(f"{w.lower} to {w.upper}", hours(w.hours), _window(w), WAIT_WORDS[w.verdict]) for w in record.waits]
    return [
        Heading(text="Time between coats"),
        Paragraph(text="A coat must dry before the next goes on; some finishes must not wait too long either."),
        Table(
            head=("Coats", "Waited", "Window of the coat beneath", "The wait was"), rows=rows, widths=(12, 18, 40, 30)
        ),
    ]


def _window(wait: Wait) -> str:
    window = wait.window
    if window is None:
        return "none given"
    text = f"from {hours_exact(window.min_h)}"
    if window.soft_end_h is not None:
        text += f" to {hours_exact(window.soft_end_h)}"
    if window.reopen_h is not None:
        text += f", and again from {hours_exact(window.reopen_h)}"
    return text


def _sandings(record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    if not record.sandings:
        return []
    items = []
    for sanding in record.sandings:
        text = f"{day(sanding.at, zone)}: {sections.sanding_line(sanding)}."
        if sanding.through:
            later = [each.number for each in record.coats if each.coat.started_at > sanding.at]
            text += " It went through in a spot"
            text += f", which {_coats(later)} covered." if later else "."
        items.append(text)
    found: list[Block] = [Heading(text="Sanding and polishing"), Bullets(items=items)]
    if record.left is not None:
        left = interval(units, record.left.um, record.left.standard_uncertainty_um)
        found.append(Paragraph(text=f"Clear coat left where most was taken off: about {left}."))
    return found


def _checks(record: PieceRecord) -> list[Block]:
    """For each coat and stage the check that first found it reached, or else the last that did not."""
    rows = []
    for each in record.coats:
        told: dict[str, CheckFact] = {}
        for fact in each.checks:
            before = told.get(fact.check.stage)
            if before is None or not before.check.passed:
                told[fact.check.stage] = fact
        for fact in told.values():
            found = "yes" if fact.check.passed else "not yet"
            rows.append((str(each.number), PLAIN_STAGES[fact.check.stage], found, f"after {hours(fact.after_h)}"))
    if not rows:
        return []
    return [
        Heading(text="Tests as it dried"),
        Table(head=("Coat", "Looked for", "Found", "When"), rows=rows, widths=(10, 52, 18, 20)),
    ]


def _defects(record: PieceRecord, zone: tzinfo) -> list[Block]:
    items = [_defect(each, fact) for each in record.coats for fact in each.defects]
    right = [each.number for each in record.coats if each.right and not each.defects]
    if not items and not right:
        return []
    found: list[Block] = [Heading(text="What was found, and how it was put right")]
    if items:
        found.append(Bullets(items=items))
    if right:
        found.append(Paragraph(text=f"Found right when inspected: {_coats(right)}."))
    return found


def _coats(numbers: list[int]) -> str:
    words = [str(number) for number in numbers]
    if len(words) == 1:
        return f"coat {words[0]}"
    return f"coats {', '.join(words[:-1])} and {words[-1]}"


def _defect(each: CoatFact, fact: DefectFact) -> str:
    outcome = fact.outcome
    assert outcome.defect is not None
    zone = f", {outcome.zone}" if outcome.zone else ""
    degree = f", {DEGREES[outcome.degree]}" if outcome.degree is not None else ""
    text = f"Coat {each.number}: {PLAIN_DEFECTS[outcome.defect].lower()}{zone}{degree}."
    if fact.by_itself:
        return f"{text} It was looked at again later and found right."
    if fact.next_number is not None:
        text += f" Coat {fact.next_number} was laid over it"
        text += " and came out right." if fact.came_right else "."
    return text


def _care(record: PieceRecord) -> list[Block]:
    chemistries = {each.coat.mix.material.chemistry: None for each in record.coats}
    own = [CARE_BY_CHEMISTRY[chemistry] for chemistry in chemistries if chemistry in CARE_BY_CHEMISTRY]
    found: list[Block] = [Heading(text="Care"), Bullets(items=[*CARE, *own])]
    if record.isocyanate:
        names = {coat_name(each.coat): None for each in record.coats if each.coat.mix.material.isocyanate}
        found.append(Caution(text=f"{', '.join(names)}: {ISOCYANATE_CAUTION}"))
    return found
