"""The shop's own copy: every coat with its mix, conditions, checks and outcomes, uncertainties and sources."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import Final

from collector.advice.coat_progress import Moment
from collector.advice.conditions import Spread
from collector.advice.display import Units
from collector.physics.humidity import rectangular
from collector.records.model import CHECK_METHODS, CHEMISTRIES, DEFECTS, ISOCYANATE_CAUTION, ROLES, STAGES, StageTime
from collector.report import figures, sections
from collector.report.blocks import COLUMN_MM, Block, Bullets, Caution, Facts, Figure, Heading, Paragraph, Table
from collector.report.drawing import beside
from collector.report.facts import EARLY, LATE, NO_GATE, REOPENED, WITHIN, CoatFact, DefectFact, PieceRecord, Wait
from collector.report.phrases import (
    DEGREES,
    clock,
    coat_name,
    ends,
    film_value,
    hours,
    hours_exact,
    interval,
    length,
    listed,
    mix_words,
    piece_of,
    quantity,
    wet_film,
)

GATE_WORDS: Final[Mapping[str, str]] = {
    NO_GATE: "no window in the material",
    EARLY: "sooner than the window opens",
    WITHIN: "within the window",
    LATE: "window was closed",
    REOPENED: "window had reopened: scuff first",
}

PRECEDENCE: Final = (
    "Estimates and log entries, within the limits you set; your local fire and air rules and the products' safety data "
    "sheets take precedence."
)


def blocks(record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    """The shop's record, top to bottom."""
    found: list[Block] = [_facts(record, units, zone)]
    if record.isocyanate:
        names = {coat_name(each.coat): None for each in record.coats if each.coat.mix.material.isocyanate}
        found.append(Caution(text=f"{', '.join(names)}: {ISOCYANATE_CAUTION}"))
    if not record.coats:
        return [*found, Paragraph(text="No coat has been laid on it yet."), Paragraph(text=PRECEDENCE, small=True)]
    return [
        *found,
        Heading(text="Film build"),
        sections.stack_figure(record, units, zone),
        *_films(record, units),
        *_sandings(record, units, zone),
        *_waits(record, units),
        *_stands(record, zone),
        Heading(text="Coat by coat"),
        *(block for each in record.coats for block in _coat(each, record, units, zone)),
        *sections.crackle(record),
        *sections.pictures(record, zone),
        *_sources(record),
    ]


def _facts(record: PieceRecord, units: Units, zone: tzinfo) -> Block:
    piece = record.piece
    rows = [
        ("Made of", piece_of(piece) if piece.substrate != "other" else "not noted"),
        ("Thickness", "not noted" if piece.thickness_mm is None else length(units, piece.thickness_mm)),
        ("Owner's reference", piece.owner_reference or "–"),
        ("Due", "no date" if piece.due is None else clock(piece.due, zone)),
        ("Finished", "in progress" if piece.done_at is None else clock(piece.done_at, zone)),
        ("Coats", str(len(record.coats))),
    ]
    if record.total is not None:
        rows.append(("Film build, dry, as laid", film_value(units, record.total)))
    if piece.note:
        rows.append(("Note", piece.note))
    for move in record.moves:
        climate = "" if move.air_c is None else f", {units.temperature(move.air_c)}"
        damp = "" if move.relative_humidity_pct is None else f", {move.relative_humidity_pct:.0f} % RH"
        rows.append((f"Moved {clock(move.at, zone)}", f"{move.place}{climate}{damp}"))
    return Facts(rows=rows)


def _films(record: PieceRecord, units: Units) -> list[Block]:
    rows = [
        (
            str(each.number),
            coat_name(each.coat),
            wet_film(each.coat, units),
            _film(each, units),
            ("–" if each.sanded_back else "solids of the material not known") if each.film is None else each.film.how,
        )
        for each in record.coats
    ]
    unit = units.film_unit
    found: list[Block] = [
        Table(
            head=("Coat", "Material", "Wet film", f"Dry film [{unit}], 95 %", "From"),
            rows=rows,
            widths=(8, 26, 16, 20, 30),
        )
    ]
    if record.total is not None:
        left = f", coat {listed([str(n) for n in record.unknown_films])} left out" if record.unknown_films else ""
        found.append(
            Paragraph(
                text=f"Together {film_value(units, record.total)}{left}, as laid; what was sanded off is told below. "
                "The bias of the comb gauge and the data sheet's solids (5 % each, judgement) are shared by all coats; "
                "what is each coat's own adds in squares.",
                small=True,
            )
        )
    return found


def _film(each: CoatFact, units: Units) -> str:
    if each.film is None:
        return "sanded back" if each.sanded_back else "not known"
    return film_value(units, each.film)


def _sandings(record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    if not record.sandings:
        return []
    items = []
    for sanding in record.sandings:
        text = f"{clock(sanding.at, zone)}: {sections.sanding_line(sanding)}"
        text += f" ({', '.join(sanding.grits)})" if len(sanding.grits) > 2 else ""
        if sanding.texture_um is not None:
            text += f"; texture {units.film(sanding.texture_um)}"
        elif sanding.texture_grade is not None:
            text += f"; texture grade {sanding.texture_grade} of 5"
        text += f"; {sanding.minutes:g} min" if sanding.minutes is not None else ""
        if sanding.through:
            text += f"; went through{f' at {sanding.through_at}' if sanding.through_at else ''}"
        items.append(f"{text}. {sanding.note}".strip())
    found: list[Block] = [Heading(text="Sanding"), Bullets(items=items)]
    left = record.left
    if left is not None:
        found.append(
            Paragraph(
                text=f"Taken off where most was: {interval(units, left.removed_um, left.removed_uncertainty_um)}; "
                f"clear left there: {interval(units, left.um, left.standard_uncertainty_um)}. " + " ".join(left.notes)
            )
        )
    return found


def _waits(record: PieceRecord, units: Units) -> list[Block]:
    if not record.waits:
        return []
    rows = [
        (
            f"{wait.lower} to {wait.upper}",
            hours(wait.hours),
            _window(wait),
            GATE_WORDS[wait.verdict],
            _meanwhile(wait, units),
        )
        for wait in record.waits
    ]
    return [
        Heading(text="Times between coats, against their gates"),
        Table(
            head=("Coats", "Waited", "Recoat window, sheet", "Gate", "Air meanwhile, mean"),
            rows=rows,
            widths=(10, 13, 29, 23, 25),
        ),
        Paragraph(
            text="Waits are hours by the clock, windows hours at the sheet's conditions: colder or damper air makes a "
            "coat take longer than its sheet says, warmer air shorter.",
            small=True,
        ),
    ]


def _window(wait: Wait) -> str:
    window = wait.window
    if window is None:
        text = "none"
    else:
        text = f"from {hours_exact(window.min_h)}"
        if window.soft_end_h is not None:
            text += f" to {hours_exact(window.soft_end_h)}"
        if window.reopen_h is not None:
            text += f", again from {hours_exact(window.reopen_h)}"
    sheet = wait.sheet
    if sheet is not None:
        text += f"; dry to recoat {_range_h(sheet)} at {sheet.at_c:g} °C, {sheet.at_relative_humidity_pct:g} % RH"
    return text


def _range_h(stage: StageTime) -> str:
    return hours_exact(stage.low_h) if stage.low_h == stage.high_h else f"{stage.low_h:g} to {stage.high_h:g} h"


def _meanwhile(wait: Wait, units: Units) -> str:
    if wait.air_c.mean is None:
        return "not measured"
    text = units.temperature(wait.air_c.mean)
    if wait.relative_humidity_pct.mean is not None:
        text += f", {wait.relative_humidity_pct.mean:.0f} % RH"
    return f"{text}; the piece stood elsewhere in between" if wait.elsewhere else text


def _stands(record: PieceRecord, zone: tzinfo) -> list[Block]:
    last = None if record.stands is None else record.stands.last
    if last is None or not last.stages:
        return []
    rows = [
        (
            STAGES[stage.stage],
            f"{stage.percent:.0f} % ({stage.percent_low:.0f} to {stage.percent_high:.0f})",
            _ready(stage.ready, zone),
            f"{stage.probability:.0%}",
            {None: "–", True: "yes", False: "not yet"}[stage.confirmed],
        )
        for stage in last.stages
    ]
    found: list[Block] = [
        Heading(text=f"Where coat {len(record.coats)} stands"),
        Table(
            head=("Stage", "Done (middle 8 in 10)", "Reached (1 in 10, half, 9 in 10)", "Chance, now", "Last check"),
            rows=rows,
            widths=(22, 20, 34, 12, 12),
        ),
    ]
    told = [*last.flags, *last.notes, last.recoat.words]
    if any(told):
        found.append(Bullets(items=[text for text in told if text]))
    return found


def _ready(ready: Moment, zone: tzinfo) -> str:
    return ", ".join(
        "beyond the forecast" if at is None else f"{at.astimezone(zone):%d %b %H:%M}"
        for at in (ready.p10, ready.p50, ready.p90)
    )


def _coat(each: CoatFact, record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    coat, material = each.coat, each.coat.mix.material
    found: list[Block] = [
        Heading(text=f"Coat {each.number}: {coat_name(coat)}, {clock(coat.started_at, zone)}", level=3),
        Facts(rows=_coat_facts(each, units, zone)),
    ]
    if material.isocyanate:
        found.append(Caution(text=ISOCYANATE_CAUTION))
    if each.conditions.empty:
        found.append(Paragraph(text=f"No readings of {coat.booth} are kept from this time."))
    else:
        found += _conditions(each, record, units, zone)
    found += _checks(each, zone)
    found += _outcomes(each, zone)
    return found


def _coat_facts(each: CoatFact, units: Units, zone: tzinfo) -> list[tuple[str, str]]:
    coat, mix = each.coat, each.coat.mix
    material = mix.material
    took = "" if coat.ended_at is None else f" to {coat.ended_at.astimezone(zone):%H:%M}"
    solids = "" if each.solids_as_applied is None else f"; {each.solids_as_applied:.0%} solids by volume as applied"
    rows = [
        ("Sprayed", f"{clock(coat.started_at, zone)}{took or ', never ended'}, {coat.booth}"),
        ("Material", f"{material.name}, version {material.version}; {CHEMISTRIES[material.chemistry].lower()}, "
                     f"{ROLES[material.role].lower()}"),
        ("Mix", f"{mix_words(mix)}{solids}{_mixed(each, zone)}"),
        ("Laid", f"passes: {coat.passes or 'not noted'}; wet film: {wet_film(coat, units)}; sprayed: "
                 f"{units.volume(coat.sprayed_ml)}"),
        ("Dry film", _film(each, units)),
    ]  # fmt: skip
    for name, text in (
        ("Gun", coat.gun_note),
        ("By", coat.sprayed_by),
        ("Mix note", mix.note),
        ("Note", coat.note),
    ):
        if text:
            rows.append((name, text))
    return rows


def _mixed(each: CoatFact, zone: tzinfo) -> str:
    if each.mix_age_h is None or each.coat.mix.mixed_at is None:
        return ""
    pot = each.coat.mix.material.pot_life_h
    life = f" of a pot life of {hours_exact(pot)}" if pot is not None else ""
    return f"; mixed {hours(each.mix_age_h)} before{life}"


def _conditions(each: CoatFact, record: PieceRecord, units: Units, zone: tzinfo) -> list[Block]:
    on, found, settings = each.spraying, each.conditions, record.settings.readiness
    air = 2.0 * float(rectangular(settings.air_accuracy_k))
    surface = 2.0 * float(rectangular(settings.surface_accuracy_k))
    damp = 2.0 * float(rectangular(settings.relative_humidity_accuracy_pct))
    limits = each.coat.mix.material.limits
    least = settings.margin_limit_k if limits.margin_min_k is None else limits.margin_min_k
    margin = None if on.margin_uncertainty_k is None else 2.0 * on.margin_uncertainty_k
    above = "Surface above dew point" if found.surface_node else "Air above dew point"
    dew = [u for u in found.dew_point_uncertainty_k if u == u]
    rows = [
        _row(name, spread, unit, plus_minus, units, _limit(units, unit, *limit, spread))
        for name, spread, unit, plus_minus, limit in (
            ("Air", on.air_c, "Cel", air, (limits.air_min_c, limits.air_max_c)),
            ("Surface", on.surface_c, "Cel", surface, (limits.surface_min_c, limits.surface_max_c)),
            ("Relative humidity", on.relative_humidity_pct, "%RH", damp,
             (limits.relative_humidity_min_pct, limits.relative_humidity_max_pct)),
            ("Dew point", on.dew_point_c, "Cel", 2.0 * max(dew) if dew else None, (None, None)),
            (above, on.margin_k, "K", margin, (least, None)),
        )
    ]  # fmt: skip
    half = (COLUMN_MM - 6.0) / 2
    drawing = beside(
        [
            figures.temperatures(found, each, units, zone, half, 42.0),
            figures.dampness(found, each, damp, zone, half, 42.0),
        ],
        COLUMN_MM,
    )
    surface_node = f", surface of node {found.surface_node}" if found.surface_node else ""
    nodes = f"air of node {found.node or 'none'}{surface_node}"
    return [
        Table(head=("While spraying", "Mean, ± 95 %", "Least to most", "Limit"), rows=rows, widths=(30, 24, 22, 24)),
        Figure(
            drawing=drawing,
            caption=f"From 30 min before to 4 h after; the coat is shaded, bands cover 95 %; {nodes}.",
            alt=f"Air, surface, dew point and humidity round coat {each.number}",
        ),
    ]


def _row(
    name: str, spread: Spread, unit: str, plus_minus: float | None, units: Units, limit: str
) -> tuple[str, str, str, str]:
    return name, quantity(units, unit, spread.mean, plus_minus), ends(units, unit, spread), limit


def _against(spread: Spread, low: float | None, high: float | None) -> str:
    """Whether it was ever outside a limit, by the readings as they are."""
    if spread.low is None or spread.high is None:
        return ""
    if low is not None and spread.low < low:
        return "; was below it"
    return "; was above it" if high is not None and spread.high > high else ""


def _limit(units: Units, unit: str, low: float | None, high: float | None, spread: Spread) -> str:
    if low is None and high is None:
        return "none set"
    digits = 1 if unit == "K" else 0
    most, least = units.quantity(unit, high, digits), units.quantity(unit, low, digits)
    if low is None:
        text = f"at most {most}"
    elif high is None:
        text = f"at least {least}"
    else:
        text = f"{least.split()[0]} to {most}"
    return text + _against(spread, low, high)


def _checks(each: CoatFact, zone: tzinfo) -> list[Block]:
    if not each.checks:
        return []
    rows = [
        (
            clock(fact.check.at, zone),
            hours(fact.after_h),
            STAGES[fact.check.stage],
            "yes" if fact.check.passed else "not yet",
            CHECK_METHODS[fact.check.method] + (f": {fact.check.note}" if fact.check.note else ""),
            "–" if fact.sheet is None else f"{_range_h(fact.sheet)} at {fact.sheet.at_c:g} °C",
        )
        for fact in each.checks
    ]
    return [
        Table(
            head=("Check", "After", "Stage", "Reached", "How", "Data sheet"),
            rows=rows,
            widths=(20, 11, 20, 11, 20, 18),
        )
    ]


def _outcomes(each: CoatFact, zone: tzinfo) -> list[Block]:
    items = [_defect(fact, zone) for fact in each.defects]
    items += [
        f"{clock(found.seen_at, zone)}: right. {found.zone} {found.note}".strip()
        for found in each.right
    ]  # fmt: skip
    return [Bullets(items=items)] if items else []


def _defect(fact: DefectFact, zone: tzinfo) -> str:
    outcome = fact.outcome
    assert outcome.defect is not None
    where = f", {outcome.zone}" if outcome.zone else ""
    degree = "" if outcome.degree is None else f", degree {outcome.degree} of 5 ({DEGREES[outcome.degree]})"
    note = f" {outcome.note.rstrip('.')}." if outcome.note else ""
    text = f"{clock(outcome.seen_at, zone)}: {DEFECTS[outcome.defect].lower()}{where}{degree}.{note}"
    if fact.by_itself:
        return f"{text} Seen right later."
    if fact.next_number is None:
        return f"{text} No coat over it yet."
    changed = f", with {listed(list(fact.changes))}" if fact.changes else ", the mix unchanged"
    end = {True: "came out right", False: "did not come out right either", None: "nothing noted of it"}[fact.came_right]
    return f"{text} Coat {fact.next_number} over it{changed}: {end}."


def _sources(record: PieceRecord) -> list[Block]:
    settings = record.settings.readiness
    materials = {each.coat.mix.material.name: each.coat.mix.material for each in record.coats}
    items = [
        f"Sensors, ± limits as set: air {settings.air_accuracy_k:g} K, surface {settings.surface_accuracy_k:g} K, "
        f"relative humidity {settings.relative_humidity_accuracy_pct:g} % RH, taken as rectangular.",
        "Dry film: wet film times solids by volume as applied, volumes additive.",
        *(
            f"{name}: recoat window: {material.recoat.source if material.recoat else 'none'}; limits: "
            f"{material.limits.source}."
            for name, material in materials.items()
        ),
    ]
    return [Heading(text="Sources"), Bullets(items=items), Paragraph(text=PRECEDENCE, small=True)]
