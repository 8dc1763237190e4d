"""Promises of the whole node, without a broker: it outlives its mistakes and is restarted if it hangs."""

import asyncio
import json

import flash
from node import pace, record
from node.app import Node
from node.config import check
from node.sampler import Station

CONFIG = {"booth": "booth-1", "node": "n1", "mqtt": {"host": "127.0.0.1", "port": 1}, "data": "/flash/data"}


class Sensor:
    quantities = ("air_temperature",)

    def __init__(self, read=None):
        self.count = 0
        self._read = read

    async def read(self):
        self.count += 1
        if self._read:
            return await self._read()
        return {"air_temperature": self.count}


class Pin:
    level = 1

    def value(self, level=None):
        if level is not None:
            self.level = level
        return self.level


class Watchdog:
    fed = 0

    def feed(self):
        self.fed += 1


async def run(node, ms):
    task = asyncio.create_task(node.run())
    try:
        await asyncio.sleep_ms(ms)
    finally:
        task.cancel()
        asyncio.new_event_loop()
        pace.SPEED = 1


def made(sensor=None, new=True, **options):
    if new:
        flash.fresh(blocks=64)
    return Node(check(CONFIG), [Station(sensor or Sensor(), 100)], **options)


def samples(node):
    return [record.decode(node.spool.read(i)) for i in range(node.spool.first, node.spool.next)]


async def test_without_a_broker_samples_gather_on_flash():
    node = made()
    await run(node, 650)
    values = [values[0][1] for _, values, _ in samples(node)]
    assert values == list(range(1, len(values) + 1)) and len(values) >= 5
    node.spool.close()
    again = made(new=False)
    assert len(again.spool) == len(values)
    assert again.memory["boot"] == 2
    assert again.clock.running_ms() >= record.times(again.spool.last())[1]


async def test_a_press_is_kept_as_an_event():
    button = Pin()
    node = made(button=button)
    task = asyncio.create_task(node.run())
    await asyncio.sleep_ms(100)
    button.level = 0
    await asyncio.sleep_ms(200)
    button.level = 1
    await asyncio.sleep_ms(200)
    task.cancel()
    asyncio.new_event_loop()
    assert (record.EVENT, [], [("button", "short")]) in samples(node)


async def test_a_task_that_fails_is_logged_and_started_again():
    node = made()
    calls = []

    def failing(values, words):
        calls.append(values)
        if len(calls) == 1:
            raise RuntimeError("flash on fire")
        node._keep_sample(values, words)

    node.sampler._keep = failing
    await run(node, 1600)
    assert len(samples(node)) > 2
    assert "RuntimeError: flash on fire" in node.faultlog.unreported()[0]
    assert "RuntimeError" in json.loads(node._status())["errors"][0]


async def test_a_driver_s_mistake_is_logged_and_the_fault_is_told():
    async def wrong():
        return 1 // 0

    node = made(Sensor(wrong))
    await run(node, 150)
    assert samples(node)[0][2] == [("air_temperature", "fault: error")]
    assert "ZeroDivisionError" in node.faultlog.unreported()[0]


async def test_the_watchdog_is_fed_while_all_is_well():
    watchdog = Watchdog()
    node = made(watchdog=watchdog)
    await run(node, 1200)
    assert watchdog.fed == 2


async def test_the_watchdog_is_not_fed_when_a_sensor_hangs_the_sampler():
    async def hang():
        await asyncio.sleep_ms(3600000)

    watchdog = Watchdog()
    pace.SPEED = 100
    node = made(Sensor(hang), watchdog=watchdog)
    await run(node, 2500)
    assert watchdog.fed == 2  # at 0 and 100 s; at 200 s the sampler has been late for more than two minutes


async def test_the_drop_count_outlives_a_reboot():
    flash.fresh(blocks=64)
    config = check(dict(CONFIG, spool_kib=8))
    node = Node(config, [])
    for n in range(400):
        node._keep_sample([("air_temperature", n)], [])
    dropped = node.spool.dropped
    assert dropped > 0
    node.spool.close()
    again = Node(config, [])
    assert json.loads(again._status())["dropped"] == dropped
    assert len(again.spool) == 400 - dropped
