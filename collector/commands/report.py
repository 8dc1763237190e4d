"""`tackfree report`: the record of a piece's finish, as PDF or HTML."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from collector.commands.shop import readings_of, records_of, settings_of
from collector.report.compose import READERS
from collector.report.file import KINDS, file_of


@click.command()
@click.argument("piece")
@click.option("--for", "reader", type=click.Choice(READERS), required=True, help="Plain words, or everything there is.")
@click.option("--format", "kind", type=click.Choice(KINDS), help="By default as --out ends, or pdf without it.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write; by default the piece's name in this folder.",
)
@click.pass_context
def report(ctx: click.Context, piece: str, reader: str, kind: str | None, out: Path | None) -> None:
    """Write the record of PIECE: its coats to scale, mixes, conditions, waits, checks and what was found.

    A4 or US letter by the shop's units. The customer's has no names of people and no notes.

    Example: tackfree report "Lap steel, six string, mahogany" --for customer
    """
    settings = settings_of(ctx)
    if kind is None:
        kind = "html" if out is not None and out.suffix.lower() in (".html", ".htm") else "pdf"
    with records_of(settings) as records, readings_of(settings) as readings:
        found = records.piece(piece)
        made = file_of(readings, records, settings, found, reader, kind, datetime.now(UTC))
    file = out or Path(made.name)
    try:
        file.write_bytes(made.content)
    except OSError as error:
        raise click.FileError(str(file), hint=error.strerror or "cannot be written") from error
    click.echo(f"Record of {found.name} for the {reader} written to {file}")
