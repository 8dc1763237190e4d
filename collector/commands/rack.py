"""`tackfree rack`: every piece in hand, what can be done to it next, and when."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from collector.advice.coat_progress import CoatProgress, NextStep, PieceProgress, Rack
from collector.advice.progress import rack as rack_of
from collector.commands.shop import print_json, readings_of, records_of, settings_of, span
from collector.records.model import ISOCYANATE_CAUTION, STAGES
from collector.settings import Settings


@click.command()
@click.option("--piece", help="One piece alone, by name, with all its stages.")
@click.option("--plan", help='Heating as you plan it, in shop time: "22 °C from 18:00; off at 22:00".')
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def rack(ctx: click.Context, piece: str | None, plan: str | None, as_json: bool) -> None:
    """What can be done to each piece next, soonest first, with the interval of each time.

    Times are estimates from the booth's log, the data sheets and your own checks; the piece itself has the last word.

    Example: tackfree rack --plan "22 °C from 18:00; off at 22:00"
    """
    settings = settings_of(ctx)
    found, chosen = _look(settings, piece, plan)
    if as_json:
        print_json(found.to_dict())
        return
    if not found.pieces:
        click.echo("No pieces in hand. Add one on the Rack page.")
    for each in found.pieces:
        _print(each, settings, found.at, full=chosen)
    click.echo(found.forecast)


def _look(settings: Settings, name: str | None, plan: str | None) -> tuple[Rack, bool]:
    with records_of(settings) as records, readings_of(settings) as readings:
        only = records.piece(name) if name else None
        found = rack_of(readings, records, settings, round(datetime.now(UTC).timestamp() * 1000), plan)
    if only is None:
        return found, False
    pieces = tuple(each for each in found.pieces if each.piece.id == only.id)
    return Rack(at=found.at, pieces=pieces, forecast=found.forecast), True


def _print(each: PieceProgress, settings: Settings, at: datetime, *, full: bool) -> None:
    last = each.last
    material = "" if last is None else f" ({last.coat.mix.material.name})"
    click.secho(f"{each.piece.name}{material}", bold=True)
    for step in each.steps if full else each.steps[:2]:
        click.echo(f"  {step.when:<9}{step.word:<11}{_step_words(step, settings, at)}")
    if last is None:
        return
    if full:
        _print_stages(last, settings, at)
    click.echo(f"  window   {last.recoat.words}")
    if last.pot_life is not None:
        used = 100.0 * last.pot_life.share_used
        click.echo(f"  pot life {used:.0f} % used, ends {span(last.pot_life.ends, settings, at)}")
    for flag in last.flags:
        click.echo(f"  flag     {flag}")
    for note in last.notes if full else ():
        click.echo(f"  note     {note}")
    if last.coat.mix.material.isocyanate:
        click.echo(f"  caution  {ISOCYANATE_CAUTION}")


def _print_stages(last: CoatProgress, settings: Settings, at: datetime) -> None:
    for stage in last.stages:
        words = f"{stage.percent:.0f} % ({stage.percent_low:.0f} to {stage.percent_high:.0f})"
        if stage.percent < 100.0:
            words = f"{words}, {span(stage.ready, settings, at)}"
        if stage.confirmed is not None:
            words = f"{words}, your check: {'yes' if stage.confirmed else 'not yet'}"
        click.echo(f"  {STAGES[stage.stage]}: {words}{f', {stage.limiting}' if stage.limiting else ''}")


def _step_words(step: NextStep, settings: Settings, at: datetime) -> str:
    if step.ready is None:
        return ""
    if step.when == "now":
        return f"{100.0 * step.probability:.0f} % likely"
    return span(step.ready, settings, at)
