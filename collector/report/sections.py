"""Parts that the customer's and the shop's record share: the stack, photos, what was measured of a crackle."""

from __future__ import annotations

from datetime import tzinfo

from collector.advice.display import Units
from collector.records.model import Sanding
from collector.report import figures
from collector.report.blocks import COLUMN_MM, Block, Bullets, Figure, Heading, Photo
from collector.report.facts import ASSUMED, PieceRecord
from collector.report.phrases import coat_name, day, film_value, listed, piece_of


def stack_figure(record: PieceRecord, units: Units, zone: tzinfo) -> Figure:
    """The coats to scale."""
    told = ["Each coat is as high as its dry film as laid, all to one scale; the line at its right end spans 95 %."]
    assumed = [each.number for each in record.standing if each.film is not None and each.film.basis == ASSUMED]
    if assumed:
        told.append(f"Dashed: film not measured, a usual one is assumed (coat {listed([str(n) for n in assumed])}).")
    if record.unknown_films:
        unknown = listed([str(number) for number in record.unknown_films])
        told.append(f"White: film not known, its height means nothing (coat {unknown}).")
    if len(record.standing) < len(record.coats):
        told.append("Coats that were sanded back are not drawn.")
    told.append("Shades tell kinds of coat apart and are not its colour.")
    layers = "; ".join(
        f"{coat_name(each.coat)}, {'film not known' if each.film is None else film_value(units, each.film)}"
        for each in record.standing
    )
    return Figure(
        drawing=figures.stack(record, units, zone, COLUMN_MM),
        caption=" ".join(told),
        alt=f"On {piece_of(record.piece)}, from the bottom up: {layers}.",
    )


def sanding_line(sanding: Sanding) -> str:
    """What was done, without who and why."""
    where = f", {sanding.zone}" if sanding.zone else ""
    if sanding.sanded_back:
        return f"all finish sanded back{where}"
    grits = sanding.grits[0] if len(sanding.grits) == 1 else f"{sanding.grits[0]} to {sanding.grits[-1]}"
    done = f"level-sanded{where}, {grits}"
    return f"{done}, then compounded" if sanding.compounded else done


def pictures(record: PieceRecord, zone: tzinfo) -> list[Block]:
    """Photos, where there are any."""
    if not record.pictures:
        return []
    found: list[Block] = [Heading(text="Photos")]
    for picture in record.pictures:
        taken = "" if picture.taken_at is None else f", {day(picture.taken_at, zone)}"
        found.append(Photo(image=picture.image, caption=f"{picture.caption}{taken}"))
    return found


def crackle(record: PieceRecord) -> list[Block]:
    """What was measured of the crackle, where anything was."""
    if not record.crackle:
        return []
    items = [f"{m.name}: {m.value:.3g} {m.unit} ({m.low:.3g} to {m.high:.3g})" for m in record.crackle]
    return [Heading(text="The crackle, measured"), Bullets(items=items)]
