"""`tackfree sanding`: how likely a sequence of grits is to go through, where to stop; and the log of what happened."""

from __future__ import annotations

from typing import Any

import click

from collector.advice import sanding as room
from collector.advice.display import Units
from collector.advice.film_stack import FilmStack
from collector.advice.sanding import Budget
from collector.commands.shop import moment_of, print_json, records_of, settings_of
from collector.records.model import ISOCYANATE_CAUTION, Sanding


class _Sanding(click.Group):
    """A group whose first word may be a piece: ``tackfree sanding PIECE`` is ``tackfree sanding budget PIECE``."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in self.commands:
            args = ["budget", *args]
        return super().resolve_command(ctx, args)


@click.group(cls=_Sanding)
def sanding() -> None:
    """Before the first stroke: is there enough clear; after the last: did it go through.

    A first word that is no command is taken for the piece: tackfree sanding "Lap steel 3".
    """


GRITS = click.option(
    "--grits",
    default=",".join(room.USUAL_GRITS),
    show_default=True,
    help="FEPA P grades from coarse to fine, and compound where it is.",
)
ZONE = click.option("--zone", default="", help="Part of the piece, in your words; by default all of it.")
TEXTURE_UM = click.option("--texture-um", type=float, help="Height of the texture as measured, peak to valley. [µm]")
TEXTURE_GRADE = click.option(
    "--texture", "texture_grade", type=click.IntRange(1, 5), help="The same by eye: 1 nearly flat to 5 very heavy."
)
AREA = click.option("--area-m2", type=float, help="Coated or sanded area. [m²]")
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@sanding.command()
@click.argument("piece")
@GRITS
@TEXTURE_GRADE
@TEXTURE_UM
@ZONE
@AREA
@AS_JSON
@click.pass_context
def budget(
    ctx: click.Context,
    piece: str,
    grits: str,
    texture_grade: int | None,
    texture_um: float | None,
    zone: str,
    area_m2: float | None,
    as_json: bool,
) -> None:
    """Clear on PIECE, what each grit takes, the chance of going through, and where to stop.

    Example: tackfree sanding "Lap steel 3" --grits P800,P1000,P1500,P2000,compound --texture 3
    """
    settings = settings_of(ctx)
    _one_texture(texture_um, texture_grade)
    with records_of(settings) as records:
        found = room.budget(
            records,
            records.piece(piece),
            grits.split(","),
            settings,
            zone=zone,
            texture_um=texture_um,
            texture_grade=texture_grade,
            area_m2=area_m2,
        )
    if as_json:
        print_json(found.to_dict())
        return
    click.echo("\n".join(in_words(found, Units(settings.shop.units))))


@sanding.command()
@click.argument("piece")
@GRITS
@click.option("--through", "through_at", is_flag=False, flag_value="", help="It went through, at this grit if known.")
@click.option("--sanded-back", is_flag=True, help="All film was taken off: earlier coats no longer count.")
@click.option("--fresh", default="", help="Grits begun with a fresh sheet, as P1000,P1500.")
@TEXTURE_GRADE
@TEXTURE_UM
@ZONE
@click.option("--minutes", type=float, help="How long it took. [min]")
@AREA
@click.option("--at", help="When, in shop time, e.g. 2026-03-05T14:30; by default now.")
@click.option("--note", default="", help="Anything worth remembering.")
@AS_JSON
@click.pass_context
def log(
    ctx: click.Context,
    piece: str,
    grits: str,
    through_at: str | None,
    sanded_back: bool,
    fresh: str,
    texture_grade: int | None,
    texture_um: float | None,
    zone: str,
    minutes: float | None,
    area_m2: float | None,
    at: str | None,
    note: str,
    as_json: bool,
) -> None:
    """Note how PIECE was sanded, and whether it went through.

    Example: tackfree sanding log "Lap steel 3" --grits P800,P1000 --texture 3 --through P1000
    """
    settings = settings_of(ctx)
    _one_texture(texture_um, texture_grade)
    moment = moment_of(at, settings)
    with records_of(settings) as records:
        on = records.piece(piece)
        made = records.add_sanding(
            room.log_of(
                on,
                moment,
                grits.split(","),
                through_at=through_at,
                texture_um=texture_um,
                texture_grade=texture_grade,
                zone=zone,
                fresh=[name for name in fresh.split(",") if name.strip()],
                minutes=minutes,
                area_m2=area_m2,
                sanded_back=sanded_back,
                note=note,
            )
        )
        known = room.learned_of(records, settings)
    if as_json:
        print_json(as_dict(made))
        return
    click.echo(f"Sanding {made.id} on {on.name}: {_happened(made)}")
    click.echo(f"  {room.cut_words(known)}")


@sanding.command()
@click.argument("number", type=int)
@click.pass_context
def withdraw(ctx: click.Context, number: int) -> None:
    """Take back a sanding by its NUMBER: it no longer counts for film, cut or sheets.

    Example: tackfree sanding withdraw 12
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        records.delete("sanding", number)
    click.echo(f"Sanding {number} withdrawn.")


@sanding.command("list")
@click.option("--piece", help="One piece alone, by name.")
@AS_JSON
@click.pass_context
def listed(ctx: click.Context, piece: str | None, as_json: bool) -> None:
    """The sandings logged, the sheets in use, and what was learned.

    Example: tackfree sanding list --json
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        only = records.piece(piece).id if piece else None
        names = {each.id: each.name for each in records.pieces(include_done=True)}
        logged = records.sandings()
        known = room.learned_of(records, settings, logged)
    shown = [each for each in logged if only in (None, each.piece_id)]
    used = room.sheets(logged, settings)
    if as_json:
        print_json(
            {
                "sandings": [{**as_dict(each), "piece": names.get(each.piece_id)} for each in shown],
                "sheets": [
                    {"grit": s.grit, "uses": s.uses, "minutes": s.minutes, "area_m2": s.area_m2, "due": s.due}
                    for s in used
                ],
                "learned": {
                    "sandings": known.trials,
                    "scratch_per_grain": known.cut.scratch_per_grain,
                    "scratch_per_grain_90": list(known.scratch_per_grain_90),
                    "excess": known.cut.excess,
                    "excess_90": list(known.excess_90),
                },
            }
        )
        return
    for each in shown:
        when = each.at.astimezone(settings.shop.zone)
        click.echo(f"{each.id:>4}  {when:%Y-%m-%d %H:%M}  {names.get(each.piece_id, '')}: {_happened(each)}")
    for sheet in used:
        due = ", fresh one due" if sheet.due else ""
        click.echo(f"sheet {sheet.grit}: used {sheet.uses} of {settings.sanding.sheet_uses} times{due}")
    click.echo(f"cut: {room.cut_words(known)}")


def in_words(found: Budget, units: Units) -> list[str]:
    """A budget for a person, rounded to what it is good for."""
    stack = found.stack
    lines = [f"{found.words}", f"clear       {_plus_minus(stack.clear_um, stack.clear_sd_um, units)} {_laid(stack)}"]
    for step in found.steps if found.verdict != "cannot tell" else ():
        mark = "" if step.within else "  over your limit"
        lines.append(
            f"{step.name:<11} {_plus_minus(step.removed_um, step.removed_sd_um, units)} off, "
            f"{_plus_minus(step.left_um, step.left_sd_um, units)} left, "
            f"{room.percent(step.probability_through)} to go through{mark}"
        )
    if found.more is not None:
        more = found.more
        wet = units.film(more.wet_film_um)
        if more.coats is None:
            lines.append(f"more clear  {room.MOST_COATS} more coats of {wet} wet are not enough for these grits")
        else:
            lines.append(f"more clear  {more.coats} more of {wet} wet bring it within your limit ({more.material})")
    lines += [f"fresh       {name}: its sheet has had its uses" for name in found.fresh]
    lines += [f"note        {note}" for note in stack.notes]
    lines += [f"taken       {words}" for words in (found.texture_words, found.edge_words, found.cut_words)]
    if found.isocyanate:
        lines.append(f"caution     {ISOCYANATE_CAUTION}")
    return lines


def as_dict(one: Sanding) -> dict[str, Any]:
    """A sanding as JSON holds it."""
    return {
        "sanding_id": one.id,
        "piece_id": one.piece_id,
        "at": one.at.isoformat(timespec="seconds"),
        "zone": one.zone,
        "grits": list(one.grits),
        "compounded": one.compounded,
        "texture_um": one.texture_um,
        "texture_grade": one.texture_grade,
        "through": one.through,
        "through_at": one.through_at or None,
        "sanded_back": one.sanded_back,
        "fresh": list(one.fresh),
        "minutes": one.minutes,
        "area_m2": one.area_m2,
        "note": one.note,
    }


def _happened(one: Sanding) -> str:
    steps = [*one.grits, *([room.COMPOUND] if one.compounded else [])]
    words = ", ".join(steps) if steps else "sanded back"
    if one.zone:
        words = f"{one.zone}: {words}"
    if one.sanded_back:
        return words if not steps else f"{words}; sanded back"
    if not one.through:
        return f"{words}; not through"
    return f"{words}; through{f' at {one.through_at}' if one.through_at else ''}"


def _laid(stack: FilmStack) -> str:
    count = len(stack.clear)
    off = f", {stack.removed_um:.0f} µm sanded off since" if stack.removed_um > 0.5 else ""
    return f"in {count} coat{'' if count == 1 else 's'}{off}"


def _plus_minus(um: float, sd_um: float, units: Units) -> str:
    digits = 2 if units.us else 0
    shown, spread = units.film_value(um), units.film_value(2.0 * sd_um)
    return f"{shown:.{digits}f} ± {spread:.{digits}f} {units.film_unit}"


def _one_texture(um: float | None, graded: int | None) -> None:
    if um is not None and graded is not None:
        raise click.UsageError("give one of --texture-um and --texture")
