"""``tackfree calc``: each physics computation as a command; options and answers carry their units in their names."""

from __future__ import annotations

import click

from collector.calc.blush import blush_command
from collector.calc.climate import dew_point, margin
from collector.calc.cure import equivalent_age
from collector.calc.film import film, sanding
from collector.calc.ventilation import ventilation

__all__ = ["calc"]


@click.group()
def calc() -> None:
    """Compute one thing from numbers you type; units are in the option names."""


for command in (blush_command, dew_point, margin, equivalent_age, film, sanding, ventilation):
    calc.add_command(command)
