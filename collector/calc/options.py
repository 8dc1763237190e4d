"""Options and answers the ``tackfree calc`` commands share."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import click


def number(
    name: str, meaning: str, low: float, high: float, unit: str, default: float | None = None
) -> Callable[[Any], Any]:
    """An option that takes a finite number of a range; anything else ends the command with one line about it."""
    allowed = f"{low:g} to {high:g} {unit}".rstrip()

    def check(_context: click.Context, _option: click.Parameter, value: float) -> float:
        if not low <= value <= high:  # also refuses nan
            raise click.UsageError(f"{name} {value:g} {unit}".rstrip() + f"; expected {allowed}")
        return value

    return click.option(
        name,
        type=float,
        required=default is None,
        default=default,
        show_default=default is not None,
        callback=check,
        help=f"{meaning} {allowed}.",
    )


RELATIVE_HUMIDITY: Final = number("--relative-humidity-pct", "Relative humidity over water,", 0.01, 100, "%")

JSON: Final = click.option("--json", "as_json", is_flag=True, help="Print JSON, unrounded.")


def answered(answer: Mapping[str, Any], as_json: bool, lines: Sequence[str]) -> None:
    """Print an answer: as JSON, or as lines for a person."""
    if as_json:
        click.echo(json.dumps(answer, indent=2, allow_nan=False))
    else:
        click.echo("\n".join(lines))
