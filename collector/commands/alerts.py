"""`tackfree alerts`: what asks for somebody now, and putting it off."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import click

from collector.alerts.board import as_dict
from collector.alerts.condition import KINDS
from collector.alerts.courier import MARKS
from collector.alerts.phrases import clock
from collector.alerts.post import places, send
from collector.commands.shop import records_of, settings_of
from collector.errors import ServiceError
from collector.records.alerts import NOTICE, Alert, AlertMessage
from collector.settings import Settings

LONGEST_SNOOZE_H = 72.0


@click.group(invoke_without_command=True)
@click.option("--all", "over_too", is_flag=True, help="The last fifty, those that are over too.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def alerts(ctx: click.Context, over_too: bool, as_json: bool) -> None:
    """List the open alerts: what, since when, why, what to do, and whether each was delivered.

    Example: tackfree alerts --json
    """
    if ctx.invoked_subcommand is not None:
        if over_too or as_json:
            raise click.UsageError("--all and --json go with tackfree alerts alone")
        return
    settings = settings_of(ctx)
    with records_of(settings) as records:
        book = records.alerts
        found = [(alert, book.messages(alert.id)) for alert in (book.newest() if over_too else book.open())]
    if as_json:
        told = [{**as_dict(alert), "deliveries": [_delivery(each, settings) for each in sent]} for alert, sent in found]
        click.echo(json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False))
        return
    if not found:
        click.echo("No alert yet." if over_too else "No open alert.")
    for alert, sent in found:
        _print(alert, sent, settings)


@alerts.command()
@click.argument("number", type=int)
@click.pass_context
def ack(ctx: click.Context, number: int) -> None:
    """Acknowledge the alert of NUMBER: it asks no more, and stays open until what it tells of is over.

    Example: tackfree alerts ack 12
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        book = records.alerts
        alert = book.acknowledge(number, datetime.now(UTC))
    click.echo(f"Alert {number} acknowledged: {alert.what}")


@alerts.command()
@click.argument("number", type=int)
@click.option("--hours", required=True, type=float, help=f"How long it keeps quiet, up to {LONGEST_SNOOZE_H:g}. [h]")
@click.pass_context
def snooze(ctx: click.Context, number: int, hours: float) -> None:
    """Keep the alert of NUMBER quiet for some hours; if it is open then, it is told again.

    Example: tackfree alerts snooze 12 --hours 2
    """
    settings = settings_of(ctx)
    if not 0 < hours <= LONGEST_SNOOZE_H:
        raise click.BadParameter(
            f"{hours:g}; expected more than 0 and at most {LONGEST_SNOOZE_H:g} h", param_hint="--hours"
        )
    now = datetime.now(UTC)
    with records_of(settings) as records:
        book = records.alerts
        alert = book.snooze(number, now + timedelta(hours=hours), now)
    click.echo(f"Alert {number} is quiet until {clock(alert.snoozed_until or now, now, settings)}: {alert.what}")


@alerts.command()
@click.pass_context
def test(ctx: click.Context) -> None:
    """Send a test message to every place of [alerts] apprise_urls, at once, and say which took it.

    Ends with exit code 1 when one did not.

    Example: tackfree alerts test
    """
    settings = settings_of(ctx)
    found = places(settings)
    if not found:
        raise ServiceError(
            "no place to send to: set [alerts] apprise_urls, or TACKFREE_ALERTS_APPRISE_URLS (docs/alerts.md)"
        )
    failed = 0
    for number, place in enumerate(found, 1):
        trouble = send(
            place,
            title=f"Test message of {settings.shop.name}",
            body="Alerts of tackfree reach this place. Nothing is wrong, and nothing needs doing.",
            level=NOTICE,
        )
        failed += bool(trouble)
        click.echo(f"place {number} ({place.kind}): {trouble or 'taken'}")
    if failed:
        raise ServiceError(f"{failed} of {len(found)} places did not take the test message")


def _print(alert: Alert, sent: list[AlertMessage], settings: Settings) -> None:
    now = datetime.now(UTC)
    label = KINDS[alert.kind].label if alert.kind in KINDS else alert.kind
    state = [f"since {clock(alert.since, now, settings)}"]
    if alert.cleared_at is not None:
        state.append(f"over since {clock(alert.cleared_at, now, settings)}")
    elif alert.acknowledged_at is not None:
        state.append("acknowledged")
    elif alert.snoozed_until is not None and alert.snoozed_until > now:
        state.append(f"quiet until {clock(alert.snoozed_until, now, settings)}")
    click.secho(f"{alert.id:>4}  {MARKS[alert.level]:<8} {alert.what}", bold=alert.asks_at(now))
    click.echo(f"      {label} in {alert.booth}, {', '.join(state)}")
    click.echo(f"      why: {alert.why}")
    click.echo(f"      to do: {alert.what_to_do}")
    if alert.caution:
        click.echo(f"      caution: {alert.caution}")
    for message in sent:
        told, why = _delivery(message, settings), f" ({message.trouble})" if message.trouble else ""
        click.echo(f"      message by {told['by']}: {told['state']}{why}")


def _delivery(message: AlertMessage, settings: Settings) -> dict[str, Any]:
    kinds = {place.digest: place.kind for place in places(settings)}
    state = "sent" if message.sent_at else "dropped" if message.dropped_at else "waiting"
    return {
        "by": kinds.get(message.place, "a place no longer set"),
        "state": state,
        "attempts_failed": message.attempts,
        "due_at": message.due_at.isoformat(timespec="seconds") if state == "waiting" else None,
        "sent_at": message.sent_at.isoformat(timespec="seconds") if message.sent_at else None,
        "trouble": message.trouble,
        "message_id": message.dedupe_id,
    }
