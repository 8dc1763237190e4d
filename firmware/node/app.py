"""The node put together: tasks that each survive their own exceptions, around one spool."""

import asyncio
import gc
import json
import os

from node import VERSION, clock, pace, record, senml
from node.button import Button
from node.clock import Clock
from node.courier import Courier
from node.faultlog import FaultLog
from node.lamp import Lamp
from node.link import Link
from node.memory import Memory
from node.sampler import Sampler
from node.spool import Spool

_NTP_AGAIN_MS = 6 * 3600000
_STUCK_AFTER_MS = 120000


class Node:
    """``stations`` are the sensors; the pins, the network and the watchdog may each be None."""

    def __init__(self, config, stations, wlan=None, button=None, lamp=None, watchdog=None, reset_cause=""):
        self._config = config
        data = config["data"]
        try:
            os.mkdir(data)
        except OSError:
            pass
        self._watchdog = watchdog
        self._reset_cause = reset_cause
        self.faultlog = FaultLog(data)
        self.memory = Memory(data)
        self.memory.update(boot=self.memory["boot"] + 1)
        self.spool = Spool(data + "/spool", config["spool_kib"] * 1024)
        self._dropped_before = self.memory["dropped"]
        last = self.spool.last()
        self.clock = Clock(self.memory, record.times(last)[1] + 1 if last else 0)
        self.courier = Courier(self.spool, self.memory, config["backlog_per_s"])
        self._wait_for_clock_ms = 1000 * config["clock_wait_s"]
        running_ms = self.clock.running_ms
        self.sampler = Sampler(stations, self._keep_sample, running_ms, self._sensor_error)
        self.link = Link(
            config, self.courier, self._real_ms, self._may_send, self._message, self._status, wlan
        )
        self.link.on_time = self._on_time
        self.link.on_status_taken = self._on_status_taken
        self.button = Button(button, self._pressed) if button else None
        self.lamp = Lamp(lamp, running_ms) if lamp else None
        if self.lamp:
            self.link.on_verdict = self.lamp.tell
        self._errors_told = 0

    async def run(self):
        """Run for ever."""
        tasks = [("sampler", self.sampler.run), ("link", self.link.run), ("clock", self._keep_time)]
        if self.button:
            tasks.append(("button", self.button.run))
        if self.lamp:
            tasks.append(("lamp", self.lamp.run))
        for name, task in tasks:
            asyncio.create_task(self._supervised(name, task))
        await self._watch()

    async def _supervised(self, name, task):
        pause_ms = 1000
        while True:
            try:
                await task()
            except Exception as error:
                gc.collect()  # it may have been the memory
                self.faultlog.add(name, error)
            await pace.sleep_ms(pause_ms)
            pause_ms = min(2 * pause_ms, 60000)

    def _real_ms(self):
        return pace.real_ms(self.clock.running_ms())

    async def _watch(self):
        """Feed the watchdog as long as the sampler and the link move; the board restarts otherwise."""
        while True:
            now = self.clock.running_ms()
            if self.lamp:
                self.lamp.linked = self.link.since_ms is not None
            sampler_late = now - self.sampler.next_ms > _STUCK_AFTER_MS
            link_late = self._real_ms() - self.link.beat_ms > 3 * _STUCK_AFTER_MS
            if self._watchdog and not sampler_late and not link_late:
                self._watchdog.feed()
            gc.collect()
            await asyncio.sleep_ms(1000)

    async def _keep_time(self):
        """Ask for the time until it is known, then every six hours."""
        host = self._config["ntp"] or self._config["mqtt"]["host"]
        pause_ms = 5000
        while True:
            if self.link.has_network:
                try:
                    if host == "system":
                        self.clock.set(clock.system_ms(), "system")
                    else:
                        self.clock.set(await clock.ask_ntp(host, self.clock.running_ms), "ntp")
                    self.link.wake()
                    pause_ms = _NTP_AGAIN_MS
                except OSError:
                    # The broker's time may do instead; the status tells which it is.
                    pause_ms = min(2 * pause_ms, 600000)
            await pace.sleep_ms(pause_ms)

    def _on_time(self, payload):
        if self.clock.source in (None, "broker") and payload.isdigit() and len(payload) < 15:
            self.clock.set(int(payload), "broker")

    def _keep(self, kind, values, words):
        running, now = self.clock.stamp()
        self.spool.append(record.encode(kind, self.clock.boot, running, now, values, words))
        dropped = self._dropped_before + self.spool.dropped
        if dropped != self.memory["dropped"]:
            self.memory.update(dropped=dropped)
        self.link.wake()

    def _keep_sample(self, values, words):
        self._keep(record.SAMPLE, values, words)

    def _pressed(self, how):
        self._keep(record.EVENT, [], [("button", how)])

    def _sensor_error(self, error):
        self.faultlog.add("sensor", error)

    def _may_send(self, connected_for_ms):
        # Without a clock a sample's time is only its age, so a minute is well spent on getting the clock set.
        return self.clock.is_set or connected_for_ms >= self._wait_for_clock_ms

    def _message(self, index):
        """(topic, payload) of a record, or None if it is gone."""
        payload = self.spool.read(index)
        if payload is None:
            if index == self.spool.first:
                self.spool.skip_unreadable()
            return None
        kind, values, words = record.decode(payload)
        how, when = self.clock.date(*record.times(payload))
        if how != clock.DATED:
            words.append(("clock", "unset"))
        text = senml.pack(
            self._config["node"],
            values,
            words,
            time_ms=None if how == clock.UNDATED else when,
            age_ms=when if how == clock.UNDATED else None,
            seq=self.courier.seq(index),
            oldest_seq=self.courier.seq(self.spool.first),
        )
        topic = "tackfree/%s/%s/%s" % (
            self._config["booth"],
            self._config["node"],
            "events" if kind == record.EVENT else "readings",
        )
        return topic, text

    def _status(self):
        errors = self.faultlog.unreported()
        self._errors_told = len(errors)
        return json.dumps(
            {
                "state": "online",
                "firmware": VERSION,
                "uptime_s": self.clock.uptime_ms() // 1000,
                "boot": self.memory["boot"],
                "reset": self._reset_cause,
                "heap_free": gc.mem_free(),
                "spool": len(self.spool),
                "dropped": self.memory["dropped"],
                "damaged": self.spool.damaged,
                "repeats": self.courier.repeats,
                "connects": self.link.connects,
                "clock": "set" if self.clock.is_set else "unset",
                "clock_source": self.clock.source,
                "faults": self.sampler.faults,
                "errors": errors,
                "errors_unlogged": self.faultlog.unlogged,
            }
        ).encode()

    def _on_status_taken(self):
        if self._errors_told:
            self.faultlog.reported()
            self._errors_told = 0
