"""`tackfree doctor`: looks at each part of a running shop and says how to mend each fault."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.errors import TackfreeError
from collector.readings.sqlite import SqliteReadingStore
from collector.records.repository import open_records
from collector.settings import Settings
from collector.wire import FUTURE_TOLERANCE_MS

OK: Final = "ok"
WARN: Final = "warn"
FAULT: Final = "fault"

LOW_DISK_BYTES: Final = 2 * 1024**3
DAY_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing looked at: ``ok``, ``warn`` or ``fault``, what was seen, and how to mend it."""

    subject: str
    state: str
    seen: str
    mend: str = ""


def examine(settings: Settings, now_ms: int) -> list[Finding]:
    """Every finding, in the order a person would mend them."""
    steps: tuple[Callable[[], Iterator[Finding]], ...] = (
        lambda: _settings(settings),
        lambda: _data_folder(settings),
        lambda: _clock(),
        lambda: _broker(settings),
        lambda: _collector(settings, now_ms),
        lambda: _records(settings),
        lambda: _readings(settings, now_ms),
    )
    return [finding for step in steps for finding in step()]


def _settings(settings: Settings) -> Iterator[Finding]:
    place = str(settings.file) if settings.file else "defaults (no settings file)"
    zone = settings.shop.zone.key
    yield Finding(subject="settings", state=OK, seen=f"{place}; time zone {zone}, units {settings.shop.units}")


def _data_folder(settings: Settings) -> Iterator[Finding]:
    folder = settings.data.path
    if not folder.is_dir():
        yield Finding(
            subject="data folder",
            state=FAULT,
            seen=f"{folder} is not there",
            mend="start `tackfree serve` once, or set [data] folder",
        )
        return
    probe = folder / f".probe-{uuid.uuid4().hex}"
    try:
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError as error:
        yield Finding(
            subject="data folder",
            state=FAULT,
            seen=f"{folder} cannot be written: {error.strerror}",
            mend="give the user that runs tackfree the right to write there",
        )
    else:
        yield Finding(subject="data folder", state=OK, seen=f"{folder} can be written")
    free = shutil.disk_usage(folder).free
    low = free < LOW_DISK_BYTES
    yield Finding(
        subject="disk",
        state=WARN if low else OK,
        seen=f"{free / 1024**3:.1f} GiB free",
        mend="free some room, or keep raw readings for fewer days ([data] raw_days)" if low else "",
    )


def _clock() -> Iterator[Finding]:
    try:
        answer = subprocess.run(
            ["timedatectl", "show", "--property=NTPSynchronized", "--value"],
            capture_output=True,
            text=True,
            timeout=5,
            check=False,
        ).stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        answer = ""
    if answer == "yes":
        yield Finding(subject="clock", state=OK, seen="this machine's clock is kept by a time server")
    else:
        told = "is not kept by a time server" if answer == "no" else "cannot be told to be kept by a time server"
        yield Finding(
            subject="clock",
            state=WARN,
            seen=f"this machine's clock {told}; it reads {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC",
            mend="compare it with a watch; turn on network time (timedatectl set-ntp true)",
        )


def _broker(settings: Settings) -> Iterator[Finding]:
    host, port = settings.mqtt.host, settings.mqtt.port
    where = f"{host}:{port}"
    try:
        socket.create_connection((host, port), timeout=3).close()
    except OSError as error:
        start = "start `tackfree serve`" if settings.mqtt.embedded else "start that broker"
        yield Finding(
            subject="broker",
            state=FAULT,
            seen=f"nothing answers at {where}: {error}",
            mend=f"{start}, or correct [mqtt] host and port",
        )
        return
    problem = _round_trip(settings)
    yield Finding(
        subject="broker",
        state=FAULT if problem else OK,
        seen=problem or f"{where} passes a message there and back",
        mend="check [mqtt] username, TACKFREE_MQTT_PASSWORD, ca_file and the broker's access list" if problem else "",
    )


def _round_trip(settings: Settings) -> str:
    """Empty when a message came back, else what went wrong."""
    topic = f"tackfree-doctor/{uuid.uuid4().hex}"
    returned, refused = threading.Event(), []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"doctor-{uuid.uuid4().hex[:12]}")
    if settings.mqtt.username:
        client.username_pw_set(settings.mqtt.username, settings.mqtt.password)
    if settings.mqtt.ca_file:
        client.tls_set(settings.mqtt.ca_file)

    def on_connect(connected: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
            returned.set()
        else:
            connected.subscribe(topic, qos=1)

    def on_subscribe(subscribed: mqtt.Client, *_: Any) -> None:
        subscribed.publish(topic, b"there and back", qos=1)

    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    client.on_message = lambda *_: returned.set()
    try:
        client.connect(settings.mqtt.host, settings.mqtt.port, keepalive=10)
    except (OSError, ValueError) as error:
        return f"cannot connect: {error}"
    client.loop_start()
    came_back = returned.wait(5)
    client.disconnect()
    client.loop_stop()
    if refused:
        return f"the broker refuses this user: {refused[0]}"
    return "" if came_back else "a message sent did not come back within 5 s"


def _collector(settings: Settings, now_ms: int) -> Iterator[Finding]:
    file = settings.data.path / "ingest-state.json"
    try:
        state = json.loads(file.read_text(encoding="utf-8"))
        age_s = (now_ms - int(state["written_ms"])) / 1000
    except (OSError, ValueError, KeyError, TypeError):
        yield Finding(
            subject="collector",
            state=FAULT,
            seen="it has left no sign of life",
            mend="start `tackfree serve`",
        )
        return
    if age_s > 30:
        yield Finding(
            subject="collector",
            state=FAULT,
            seen=f"its last sign of life is {age_s:.0f} s old",
            mend="start `tackfree serve`; if it runs, read its messages",
        )
    elif state.get("paused"):
        yield Finding(
            subject="collector",
            state=FAULT,
            seen=f"paused: {state['paused']}",
            mend="free the disk; nodes keep their readings and send them again",
        )
    elif not state.get("connected"):
        yield Finding(
            subject="collector",
            state=FAULT,
            seen=state.get("trouble") or "not connected to the broker",
            mend="see broker above",
        )
    else:
        yield Finding(subject="collector", state=OK, seen=f"connected; {state.get('stored', 0)} readings stored")


def _records(settings: Settings) -> Iterator[Finding]:
    if not (settings.data.path / "records.sqlite").exists():
        yield Finding(
            subject="records",
            state=FAULT,
            seen="there is no record store yet",
            mend="start `tackfree serve` once",
        )
        return
    try:
        records = open_records(settings.data.records_url)
        pieces, materials = len(records.pieces()), len(records.materials())
        records.close()
    except TackfreeError as error:
        yield Finding(subject="records", state=FAULT, seen=str(error), mend="restore the file from a copy")
        return
    yield Finding(subject="records", state=OK, seen=f"{pieces} pieces in hand, {materials} materials")


def _readings(settings: Settings, now_ms: int) -> Iterator[Finding]:
    if not settings.data.readings_file.exists():
        yield Finding(
            subject="readings",
            state=FAULT,
            seen="there is no reading store yet",
            mend="start `tackfree serve` once",
        )
        return
    try:
        store = SqliteReadingStore(settings.data.readings_file, read_only=True)
    except TackfreeError as error:
        yield Finding(subject="readings", state=FAULT, seen=str(error), mend="restore the file from a copy")
        return
    try:
        yield Finding(subject="readings", state=OK, seen=f"{len(store.series())} series")
        yield from _nodes(store, settings, now_ms)
        yield _dead_letters(store, now_ms)
    finally:
        store.close()


def _nodes(store: SqliteReadingStore, settings: Settings, now_ms: int) -> Iterator[Finding]:
    states = store.nodes()
    if not states:
        yield Finding(
            subject="nodes",
            state=WARN,
            seen="no node has ever been heard",
            mend="point a node at the broker, or try `tackfree demo`",
        )
    for node in states:
        subject = f"node {node.booth}/{node.node}"
        last = node.last_reading_ms
        if last is None:
            yield Finding(
                subject=subject,
                state=WARN,
                seen="never sent a reading",
                mend="check its sensors and its pack",
            )
            continue
        age_s = (now_ms - last) / 1000
        counted = f"; {node.missing} packs lost, {node.waiting} on their way" if node.stored_seq is not None else ""
        if now_ms - last < -FUTURE_TOLERANCE_MS:
            yield Finding(
                subject=subject,
                state=FAULT,
                seen=f"its last reading lies {-age_s:.0f} s in the future{counted}",
                mend="set this machine's clock and the node's",
            )
        elif age_s > settings.readiness.stale_after_s:
            yield Finding(
                subject=subject,
                state=WARN,
                seen=f"last reading {_age(age_s)} ago{counted}",
                mend="check its power, its network and its lamp; it keeps its readings meanwhile",
            )
        else:
            yield Finding(subject=subject, state=OK, seen=f"last reading {_age(max(age_s, 0))} ago{counted}")


def _dead_letters(store: SqliteReadingStore, now_ms: int) -> Finding:
    count = store.dead_letter_count(now_ms - DAY_MS)
    if not count:
        return Finding(subject="refused messages", state=OK, seen="none in the last 24 h")
    newest = store.dead_letters(1)[0]
    return Finding(
        subject="refused messages",
        state=WARN,
        seen=f"{count} in the last 24 h; newest on {newest.topic}: {newest.reason}",
        mend="mend what sends them; they are kept, see `tackfree export dead-letters`",
    )


def _age(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} d"
