"""`tackfree import`: a shop's existing notes, as a dry run first."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from collector import shop_import
from collector.commands.shop import print_json, records_of, settings_of
from collector.settings import Settings
from collector.shop_import import Notes


@click.command("import")
@click.argument("file", metavar="FILE.csv", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--write/--dry-run", "writes", default=False, show_default="--dry-run", help="Write, or only tell.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def import_notes(ctx: click.Context, file: Path, writes: bool, as_json: bool) -> None:
    """Bring in pieces and coats from a shop's own notes: FILE.csv, as docs/import.md describes it.

    A dry run by default: it tells what would be made, what is there already, and every line refused with its reason.
    With --write all is written, or nothing if a line is refused; then the exit code is 1.

    Example: tackfree import notes.csv --write
    """
    settings = settings_of(ctx)
    text = shop_import.read_file(file)
    with records_of(settings) as records:
        found = shop_import.read(text, records, settings, datetime.now(UTC))
        written = writes and not found.refused
        if written:
            shop_import.write(found, records)
    if as_json:
        print_json(as_dict(found, written=written))
    else:
        click.echo("\n".join(in_words(found, settings, asked=writes)))
    if found.refused:
        ctx.exit(1)


def in_words(found: Notes, settings: Settings, *, asked: bool) -> list[str]:
    """What a file comes to, line by line."""
    verb = "made" if asked and not found.refused else "would be made"
    zone = settings.shop.zone
    lines = [f"piece {verb}: {piece.name} ({piece.substrate})" for piece in found.pieces]
    lines += [
        f"line {line}: coat {verb}: {name}, {coat.mix.material.name}, {coat.started_at.astimezone(zone):%Y-%m-%d %H:%M}"
        for line, name, coat in found.coats
    ]
    lines += [f"line {line}: there already: {words}" for line, words in found.existing]
    lines += [f"line {line}: taken: {words}" for line, words in found.assumed]
    lines += [f"line {one.line}: REFUSED: {one.field} {one.value!r}; expected {one.right}" for one in found.refused]
    counts = (
        f"{len(found.pieces)} pieces and {len(found.coats)} coats {verb}, {len(found.existing)} there already, "
        f"{len(found.refused)} lines refused."
    )
    if found.refused:
        end = "Nothing was written." if asked else "With --write nothing would be written until these are mended."
    elif asked:
        end = "All of it is written."
    else:
        end = "Nothing was written; --write does it."
    return [*lines, counts, end]


def as_dict(found: Notes, *, written: bool) -> dict[str, Any]:
    """The same as JSON holds it."""
    return {
        "written": written,
        "pieces": [piece.name for piece in found.pieces],
        "coats": [
            {
                "line": line,
                "piece": name,
                "material": coat.mix.material.name,
                "started_at": coat.started_at.isoformat(timespec="seconds"),
                "wet_film_low_um": coat.wet_film_low_um,
                "wet_film_high_um": coat.wet_film_high_um,
                "sprayed_ml": coat.sprayed_ml,
            }
            for line, name, coat in found.coats
        ],
        "existing": [{"line": line, "what": words} for line, words in found.existing],
        "assumed": [{"line": line, "what": words} for line, words in found.assumed],
        "refused": [
            {"line": one.line, "field": one.field, "value": one.value, "expected": one.right} for one in found.refused
        ],
    }
