"""The ``tackfree`` command: each command parses, calls one function, and prints."""

from __future__ import annotations

import contextlib
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click

import collector
from collector import doctor as doctor_room
from collector import export as export_room
from collector import settings as configuration
from collector.advice.readiness import assess, gather
from collector.advice.wet_coat import last_coat, mix_in_use, ways_to_go
from collector.calc import calc
from collector.commands.alerts import alerts
from collector.commands.import_notes import import_notes
from collector.commands.ledger import ledger
from collector.commands.measure import measure_photo, sheet
from collector.commands.rack import rack
from collector.commands.report import report
from collector.commands.sanding import sanding
from collector.commands.schedule import schedule
from collector.commands.shop import moment_of, print_json, readings_of, records_of, settings_of
from collector.errors import RecordError, TackfreeError
from collector.node_kit import node
from collector.readings.sqlite import SqliteReadingStore
from collector.records.model import ISOCYANATE_CAUTION, Coat, Mix
from collector.records.repository import Records, open_records
from collector.settings import Settings

DEMO_SHOP = "Demo shop (simulated)"
RECORD_TABLES: dict[str, Callable[[Records], Iterator[export_room.Row]]] = {
    "coats": export_room.coats,
    "checks": export_room.checks,
    "outcomes": export_room.outcomes,
    "solvent-uses": export_room.solvent_uses,
}


class _Group(click.Group):
    """Turns our own errors into one line on stderr and exit code 1; a traceback is for bugs only."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except TackfreeError as error:
            raise click.ClickException(str(error)) from error


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--settings", "file", type=click.Path(path_type=Path), help="Settings file, in place of the usual one.")
@click.version_option(collector.__version__, prog_name="tackfree")
@click.pass_context
def main(ctx: click.Context, file: Path | None) -> None:
    """Booth, coats and drying of a finishing shop, answered from measurements.

    It estimates and logs. It is no gas detector and no interlock; your local fire and air rules and the
    product's safety data sheet take precedence.
    """
    ctx.obj = file


@main.command()
@click.pass_context
def serve(ctx: click.Context) -> None:
    """Run broker, collector and pages until Ctrl-C.

    Example: tackfree serve
    """
    from collector import service  # heavy: only the two commands that run it pay for it

    service.set_up_logging()
    service.serve(settings_of(ctx), say=click.echo)


@main.command()
@click.option("--seed", default=1, show_default=True, help="Same seed, same invented shop.")
@click.option("--days", default=21, show_default=True, type=click.IntRange(1, 60), help="Days of history to invent.")
@click.pass_context
def demo(ctx: click.Context, seed: int, days: int) -> None:
    """Run the whole service on a throw-away folder with a simulated booth.

    Nothing of your own shop is read or touched. All data in it is invented.

    Example: tackfree demo --seed 7
    """
    from collector import service
    from collector.demo.booth import BoothDesign

    service.set_up_logging()
    settings, design = settings_of(ctx), BoothDesign()
    folder = Path(tempfile.mkdtemp(prefix="tackfree-demo-"))
    try:
        settings = service.with_free_ports(
            replace(
                settings,
                shop=replace(settings.shop, name=DEMO_SHOP),
                data=replace(settings.data, folder=str(folder)),
                mqtt=replace(settings.mqtt, embedded=True, host="127.0.0.1", username="", password="", ca_file=""),
                alerts=replace(settings.alerts, apprise_urls=""),  # invented alerts are nobody's to be called for
                ventilation=replace(
                    settings.ventilation,
                    volume_m3=design.volume_m3,
                    face_opening_m2=design.face_m2,
                    mixing_factor=1.0,
                    filter_change_pa=9.0,
                ),
            )
        )
        click.echo(f"Demo data folder, removed when the demo stops: {folder}")
        click.echo(f"Inventing {days} days of a shop's past ...")
        _invent_past(settings, seed, days)
        host, port, booth = settings.mqtt.host, settings.mqtt.port, settings.shop.booth
        click.echo("To send a reading by hand from another terminal:")
        click.echo(
            f"  mosquitto_pub -h {host} -p {port} -q 1 -t tackfree/{booth}/hand/readings "
            """-m '[{"bn":"hand:","n":"relative_humidity","u":"%RH","v":93}]'"""
        )
        service.serve(settings, simulate=True, seed=seed, say=click.echo)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _invent_past(settings: Settings, seed: int, days: int) -> None:
    from collector.demo.history import fill
    from collector.demo.simulation import STATE_FILE

    store = SqliteReadingStore(settings.data.readings_file)
    records = open_records(settings.data.records_url)
    try:
        fill(
            store,
            records,
            now=datetime.now(UTC),
            seed=seed,
            days=days,
            time_zone=settings.shop.zone,
            booth=settings.shop.booth,
            state_file=settings.data.path / STATE_FILE,
        )
    finally:
        records.close()
        store.close()


@main.command()
@click.option("--material", required=True, help="Material about to be sprayed, by name.")
@click.option("--piece", help="Piece about to be sprayed, by name.")
@click.option("--booth", help="Booth; by default the shop's first.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def check(ctx: click.Context, material: str, piece: str | None, booth: str | None, as_json: bool) -> None:
    """May this material be sprayed now: go, marginal, hold or cannot tell, with each reason.

    Example: tackfree check --material "Nitrocellulose lacquer, clear" --piece "Lap steel 3"
    """
    settings = settings_of(ctx)
    now_ms = round(datetime.now(UTC).timestamp() * 1000)
    with records_of(settings) as records, readings_of(settings) as store:
        chosen = records.material(material)
        on_piece = records.piece(piece) if piece else None
        state = gather(store, booth or settings.shop.booth, now_ms, settings.readiness)
        readiness = assess(
            state,
            chosen,
            on_piece,
            settings,
            mix=mix_in_use(records, chosen),
            earlier=last_coat(records, on_piece, now_ms),
        )
    ways = ways_to_go(readiness.wet_coat, readiness.limits, settings)
    if as_json:
        print_json({"material": chosen.name, "piece": on_piece.name if on_piece else None, **readiness.to_dict(),
                     "ways_out": [way.to_dict() for way in ways]})  # fmt: skip
        return
    click.secho(f"{readiness.verdict.upper()}  {chosen.name}", bold=True)
    click.echo(readiness.reason)
    for limit in readiness.limits:
        click.echo(f"  {limit.verdict:<12} {limit.label}: {limit.reason}")
    for way in ways:
        click.echo(f"  way out: {way.words}")
    for caution in readiness.cautions:
        click.echo(f"  caution: {caution}")


@main.command()
@click.option("--all", "include_done", is_flag=True, help="Finished pieces too.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def pieces(ctx: click.Context, include_done: bool, as_json: bool) -> None:
    """List the pieces in hand with their last coat.

    Example: tackfree pieces --json
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        listed = []
        for piece in records.pieces(include_done=include_done):
            last = next(iter(records.coats(piece_id=piece.id)), None)
            listed.append((piece, last))
    if as_json:
        print_json(
            [
                {
                    "piece": piece.name,
                    "substrate": piece.substrate,
                    "due": _iso(piece.due),
                    "done_at": _iso(piece.done_at),
                    "last_coat": _coat_dict(last) if last else None,
                }
                for piece, last in listed
            ]
        )
        return
    if not listed:
        click.echo("No pieces in hand. Add one on the Rack page.")
    for piece, last in listed:
        click.echo(f"{piece.name} ({piece.substrate}): {_last_coat_words(last, settings)}")


@main.group()
def coat() -> None:
    """Start or end a coat."""


@coat.command()
@click.argument("piece")
@click.option("--material", help="Material to spray, by name; with the fractions below.")
@click.option("--mix", "mix_id", type=int, help="Number of a mix already made, in place of --material.")
@click.option("--reducer-fraction", default=0.0, help="Reducer, volume per volume of material.")
@click.option("--retarder-fraction", default=0.0, help="Retarder, volume per volume of material.")
@click.option("--catalyst-fraction", default=0.0, help="Catalyst, volume per volume of material.")
@click.option("--booth", help="Booth; by default the shop's first.")
@click.option("--by", default="", help="Who sprays.")
@click.option("--at", help="Start in shop time, e.g. 2026-03-05T14:30; by default now.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def start(
    ctx: click.Context,
    piece: str,
    material: str | None,
    mix_id: int | None,
    reducer_fraction: float,
    retarder_fraction: float,
    catalyst_fraction: float,
    booth: str | None,
    by: str,
    at: str | None,
    as_json: bool,
) -> None:
    """Start a coat on PIECE.

    Example: tackfree coat start "Lap steel 3" --material "Nitrocellulose lacquer, clear"
    """
    settings = settings_of(ctx)
    if (material is None) == (mix_id is None):
        raise click.UsageError("give either --material or --mix")
    moment = moment_of(at, settings)
    with records_of(settings) as records:
        on_piece = records.piece(piece)
        busy = records.open_coat(on_piece.id)
        if busy is not None:  # before a mix is made for nothing
            since = _local(busy.started_at, settings)
            raise RecordError(f"{on_piece.name} has coat {busy.id} open since {since}; end it first")
        if mix_id is not None:
            mix = records.mix(mix_id)
        else:
            mix = records.add_mix(
                Mix(
                    material=records.material(material or ""),
                    reducer_fraction=reducer_fraction,
                    retarder_fraction=retarder_fraction,
                    catalyst_fraction=catalyst_fraction,
                    mixed_at=moment,
                )
            )
        started = records.start_coat(on_piece.id, mix.id, booth or settings.shop.booth, moment, sprayed_by=by)
    if as_json:
        print_json(_coat_dict(started))
    else:
        since = _local(started.started_at, settings)
        click.echo(f"Coat {started.id} on {on_piece.name}: {mix.material.name}, from {since}")
        if mix.material.isocyanate:
            click.echo(f"  caution: {ISOCYANATE_CAUTION}")


@coat.command()
@click.argument("piece")
@click.option("--passes", type=int, help="Passes sprayed.")
@click.option("--wet-film-um", help="Wet film [µm], last wetted to first dry tooth, e.g. 75-100.")
@click.option("--sprayed-ml", type=float, help="Material sprayed. [ml]")
@click.option("--note", default="", help="Anything worth remembering.")
@click.option("--at", help="End in shop time, e.g. 2026-03-05T14:36; by default now.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def end(
    ctx: click.Context,
    piece: str,
    passes: int | None,
    wet_film_um: str | None,
    sprayed_ml: float | None,
    note: str,
    at: str | None,
    as_json: bool,
) -> None:
    """End the open coat on PIECE.

    Example: tackfree coat end "Lap steel 3" --passes 2 --wet-film-um 75-100
    """
    settings = settings_of(ctx)
    low, high = _film_interval(wet_film_um)
    given = {"passes": passes, "wet_film_low_um": low, "wet_film_high_um": high, "sprayed_ml": sprayed_ml}
    measured: dict[str, Any] = {key: value for key, value in given.items() if value is not None}
    if note:
        measured["note"] = note
    with records_of(settings) as records:
        on_piece = records.piece(piece)
        ended = records.end_coat(on_piece.id, moment_of(at, settings), **measured)
    if as_json:
        print_json(_coat_dict(ended))
    else:
        click.echo(f"Coat {ended.id} on {on_piece.name} ended {_local(ended.ended_at, settings)}")


@main.command()
@click.argument(
    "table",
    type=click.Choice(["readings", "coats", "checks", "outcomes", "solvent-uses", "dead-letters", "materials"]),
)
@click.option("--days", default=30.0, show_default=True, help="Readings of the last so many days.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write; by default the screen.")
@click.pass_context
def export(ctx: click.Context, table: str, days: float, out: Path | None) -> None:
    """Write one table as CSV (materials as TOML).

    Example: tackfree export coats --out coats.csv
    """
    settings = settings_of(ctx)
    end_ms = round((datetime.now(UTC) + timedelta(hours=1)).timestamp() * 1000)
    if not 0 < days <= 36_500:
        raise click.BadParameter(f"{days:g}; expected more than 0 and at most 36500 d", param_hint="--days")
    with _output(out) as stream:
        if table in ("readings", "dead-letters"):
            with readings_of(settings) as store:
                if table == "readings":
                    rows = export_room.readings(store, end_ms - round(days * 86_400_000), end_ms)
                else:
                    rows = export_room.dead_letters(store)
                count = export_room.write_csv(rows, stream)
        else:
            with records_of(settings) as records:
                if table == "materials":
                    stream.write(records.export_materials_toml())
                    count = len(records.materials())
                else:
                    count = export_room.write_csv(RECORD_TABLES[table](records), stream)
    if out is not None:
        click.echo(f"{count} rows written to {out}")


@main.command("import-materials")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.pass_context
def import_materials(ctx: click.Context, file: Path) -> None:
    """Read materials from a TOML FILE; a name that exists already becomes a new version.

    Example: tackfree import-materials materials.toml
    """
    settings = settings_of(ctx)
    with records_of(settings) as records:
        imported = records.import_materials_toml(file)
    click.echo(f"{len(imported)} materials read from {file}")


@main.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> None:
    """Look at settings, broker, stores, clock, disk and nodes, and say how to mend each fault.

    Ends with exit code 1 when there is a fault.

    Example: tackfree doctor
    """
    findings = doctor_room.examine(settings_of(ctx), round(datetime.now(UTC).timestamp() * 1000))
    if as_json:
        print_json([{"subject": f.subject, "state": f.state, "seen": f.seen, "mend": f.mend} for f in findings])
    else:
        for finding in findings:
            click.echo(f"{finding.state:<6}{finding.subject}: {finding.seen}")
            if finding.mend:
                click.echo(f"      to mend: {finding.mend}")
    sys.exit(1 if any(finding.state == doctor_room.FAULT for finding in findings) else 0)


@main.command("settings")
@click.pass_context
def show_settings(ctx: click.Context) -> None:
    """Print a settings file with every key at its default, to start from.

    Example: tackfree settings > tackfree.toml
    """
    click.echo(configuration.example_file(), nl=False)
    click.echo(f"# The usual place of this file: {configuration.default_file()}", err=True)


main.add_command(alerts)
main.add_command(calc)
main.add_command(ledger)
main.add_command(measure_photo)
main.add_command(sheet)
main.add_command(node)
main.add_command(report)
main.add_command(schedule)
main.add_command(rack)
main.add_command(sanding)
main.add_command(import_notes)


@contextlib.contextmanager
def _output(out: Path | None) -> Iterator[Any]:
    if out is None:
        yield sys.stdout
        return
    try:
        with out.open("w", newline="", encoding="utf-8") as stream:
            yield stream
    except OSError as error:
        raise click.FileError(str(out), hint=error.strerror or "cannot be written") from error


def _film_interval(text: str | None) -> tuple[float | None, float | None]:
    if text is None:
        return None, None
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:[-–]\s*(\d+(?:\.\d+)?))?\s*", text)
    if match is None:
        raise click.BadParameter(f"{text!r}; expected µm such as 75-100", param_hint="--wet-film-um")
    low = float(match[1])
    return low, float(match[2]) if match[2] else low


def _coat_dict(coat: Coat) -> dict[str, Any]:
    return {
        "coat_id": coat.id,
        "piece_id": coat.piece_id,
        "material": coat.mix.material.name,
        "mix_id": coat.mix.id,
        "booth": coat.booth,
        "started_at": _iso(coat.started_at),
        "ended_at": _iso(coat.ended_at),
        "passes": coat.passes,
        "wet_film_low_um": coat.wet_film_low_um,
        "wet_film_high_um": coat.wet_film_high_um,
        "sprayed_ml": coat.sprayed_ml,
    }


def _last_coat_words(last: Coat | None, settings: Settings) -> str:
    if last is None:
        return "no coat yet"
    if last.ended_at is None:
        return f"{last.mix.material.name}, being sprayed since {_local(last.started_at, settings)}"
    hours = (datetime.now(UTC) - last.ended_at).total_seconds() / 3600
    age = f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.0f} d"
    return f"{last.mix.material.name}, {_local(last.ended_at, settings)} ({age} ago)"


def _local(moment: datetime | None, settings: Settings) -> str:
    return "" if moment is None else f"{moment.astimezone(settings.shop.zone):%Y-%m-%d %H:%M}"


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="seconds")


if __name__ == "__main__":
    main()
