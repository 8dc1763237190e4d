"""How a command reaches the shop: its settings, its stores, the times a person types, and what is printed of times."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import click

from collector import settings as configuration
from collector.advice.coat_progress import Moment
from collector.errors import StoreError
from collector.readings.sqlite import SqliteReadingStore
from collector.records.repository import Records, open_records
from collector.settings import Settings


def settings_of(ctx: click.Context) -> Settings:
    """The shop's settings, from the file the command line names or the usual one."""
    return configuration.load(ctx.find_root().obj)


@contextlib.contextmanager
def records_of(settings: Settings) -> Iterator[Records]:
    """The record store, made on first use.

    Raises
    ------
    StoreError
        If the data folder cannot be used.
    """
    with _usable(settings):
        settings.data.path.mkdir(parents=True, exist_ok=True)
    records = open_records(settings.data.records_url)
    try:
        yield records
    finally:
        records.close()


@contextlib.contextmanager
def readings_of(settings: Settings) -> Iterator[SqliteReadingStore]:
    """The reading store to read from, made on first use.

    Raises
    ------
    StoreError
        If the data folder cannot be used.
    """
    with _usable(settings):
        settings.data.path.mkdir(parents=True, exist_ok=True)
        if not settings.data.readings_file.exists():
            SqliteReadingStore(settings.data.readings_file).close()
    store = SqliteReadingStore(settings.data.readings_file, read_only=True)
    try:
        yield store
    finally:
        store.close()


def moment_of(text: str | None, settings: Settings) -> datetime:
    """A time as typed, in the shop's zone unless it names one; None is now.

    Raises
    ------
    click.BadParameter
        If it is no time.
    """
    if text is None:
        return datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text!r}; expected a time such as 2026-03-05T14:30", param_hint="--at") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=settings.shop.zone)
    return moment.astimezone(UTC)


def print_json(value: Any) -> None:
    """Print a value as JSON."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def span(moment: Moment, settings: Settings, now: datetime) -> str:
    """When something happens, with its interval."""
    if moment.p50 is None:
        return "not within the forecast"
    low, middle, high = (clock(when, settings, now) for when in (moment.p10, moment.p50, moment.p90))
    return f"{middle} (8 in 10: {low} to {high})"


def clock(when: datetime | None, settings: Settings, now: datetime) -> str:
    """A time in the shop's zone, with its day where that is not today."""
    if when is None:
        return "past the forecast"
    local, today = when.astimezone(settings.shop.zone), now.astimezone(settings.shop.zone)
    return f"{local:%H:%M}" if local.date() == today.date() else f"{local:%a %Y-%m-%d %H:%M}"


@contextlib.contextmanager
def _usable(settings: Settings) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"data folder {settings.data.path} cannot be used: {error.strerror}") from error
