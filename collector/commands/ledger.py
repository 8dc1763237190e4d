"""`tackfree ledger`: what was given off, and the solvent used beside the coats."""

from __future__ import annotations

import json
import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from collector.advice import ledger as ledger_room
from collector.advice.display import Units
from collector.advice.ledger import Entry, Figure, Ledger, Total
from collector.advice.voc_display import STANDS, LedgerUnits, entry_name, left_out_words
from collector.commands.shop import moment_of, records_of, settings_of
from collector.errors import NotFound
from collector.records.model import SolventUse
from collector.settings import Settings


@click.group(invoke_without_command=True)
@click.option("--month", metavar="YYYY-MM", help="Month to show, in shop time; by default this one.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the entries as CSV: those of --month, or without it those of twelve months.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON, unrounded.")
@click.pass_context
def ledger(ctx: click.Context, month: str | None, csv_file: Path | None, as_json: bool) -> None:
    """VOC given off in a month and in the twelve months that end with it, and what is not counted.

    Counts every coat with its millilitres, and the solvent added by hand. Limits are those you set.

    Example: tackfree ledger --month 2026-11 --csv ledger.csv
    """
    if ctx.invoked_subcommand is not None:
        if month or csv_file or as_json:
            raise click.UsageError("--month, --csv and --json go with tackfree ledger alone")
        return
    settings = settings_of(ctx)
    today = datetime.now(settings.shop.zone).date()
    until = _until(month, today)
    with records_of(settings) as records:
        found = ledger_room.gather(records, until, settings.shop.zone, settings.ledger)
    if csv_file is not None:
        chosen = found.between(until.replace(day=1), until) if month else found.between(found.first_day, until)
        _write_csv(chosen, csv_file, quietly=as_json)
    if as_json:
        click.echo(json.dumps(_as_dict(found, settings), indent=2, ensure_ascii=False, allow_nan=False))
    elif csv_file is None:
        _print(found, settings)


@ledger.command()
@click.option(
    "--what", required=True, help='A solvent ("acetone"), a blend by mass ("acetone=0.5,toluene=0.5"), or a name.'
)
@click.option("--litres", required=True, type=float, help="Used, less what was collected. [l]")
@click.option("--voc-g-l", type=float, help="Its VOC by its data sheet; by default from the solvents it names. [g/l]")
@click.option("--at", help="When, in shop time, e.g. 2026-03-05T14:30; by default now.")
@click.option("--note", default="", help="Anything worth remembering.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def add(
    ctx: click.Context, what: str, litres: float, voc_g_l: float | None, at: str | None, note: str, as_json: bool
) -> None:
    """Add solvent used beside the coats: cleaning, wiping, thinner spilt.

    Example: tackfree ledger add --what acetone --litres 0.5 --note "guns"
    """
    settings = settings_of(ctx)
    use = SolventUse(at=moment_of(at, settings), what=what.strip(), litres=litres, voc_g_l=voc_g_l, note=note)
    with records_of(settings) as records:
        entry = ledger_room.entry_of_use(records.add_solvent_use(use), settings.shop.zone, settings.ledger)
    if as_json:
        click.echo(json.dumps(_entry_dict(entry), indent=2, ensure_ascii=False, allow_nan=False))
        return
    click.echo(f"Solvent {entry.record_id}: {_line(entry, settings)}")
    for text in entry.assumed:
        click.echo(f"  {text}")


@ledger.command()
@click.argument("number", type=int)
@click.pass_context
def remove(ctx: click.Context, number: int) -> None:
    """Take the solvent of NUMBER out of the ledger; `restore` brings it back.

    Example: tackfree ledger remove 3
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        if number not in {use.id for use in records.solvent_uses()}:
            raise NotFound(f"there is no solvent {number} in the ledger; tackfree ledger lists them")
        records.delete("solvent_use", number)
    click.echo(f"Solvent {number} removed; tackfree ledger restore {number} brings it back")


@ledger.command()
@click.argument("number", type=int)
@click.pass_context
def restore(ctx: click.Context, number: int) -> None:
    """Bring back the solvent of NUMBER that was removed.

    Example: tackfree ledger restore 3
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        changes = records.audit("solvent_use", number, most=1)
        if not changes or changes[0].action != "delete":
            raise NotFound(f"there is no removed solvent {number}")
        records.undo(changes[0].id)
    click.echo(f"Solvent {number} is back")


def _print(found: Ledger, settings: Settings) -> None:
    shown = LedgerUnits(Units(settings.shop.units))
    month, year = found.month, found.twelve_months
    click.secho(f"VOC in {found.until:%Y-%m}: {shown.mass(month.voc_kg)}", bold=True)
    for what, kg in month.by_what_kg.items():
        click.echo(f"  {shown.plain_mass(kg):>10}  {what}")
    limit_kg = settings.ledger.voc_limit_kg_12_months
    click.secho(f"VOC from {found.first_day} to {found.until}: {shown.mass(year.voc_kg)}", bold=True)
    stands = STANDS[year.against(limit_kg)]
    click.echo(f"  {stands} ({shown.plain_mass(limit_kg)})" if limit_kg else f"  {stands} (voc_limit_kg_12_months)")
    used = ", ".join(f"{shown.volume(litres)} {what}" for what, litres in month.used_l.items())
    click.echo(f"Used in {found.until:%Y-%m}: {used or 'nothing'}")
    first = found.until.replace(day=1)
    for entry in found.between(first, found.until):
        click.echo(f"  {entry.day} {entry.kind} {entry.record_id}: {_line(entry, settings)}")
    for text in filter(None, (left_out_words(year),)):
        click.echo(text)
    for reason, count in ledger_room.left_out_reasons(year.left_out).items():
        click.echo(f"  {count} x {reason}")
    for text in ledger_room.assumptions(found.between(found.first_day, found.until)):
        click.echo(f"  taken for granted: {text}")
    click.echo(f"Each ± covers about 95 %. {ledger_room.HOW_COUNTED}")


def _line(entry: Entry, settings: Settings) -> str:
    shown = LedgerUnits(Units(settings.shop.units))
    name = entry_name(entry)
    if entry.emission is None:
        return f"{name}, {shown.volume(entry.litres)}: not counted: {entry.left_out}"
    words = f"{name}, {shown.volume(entry.litres)} at {shown.content(entry.actual_g_l)}: {shown.mass(entry.voc_kg)}"
    if entry.kind == ledger_room.COAT:
        words += f" (less water and exempt: {shown.content(entry.regulatory_g_l)})"
    return f"{words}; {STANDS[entry.limit].lower()}" if entry.limit else words


def _as_dict(found: Ledger, settings: Settings) -> dict[str, Any]:
    first = found.until.replace(day=1)
    twelve_months = found.twelve_months
    limit_kg = settings.ledger.voc_limit_kg_12_months
    return {
        "month": f"{found.until:%Y-%m}",
        "until": found.until.isoformat(),
        "in_month": _total_dict(found.month),
        "days": [{"day": day.isoformat(), **_total_dict(total)} for day, total in found.days(first, found.until)],
        "twelve_months_from": found.first_day.isoformat(),
        "in_twelve_months": _total_dict(twelve_months),
        "voc_limit_kg_12_months": limit_kg or None,
        "limit": twelve_months.against(limit_kg) or None,
        "entries": [_entry_dict(entry) for entry in found.between(first, found.until)],
        "assumed": ledger_room.assumptions(found.between(found.first_day, found.until)),
    }


def _total_dict(total: Total) -> dict[str, Any]:
    return {
        **_figure_dict("voc_kg", "voc_plus_minus_kg", total.voc_kg),
        "by_what_kg": dict(total.by_what_kg),
        "used_l": dict(total.used_l),
        "counted": total.counted,
        "left_out": ledger_room.left_out_reasons(total.left_out),
    }


def _entry_dict(entry: Entry) -> dict[str, Any]:
    return {
        "kind": entry.kind,
        "id": entry.record_id,
        "at": entry.at.isoformat(timespec="seconds"),
        "day": entry.day.isoformat(),
        "piece": entry.piece or None,
        "what": entry.what,
        "litres": entry.litres,
        **_figure_dict("voc_actual_g_l", "voc_actual_plus_minus_g_l", entry.actual_g_l),
        **_figure_dict(
            "voc_less_water_and_exempt_g_l", "voc_less_water_and_exempt_plus_minus_g_l", entry.regulatory_g_l
        ),
        **_figure_dict("voc_kg", "voc_plus_minus_kg", entry.voc_kg),
        "limit": entry.limit or None,
        "left_out": entry.left_out or None,
        "assumed": list(entry.assumed),
    }


def _figure_dict(name: str, spread: str, figure: Figure | None) -> dict[str, float | None]:
    if figure is None:
        return {name: None, spread: None}
    return {name: figure.value, spread: figure.plus_minus}


def _write_csv(entries: tuple[Entry, ...], file: Path, *, quietly: bool) -> None:
    try:
        with file.open("w", newline="", encoding="utf-8") as stream:
            count = ledger_room.write_csv(entries, stream)
    except OSError as error:
        raise click.FileError(str(file), hint=error.strerror or "cannot be written") from error
    if not quietly:
        click.echo(f"{count} entries written to {file}")


def _until(month: str | None, today: date) -> date:
    if month is None:
        return today
    match = re.fullmatch(r"(\d{4})-(\d{2})", month)
    if match is None or not 1 <= int(match[2]) <= 12 or not 1970 <= int(match[1]) <= 2200:
        raise click.BadParameter(f"{month!r}; expected a month such as 2026-11", param_hint="--month")
    last = ledger_room.last_of_month(date(int(match[1]), int(match[2]), 1))
    return min(last, today) if (last.year, last.month) == (today.year, today.month) else last
