"""Equivalent age as a command."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import click
import numpy as np

from collector.calc.options import JSON, answered, number
from collector.physics import cure

_COLUMNS: Final = "expected two columns, an ISO time and a temperature in °C, such as 2026-03-01T08:00:00Z,21.5"


@click.command("equivalent-age")
@number("--activation-energy-kj-mol", "Activation energy,", 0.1, cure.LARGEST_KJ_MOL, "kJ/mol")
@number("--reference-c", "Temperature of the data sheet's times,", cure.COLDEST_C, cure.HOTTEST_C, "°C")
@click.option(
    "--series",
    "file",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="CSV file of ISO times and temperatures in °C, oldest first.",
)
@number("--max-gap-h", "Longest time between readings that is not yet a gap,", 0.001, 10_000, "h", 1.0)
@JSON
def equivalent_age(
    activation_energy_kj_mol: float, reference_c: float, file: Path, max_gap_h: float, as_json: bool
) -> None:
    """Hours at a reference temperature that logged temperatures are worth.

    The rate is integrated by the trapezoid between readings at whatever times they came. A time without a zone is UTC;
    a first line of words is skipped; an empty temperature is a missing reading. Longer gaps are bridged, listed, and
    add to the uncertainty. Times out of order are refused, as a clock that was set back would count hours twice.

    Example: tackfree calc equivalent-age --activation-energy-kj-mol 60 --reference-c 23 --series booth.csv --json
    """
    times, temperature_c = _series(file)
    start = times[0]
    time_h = np.array([(moment - start).total_seconds() / 3600.0 for moment in times])
    try:
        found = cure.aging(time_h, temperature_c, activation_energy_kj_mol, reference_c, max_gap_h=max_gap_h)
    except ValueError as error:
        raise click.UsageError(f"{file}: {error}") from error
    gaps = [
        {
            "start": _moment(start, gap.start_h),
            "end": _moment(start, gap.end_h),
            "hours": gap.end_h - gap.start_h,
        }
        for gap in found.gaps
    ]
    answer: dict[str, Any] = {
        "equivalent_hours": found.equivalent_hours,
        "mean_kinetic_c": found.mean_kinetic_c,
        "rate_now": found.rate_now,
        "hours": found.hours,
        "standard_uncertainty_h": found.standard_uncertainty_h,
        "gaps": gaps,
    }
    answered(
        answer,
        as_json,
        (
            f"equivalent age  {answer['equivalent_hours']:.2f} h at {reference_c:g} °C",
            f"logged          {found.hours:.2f} h",
            f"mean kinetic    {answer['mean_kinetic_c']:.2f} °C",
            f"rate now        {answer['rate_now']:.3f} of the rate at {reference_c:g} °C",
            *(f"gap bridged     {gap['hours']:.2f} h from {gap['start']}" for gap in gaps),
            *([f"uncertainty     {answer['standard_uncertainty_h']:.2f} h (standard), from the gaps"] if gaps else []),
        ),
    )


def _series(file: Path) -> tuple[list[datetime], list[float]]:
    """Times and temperatures of a CSV file; a temperature that is not there is NaN."""
    times: list[datetime] = []
    temperatures: list[float] = []
    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.reader(lines)
            for row in reader:
                cells = [cell.strip() for cell in row]
                if not any(cells) or (not times and _is_header(cells)):
                    continue
                where = f"{file}, line {reader.line_num}"
                if len(cells) != 2:
                    raise click.UsageError(f"{where}: {','.join(row)!r} has {len(cells)} columns; {_COLUMNS}")
                moment = _time(where, cells[0])
                if times and moment < times[-1]:
                    raise click.UsageError(
                        f"{where}: time {cells[0]} is before the one above it; expected times in order, oldest first"
                    )
                times.append(moment)
                temperatures.append(_temperature(where, cells[1]))
    except UnicodeDecodeError as error:
        raise click.UsageError(f"{file} is no UTF-8 text; {_COLUMNS}") from error
    except csv.Error as error:
        raise click.UsageError(f"{file}: {error}; {_COLUMNS}") from error
    except OSError as error:
        raise click.UsageError(f"{file} cannot be read: {error.strerror}") from error
    if all(math.isnan(temperature) for temperature in temperatures):
        raise click.UsageError(f"{file} holds no temperatures; {_COLUMNS}")
    return times, temperatures


def _is_header(cells: list[str]) -> bool:
    """Words where a time and a number belong; only then is a first line no reading."""
    return not cells[0][:1].isdigit() and not any(cell[:1].isdigit() for cell in cells[1:2])


def _time(where: str, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise click.UsageError(f"{where}: time {text!r}; expected an ISO time such as 2026-03-01T08:00:00Z") from error


def _temperature(where: str, text: str) -> float:
    if text == "" or text.casefold() == "nan":
        return math.nan
    allowed = f"expected a temperature from {cure.COLDEST_C:g} to {cure.HOTTEST_C:g} °C"
    try:
        value = float(text)
    except ValueError as error:
        raise click.UsageError(f"{where}: temperature {text!r}; {allowed}, with a point for decimals") from error
    if not cure.COLDEST_C <= value <= cure.HOTTEST_C:
        raise click.UsageError(f"{where}: temperature {text} °C; {allowed}")
    return value


def _moment(start: datetime, hours: float) -> str:
    return (start + timedelta(seconds=round(3600.0 * hours))).isoformat()
