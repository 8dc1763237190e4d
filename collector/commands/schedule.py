"""`tackfree schedule`: templates, a piece's schedule with its next step and finish, ticking and editing steps."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import click

from collector.advice.finish import PieceSchedule, shop_schedules
from collector.advice.progress import rack as rack_of
from collector.advice.schedule import DONE, NEXT, PASSED
from collector.advice.shop_learning import shop_learning
from collector.commands.shop import clock, readings_of, records_of, settings_of, span
from collector.errors import StoreError
from collector.records import schedule as sc
from collector.records.model import Piece
from collector.records.repository import Records
from collector.reference import abrasives
from collector.settings import Settings

MARKS = {DONE: "x", PASSED: "-", NEXT: ">"}


@click.group()
def schedule() -> None:
    """Finishing schedules: the steps of a piece, what the next one waits for, and when the piece is finished."""


@schedule.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def templates(as_json: bool) -> None:
    """List the templates with their steps.

    Example: tackfree schedule templates
    """
    if as_json:
        listed = [
            {"name": each.name, "about": each.about, "steps": [sc.step_to(step) for step in each.steps]}
            for each in sc.templates()
        ]
        click.echo(json.dumps(listed, indent=2, ensure_ascii=False))
        return
    for each in sc.templates():
        click.secho(each.name, bold=True)
        click.echo(f"  {each.about}")
        for place, step in enumerate(each.steps, start=1):
            click.echo(f"  {place:>2} {step.words}{_gate_of(step)}")


@schedule.command()
@click.argument("piece")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def show(ctx: click.Context, piece: str, as_json: bool) -> None:
    """Show the schedule of PIECE: what is done, what is next and what it waits for, when it is finished.

    Example: tackfree schedule show "Lap steel 3" --json
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        one = records.piece(piece)
        records.schedules.required(one.id, one.name)
        found = _look(settings, records, one)
        now = datetime.now(UTC)
    if as_json:
        told = {"piece": one.name, **found.standing.to_dict(), "finish": found.finish.to_dict()}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False))
        return
    _print(one, found, settings, now)


@schedule.command()
@click.argument("template")
@click.argument("piece")
@click.pass_context
def copy(ctx: click.Context, template: str, piece: str) -> None:
    """Copy TEMPLATE (its name, or how it begins) to PIECE; a schedule it has already is replaced.

    Example: tackfree schedule copy "Waterborne, satin" "Lap steel 3"
    """
    settings = settings_of(ctx)
    chosen = sc.template(template)
    with records_of(settings) as records:
        one = records.piece(piece)
        made = sc.Schedule(
            piece_id=one.id,
            template=chosen.name,
            steps=chosen.steps,
            copied_at=datetime.now(UTC).replace(microsecond=0),
        )
        records.schedules.copy(made)
    click.echo(f"{one.name} follows {chosen.name}: {len(chosen.steps)} steps")


@schedule.command()
@click.argument("piece")
@click.argument("step", type=int)
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True, max=10_000), help="Time of hands on it. [min]")
@click.option("--not", "undone", is_flag=True, help="Take the tick away.")
@click.pass_context
def done(ctx: click.Context, piece: str, step: int, minutes: float | None, undone: bool) -> None:
    """Tick STEP, by its number in the list, of PIECE.

    Coats tick theirs by themselves when they end, checks when they say yes.

    Example: tackfree schedule done "Lap steel 3" 2 --minutes 15
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        one = records.piece(piece)
        held = records.schedules.required(one.id, one.name)
        ticked = held.at(step)
        at = None if undone else datetime.now(UTC).replace(microsecond=0)
        records.schedules.tick(held.id, ticked.id, at, minutes)
    click.echo(f"{one.name}: step {step}, {ticked.words}: {'not done' if undone else 'done'}")


@schedule.command()
@click.argument("piece")
@click.argument("kind", type=click.Choice(list(sc.STEP_KINDS)))
@click.option("--at", "place", type=int, help="Place in the list, from 1; by default at the end.")
@click.option("--role", default="", help="Of a coat: sealer, base, colour, crackle or clear.")
@click.option("--material", default="", help="Of a coat: the material, by name, where it is settled.")
@click.option("--coats", default=1, show_default=True, help="Of a coat: how many.")
@click.option("--grits", default="", help="Of level_sand: coarse to fine, as P800,P1000,P1500.")
@click.option("--after-stage", default="", help="Stage that the coat beneath must have reached, as tape_ready.")
@click.option("--wiped-within-min", type=float, help="Of a coat: wipe again if the last wipe is older. [min]")
@click.option("--note", default="", help="Anything worth remembering.")
@click.pass_context
def add(
    ctx: click.Context,
    piece: str,
    kind: str,
    place: int | None,
    role: str,
    material: str,
    coats: int,
    grits: str,
    after_stage: str,
    wiped_within_min: float | None,
    note: str,
) -> None:
    """Add a step of KIND to the schedule of PIECE.

    Example: tackfree schedule add "Lap steel 3" level_sand --grits P1000,P1500 --after-stage sand_ready
    """
    settings = settings_of(ctx)
    graded = abrasives.sequence(grits.split(",")) if grits else ()
    with records_of(settings) as records:
        one = records.piece(piece)
        held = records.schedules.required(one.id, one.name)
        step = sc.Step(
            kind=kind, role=role, material=records.material(material).name if material else "", coats=coats,
            grits=tuple(each.name for each in graded), after_stage=after_stage, wiped_within_min=wiped_within_min,
            booth=kind in sc.COATS, note=note,
        )  # fmt: skip
        records.schedules.edit(held.id, sc.added(held.steps, step, place))
    click.echo(f"{one.name}: {step.words} added")


@schedule.command()
@click.argument("piece")
@click.argument("step", type=int)
@click.option("--by", default=1, show_default=True, help="Places down; a negative number is up.")
@click.pass_context
def move(ctx: click.Context, piece: str, step: int, by: int) -> None:
    """Move STEP of PIECE down or up the list.

    Example: tackfree schedule move "Lap steel 3" 4 --by -1
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        one = records.piece(piece)
        held = records.schedules.required(one.id, one.name)
        chosen = held.at(step)
        edited = records.schedules.edit(held.id, sc.moved(held.steps, chosen.id, by))
    click.echo(f"{one.name}: {chosen.words} is step {edited.steps.index(chosen) + 1} now")


@schedule.command()
@click.argument("piece")
@click.argument("step", type=int)
@click.pass_context
def remove(ctx: click.Context, piece: str, step: int) -> None:
    """Take STEP of PIECE out.

    Example: tackfree schedule remove "Lap steel 3" 4
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        one = records.piece(piece)
        held = records.schedules.required(one.id, one.name)
        chosen = held.at(step)
        records.schedules.edit(held.id, sc.removed(held.steps, chosen.id))
    click.echo(f"{one.name}: {chosen.words} taken out")


def _look(settings: Settings, records: Records, piece: Piece) -> PieceSchedule:
    with readings_of(settings) as readings:
        now_ms = round(datetime.now(UTC).timestamp() * 1000)
        rack = rack_of(readings, records, settings, now_ms)
        learning = shop_learning(readings, records, settings, now_ms)
    found = shop_schedules(records, rack, learning, settings)
    if piece.id not in found:
        raise StoreError(f"{piece.name!r} is done: its schedule is over")
    return found[piece.id]


def _print(piece: Piece, found: PieceSchedule, settings: Settings, now: datetime) -> None:
    where, finish = found.standing, found.finish
    click.secho(f"{piece.name}: {where.schedule.template or 'its own schedule'}", bold=True)
    for each in where.steps:
        at = f", {clock(each.done_at, settings, now)}" if each.done_at else ""
        said = f" ({each.state}{at})" if each.state in (DONE, PASSED) else _gate_of(each.step)
        click.echo(f"  {MARKS.get(each.state, ' ')} {each.place:>2} {each.step.words}{said}")
    if where.next is None:
        click.echo("all steps done")
        return
    gate = where.gate
    when = f", {span(gate.ready, settings, now)}" if gate.ready and gate.state != "now" else ""
    what = "" if where.next.step.kind == "wait" else f"{where.doing}: "
    click.echo(f"next: {what}{gate.words}{when}")
    click.echo(f"finished: {span(finish.when, settings, now)}")
    if finish.due is not None and finish.chance is not None:
        click.echo(f"due {clock(finish.due, settings, now)}: {100 * finish.chance:.0f} % chance ({finish.verdict})")
    click.echo(f"takes longest: {finish.bottleneck}, about {finish.bottleneck_h:.0f} h")
    click.echo(f"Step times from {finish.logged} of this shop's log and usual values.")


def _gate_of(step: sc.Step) -> str:
    told = [step.after_stage.replace("_", " ")] if step.after_stage and step.kind != "wait" else []
    if step.wiped_within_min is not None:
        told.append(f"wiped within {step.wiped_within_min:g} min")
    if step.booth:
        told.append("booth")
    return f" [{', '.join(told)}; {step.source}]" if told else ""
