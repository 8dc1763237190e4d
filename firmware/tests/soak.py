"""The node with a pretended sensor, for tests that drive it from outside: ``soak.py config.json``.

The configuration's ``soak`` object: ``speed`` (node milliseconds a real one), ``period_ms``, ``samples``
(stop sampling after so many), ``log`` (a file to which every sample kept is noted: index, time, count, values),
``fault_every`` (every so many readings fails), ``heap`` (a file for the heap in use, every ten minutes of the
node's), ``clock`` (the wall's milliseconds since 1970 at which the node's clock showed the second number),
``wifi_flap_ms`` (how often and for how long the radio is away).
"""

import asyncio
import gc
import json
import sys

sys.path[:0] = ["tests", "."]

from node import pace

with open(sys.argv[1]) as file:
    given = json.load(file)
soak = given.pop("soak")
pace.SPEED = soak.get("speed", 1)

from node import clock, record
from node.app import Node
from node.config import check
from node.sampler import Station


class Fault(Exception):
    kind = "crc"


def noted():
    """How many readings the notes know of."""
    try:
        with open(soak["log"]) as log:
            last = ""
            for line in log:
                last = line
        return int(last.split()[2])
    except (OSError, IndexError):
        return 0


class Counter:
    """A sensor whose readings are all different, so that each can be told from every other."""

    quantities = ("air_temperature", "relative_humidity")

    def __init__(self):
        # After a power cut it goes on where it was, as far as that was noted.
        self.count = noted()
        self.limit = soak.get("samples", 1 << 60)

    async def read(self):
        self.count += 1
        if soak.get("fault_every") and self.count % soak["fault_every"] == 0:
            raise Fault("pretended")
        return {"air_temperature": self.count % 60000, "relative_humidity": self.count // 60000}


class Wlan:
    """A radio that drops now and then, by the node's own time."""

    def __init__(self, every_ms, for_ms):
        self._every_ms, self._for_ms = every_ms, for_ms

    def isconnected(self):
        return pace.ticks_ms() % self._every_ms > self._for_ms

    def active(self, on):
        pass

    def connect(self, ssid, password):
        pass

    def disconnect(self):
        pass


async def note_heap(path):
    while True:
        gc.collect()
        with open(path, "a") as file:
            file.write("%d\n" % gc.mem_alloc())
        await pace.sleep_ms(600000)


sensor = Counter()
config = check(given)
flap = soak.get("wifi_flap_ms")
wlan = Wlan(flap[0], flap[1]) if flap else None
if flap:
    config["wifi"] = {"ssid": "shop", "password": ""}
node = Node(config, [Station(sensor, soak.get("period_ms", 1000))], wlan=wlan)
keep = node.sampler._keep


def keep_and_note(values, words):
    if sensor.count > sensor.limit:
        return
    keep(values, words)
    index = node.spool.next - 1
    time_ms = record.times(node.spool.read(index))[2]
    with open(soak["log"], "a") as log:
        log.write("%d %d %d %s\n" % (index, time_ms or 0, sensor.count, json.dumps(values)))


node.sampler._keep = keep_and_note
if soak.get("clock"):
    wall_ms, node_ms = soak["clock"]
    node.clock.set(node_ms + (clock.system_ms() - wall_ms) * pace.SPEED, "test")


async def tell_failures():
    told = None
    while True:
        if node.link.failure != told:
            told = node.link.failure
            if told:
                print("link:", told)
        await asyncio.sleep_ms(100)


async def main():
    asyncio.create_task(tell_failures())
    if soak.get("heap"):
        asyncio.create_task(note_heap(soak["heap"]))
    await node.run()


asyncio.run(main())
