"""The running service: one parent that starts broker, ingest and dashboard, and stops them together.

Each part is a process of its own, so that a fault in one leaves the others running; the parent restarts a
part that dies. All are in the parent's process group.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import json
import logging
import os
import runpy
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import IO, Final

from collector import node_access
from collector import settings as configuration
from collector.advice import bench, progress
from collector.alerts import duty, engine
from collector.errors import ServiceError, StoreError, TackfreeError
from collector.ingest import STATE_FILE, Ingest
from collector.readings.base import ReadingStore
from collector.readings.sqlite import SqliteReadingStore
from collector.records.repository import Records, open_records
from collector.settings import Settings
from collector.wire import time_topic, verdict_topic

log = logging.getLogger(__name__)

CANNOT_START: Final = 3
"""Exit code of a part that will not start however often it is tried; its reason is on stderr."""

STOP_TIMEOUT_S: Final = 10.0
THREADS_END_WITHIN_S: Final = 8.0
"""Less than the parent waits for a part; a message still on its way then is sent again after the next start."""

HEALTH_TIMEOUT_S: Final = 90.0
ALERT_PERIOD_S: Final = 2.0
WATCH_PERIOD_S: Final = 10.0
COURIER_PERIOD_S: Final = 2.0
VERDICT_PERIOD_MS: Final = 60_000
TIME_PERIOD_MS: Final = 30_000
PRUNE_PERIOD_MS: Final = 6 * 3600 * 1000
COAT_TAIL: Final = timedelta(days=30)
"""Readings are kept with a coat from before its spraying until it can have no stage left to reach."""


@dataclass(slots=True)
class Part:
    """One child process and how often it has been started."""

    name: str
    module_arguments: Sequence[str]
    process: subprocess.Popen[bytes] | None = None
    failures: int = 0
    started: float = 0.0
    retry_at: float = field(default=0.0)


def parts_for(settings: Settings, *, simulate: bool, seed: int) -> list[Part]:
    """The parts a service of these settings has, in the order they start."""
    parts = [Part("broker", ("collector.service", "broker"))] if settings.mqtt.embedded else []
    parts.append(Part("ingest", ("collector.service", "ingest")))
    if simulate:
        parts.append(Part("nodes", ("collector.service", "nodes", str(seed))))
    parts.append(Part("dashboard", ("collector.service", "dashboard")))
    return parts


def serve(settings: Settings, *, simulate: bool = False, seed: int = 1, say: Callable[[str], None] = print) -> None:
    """Run the service until Ctrl-C or SIGTERM.

    Parameters
    ----------
    simulate : bool
        Also start the simulated booth's nodes.
    say : callable
        Takes each line meant for the person who started the service.

    Raises
    ------
    ServiceError
        If an address is open to others without a password, a port is taken, the data folder is in use or
        not writable, or a part cannot start.
    """
    stop = threading.Event()
    with _signals_set(stop), data_folder_held(settings):
        _check_addresses(settings)
        _check_ports(settings)
        SqliteReadingStore(settings.data.readings_file).close()
        open_records(settings.data.records_url).close()
        parts = parts_for(settings, simulate=simulate, seed=seed)
        environment = {**os.environ, **configuration.environment_of(settings)}
        try:
            for part in parts:
                _start(part, environment)
            _announce(settings, parts, stop, say)
            while not stop.wait(0.25):
                for part in parts:
                    _revive(part, environment)
        finally:
            _stop(parts)
    say("tackfree has stopped.")


@contextlib.contextmanager
def data_folder_held(settings: Settings) -> Iterator[Path]:
    """Make the data folder and hold it, so that two services never write to one.

    Raises
    ------
    ServiceError
        If it cannot be written or another service holds it.
    """
    folder = settings.data.path
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / "service.lock").open("w")
    except OSError as error:
        raise ServiceError(
            f"data folder {folder} cannot be written ({error.strerror}); "
            "mend its permissions, or set another with [data] folder"
        ) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ServiceError(
                f"another tackfree service runs on the data folder {folder}; stop it, or set another folder"
            ) from None
        yield folder


def port_is_free(host: str, port: int) -> bool:
    """Whether a server could listen at this address now."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def with_free_ports(settings: Settings) -> Settings:
    """The same settings, with each taken port moved up to the next free one."""

    def free_from(host: str, port: int) -> int:
        return next(candidate for candidate in range(port, port + 200) if port_is_free(host, candidate))

    mqtt, dashboard = settings.mqtt, settings.dashboard
    return replace(
        settings,
        mqtt=replace(mqtt, port=free_from(mqtt.host, mqtt.port)),
        dashboard=replace(dashboard, port=free_from(dashboard.host, dashboard.port)),
    )


def page_address(settings: Settings) -> str:
    """Address of the dashboard, for a browser on this machine."""
    host = settings.dashboard.host
    shown = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(host, f"[{host}]" if ":" in host else host)
    return f"http://{shown}:{settings.dashboard.port}"


def retention(store: ReadingStore, records: Records, raw_days: int) -> engine.Rule:
    """A rule that drops raw readings past their days, now and then, but none that belongs to a coat."""
    due_ms = 0

    def drop_old_readings(now_ms: int) -> None:
        nonlocal due_ms
        if now_ms < due_ms:
            return
        keep = [(_ms(start), _ms(end)) for start, end in records.coat_spans(COAT_TAIL)]
        dropped = store.prune(now_ms - raw_days * 86_400_000, keep)
        if dropped:
            log.info("dropped %d raw readings older than %d days; roll-ups and coats stay", dropped, raw_days)
        due_ms = now_ms + PRUNE_PERIOD_MS

    return drop_old_readings


def button_rule(store: ReadingStore, records: Records) -> engine.Rule:
    """A rule that starts and ends coats as nodes' buttons were pressed."""

    def act_on_buttons(now_ms: int) -> None:
        for coat in bench.act_on_presses(store, records, now_ms):
            log.info("by button: coat %d %s", coat.id, "started" if coat.ended_at is None else "ended")

    return act_on_buttons


def lamp_rule(
    store: ReadingStore, records: Records, settings: Settings, publish: Callable[[str, bytes], object]
) -> engine.Rule:
    """A rule that publishes each booth's verdict when it changes, and at least every minute, for nodes' lamps."""
    told: dict[str, tuple[str, int]] = {}

    def tell_verdicts(now_ms: int) -> None:
        for booth, verdict in bench.verdicts(store, records, now_ms, settings).items():
            last, at_ms = told.get(booth, ("", 0))
            if verdict != last or now_ms - at_ms >= VERDICT_PERIOD_MS:
                publish(verdict_topic(booth), verdict.encode())
                told[booth] = (verdict, now_ms)

    return tell_verdicts


def time_rule(store: ReadingStore, publish: Callable[[str, bytes], object]) -> engine.Rule:
    """A rule that tells every booth the time, for nodes that reach no time server."""
    due_ms = 0

    def tell_time(now_ms: int) -> None:
        nonlocal due_ms
        if due_ms - TIME_PERIOD_MS < now_ms < due_ms:  # a clock that jumped back must not silence it
            return
        for booth in {node.booth for node in store.nodes()}:
            publish(time_topic(booth), b"%d" % now_ms)
        due_ms = now_ms + TIME_PERIOD_MS

    return tell_time


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


def _now_ms() -> int:
    return _ms(datetime.now(UTC))


def _check_addresses(settings: Settings) -> None:
    mqtt, dashboard = settings.mqtt, settings.dashboard
    if mqtt.embedded and not _is_loopback(mqtt.host) and not (mqtt.username and mqtt.password):
        raise ServiceError(
            f"[mqtt] host {mqtt.host} lets others reach the built-in broker; set [mqtt] username and "
            "TACKFREE_MQTT_PASSWORD first, or go back to 127.0.0.1"
        )
    if not _is_loopback(dashboard.host):
        raise ServiceError(
            f"[dashboard] host {dashboard.host} lets others reach the pages, which ask for no password. Keep "
            "127.0.0.1 and put a reverse proxy with TLS and a password before them (docs/network.md)."
        )


def _is_loopback(host: str) -> bool:
    return host in ("localhost", "::1") or host.startswith("127.")


def _check_ports(settings: Settings) -> None:
    mqtt, dashboard = settings.mqtt, settings.dashboard
    if mqtt.embedded and not port_is_free(mqtt.host, mqtt.port):
        raise ServiceError(
            f"port {mqtt.port} on {mqtt.host} is taken, so the built-in broker cannot listen there. "
            "Set another [mqtt] port, or [mqtt] embedded = false to use the broker that runs there."
        )
    if not port_is_free(dashboard.host, dashboard.port):
        raise ServiceError(
            f"port {dashboard.port} on {dashboard.host} is taken, so the pages cannot be served there. "
            "Set another [dashboard] port."
        )


def _start(part: Part, environment: dict[str, str]) -> None:
    part.started = time.monotonic()
    part.process = subprocess.Popen([sys.executable, "-m", *part.module_arguments], env=environment)


def _revive(part: Part, environment: dict[str, str]) -> None:
    if part.process is None:
        if time.monotonic() >= part.retry_at:
            _start(part, environment)
        return
    code = part.process.poll()
    if code is None:
        if part.failures and time.monotonic() - part.started > 60:
            part.failures = 0
        return
    if code == CANNOT_START:
        raise ServiceError(f"{part.name} cannot start; its reason is printed above")
    part.failures += 1
    wait_s = min(30.0, 0.5 * 2.0**part.failures)
    log.error("%s ended with code %s; it is started again in %.0f s", part.name, code, wait_s)
    part.process, part.retry_at = None, time.monotonic() + wait_s


def _announce(settings: Settings, parts: Sequence[Part], stop: threading.Event, say: Callable[[str], None]) -> None:
    deadline = time.monotonic() + HEALTH_TIMEOUT_S
    address = page_address(settings)
    started_ms = _now_ms()
    while not stop.is_set() and not (_healthy(address) and _listening(settings, started_ms)):
        for part in parts:
            if part.process is not None and part.process.poll() == CANNOT_START:
                raise ServiceError(f"{part.name} cannot start; its reason is printed above")
        if time.monotonic() > deadline:
            if not _healthy(address):
                raise ServiceError(f"the pages did not come up at {address} within {HEALTH_TIMEOUT_S:.0f} s")
            log.warning("the collector has not reached the broker yet; it goes on trying (see `tackfree doctor`)")
            break
        stop.wait(0.1)
    if not stop.is_set():
        say(f"Open {address}   (MQTT broker at {settings.mqtt.host}:{settings.mqtt.port}; Ctrl-C stops)")


def _healthy(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


def _listening(settings: Settings, since_ms: int) -> bool:
    """Whether the collector of this run is connected, so that what is published from now on is heard."""
    try:
        state = json.loads((settings.data.path / STATE_FILE).read_text(encoding="utf-8"))
        return bool(state["connected"]) and int(state["written_ms"]) >= since_ms
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _stop(parts: Sequence[Part]) -> None:
    """Pages and nodes first, the broker last, so that what is on its way is still stored."""
    for part in reversed(parts):
        if part.process is None or part.process.poll() is not None:
            continue
        part.process.terminate()
        try:
            part.process.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            log.warning("%s did not stop within %.0f s and is killed", part.name, STOP_TIMEOUT_S)
            part.process.kill()
            part.process.wait()


@contextlib.contextmanager
def _signals_set(stop: threading.Event) -> Iterator[None]:
    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _ingest_part(settings: Settings, stop: threading.Event) -> None:
    store = SqliteReadingStore(settings.data.readings_file)
    records = open_records(settings.data.records_url)
    ingest = Ingest(settings, store)

    def publish_retained(topic: str, payload: bytes) -> None:
        ingest.publish(topic, payload, retain=True)

    def publish_once(topic: str, payload: bytes) -> None:
        ingest.publish(topic, payload, retain=False)  # a retained time would be an old one

    rules = [
        retention(store, records, settings.data.raw_days),
        button_rule(store, records),
        lamp_rule(store, records, settings, publish_retained),
        time_rule(store, publish_once),
    ]
    # A look at the whole shop takes seconds, a mail server that hangs longer: neither may keep a button waiting, and a
    # handle of its own keeps what the watch reads from holding up the writer.
    watched = SqliteReadingStore(settings.data.readings_file, read_only=True)
    courier = duty.courier_of(records, settings)
    watch = duty.watch_rule(watched, records, settings, publish_retained, courier, progress.rack)
    threads = [
        threading.Thread(target=engine.run, args=(rules, stop, ALERT_PERIOD_S, _now_ms), name="rules", daemon=True),
        threading.Thread(target=engine.run, args=([watch], stop, WATCH_PERIOD_S, _now_ms), name="watch", daemon=True),
        threading.Thread(target=courier.run, args=(stop, COURIER_PERIOD_S), name="courier", daemon=True),
    ]
    for thread in threads:
        thread.start()
    try:
        ingest.run(stop)
    finally:
        stop.set()
        deadline = time.monotonic() + THREADS_END_WITHIN_S
        for thread in threads:
            thread.join(max(0.0, deadline - time.monotonic()))
        records.close()
        watched.close()
        store.close()


def _die_with_parent() -> None:
    """Ask Linux to end this part when its parent is killed, so that none is left holding a port."""
    if sys.platform == "linux":
        set_parent_death_signal = 1
        ctypes.CDLL(None, use_errno=True).prctl(set_parent_death_signal, signal.SIGTERM, 0, 0, 0)


def set_up_logging(stream: IO[str] | None = None) -> None:
    """One line an event an owner could act on, to stderr."""
    logging.getLogger("alembic").setLevel(logging.WARNING)
    logging.basicConfig(stream=stream, level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")


def main(arguments: Sequence[str]) -> int:
    """Run one part in this process: ``broker``, ``ingest``, ``nodes SEED`` or ``dashboard``."""
    _die_with_parent()
    set_up_logging()
    name = arguments[0]
    if name == "dashboard":
        runpy.run_module("dashboard.serve", run_name="__main__")
        return 0
    stop = threading.Event()
    try:
        settings = configuration.load()
        # Ctrl-C reaches the whole group; the parent alone decides on the order in which the parts stop.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, lambda *_: stop.set())
        if name == "broker":
            from collector.broker import run_broker  # its library is heavy, and only this part needs it

            run_broker(settings.mqtt, stop, settings.data.path / node_access.FOLDER)
        elif name == "ingest":
            _ingest_part(settings, stop)
        elif name == "nodes":
            sys.argv = ["collector.demo", "--seed", arguments[1]]
            runpy.run_module("collector.demo", run_name="__main__")
    except StoreError as error:
        print(f"tackfree {name}: {error}", file=sys.stderr)
        return 1
    except TackfreeError as error:
        print(f"tackfree {name}: {error}", file=sys.stderr)
        return CANNOT_START
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
