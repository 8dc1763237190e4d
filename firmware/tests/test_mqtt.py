"""Promises of the MQTT client, against a server of the test's own that follows a script, byte for byte."""

import asyncio

from node.link import Backoff
from node.mqtt import Client, MqttError, packet

ACCEPT = b"\x20\x02\x00\x00"


class Server:
    """Accepts one connection, notes what comes in, and sends what it is told."""

    def __init__(self, *greeting):
        self._greeting = greeting
        self.heard = []
        self.writer = None

    async def __aenter__(self):
        for port in range(20000, 60000, 7):
            try:
                self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
                self.port = port
                return self
            except OSError:
                pass
        raise OSError("no free port")

    async def __aexit__(self, *_):
        self._server.close()
        if self.writer:
            self.writer.s.close()

    async def _serve(self, reader, writer):
        self.writer = writer
        for answer in self._greeting:
            self.heard.append(await reader.read(4096))
            writer.write(answer)
            await writer.drain()
        if self._greeting:
            try:
                while True:
                    heard = await reader.read(4096)
                    if not heard:
                        return
                    self.heard.append(heard)
            except OSError:
                pass  # closed by the test

    async def send(self, raw):
        self.writer.write(raw)
        await self.writer.drain()


async def failure(call):
    try:
        await call
    except OSError as error:
        return str(error)
    raise AssertionError("nothing was raised")


async def until(promise, ms=3000):
    while not promise():
        ms -= 10
        assert ms > 0
        await asyncio.sleep_ms(10)


def test_lengths_are_written_as_the_standard_has_them():
    # MQTT 3.1.1, table 2.4: the smallest and largest length of one, two and three bytes.
    for length, head in (
        (0, b"\x00"),
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (16383, b"\xff\x7f"),
        (16384, b"\x80\x80\x01"),
    ):
        raw = packet(0x30, bytes(length))
        assert raw[1 : 1 + len(head)] == head and len(raw) == 1 + len(head) + length


async def test_the_connect_packet_is_that_of_the_standard_in_one_write():
    async with Server(ACCEPT) as server:
        client = Client("n1", "user", "secret", will=("t/status", "off"), keepalive_s=10)
        await client.connect("127.0.0.1", server.port)
        # MQTT 3.1.1, section 3.1: will QoS 1 retained, user name, password, clean session: 0xEE.
        body = b"\x00\x04MQTT\x04\xee\x00\x0a\x00\x02n1\x00\x08t/status\x00\x03off\x00\x04user\x00\x06secret"
        assert server.heard == [b"\x10" + bytes([len(body)]) + body]
        client.close()


async def test_a_publication_is_one_write_and_its_acknowledgement_is_told():
    async with Server(ACCEPT) as server:
        client, taken = Client("n1"), []
        client.on_puback = taken.append
        await client.connect("127.0.0.1", server.port)
        client.start()
        pid = client.take_pid()
        await client.publish("a/b", b"xyz", pid, retain=True)
        await until(lambda: len(server.heard) == 2)
        assert server.heard[1] == b"\x33\x0a\x00\x03a/b\x00\x01xyz"
        await server.send(b"\x40\x02\x00\x01")
        await until(lambda: taken == [1])
        client.close()


async def test_a_message_is_handed_over_and_acknowledged():
    async with Server(ACCEPT) as server:
        client, taken = Client("n1"), []
        client.on_message = lambda *message: taken.append(message)
        await client.connect("127.0.0.1", server.port)
        client.start()
        await server.send(b"\x31\x06\x00\x03a/b7" + b"\x32\x08\x00\x03a/b\x00\x0985"[:10])
        await until(lambda: len(taken) == 2)
        assert taken == [("a/b", b"7", True), ("a/b", b"8", False)]
        await until(lambda: server.heard[1:] == [b"\x40\x02\x00\x09"])
        client.close()


async def test_packet_ids_are_never_0():
    client = Client("n1")
    client._pid = 65534
    assert [client.take_pid() for _ in range(3)] == [65535, 1, 2]


async def test_a_refusal_names_its_reason():
    for code, reason in ((4, "username or password"), (5, "not authorised"), (77, "77")):
        async with Server(b"\x20\x02\x00" + bytes([code])) as server:
            assert reason in await failure(Client("n1").connect("127.0.0.1", server.port))


async def test_something_else_on_the_port_is_told_from_a_broker():
    async with Server(b"HTTP/1.1 400 Bad Request\r\n\r\n" + bytes(100)) as server:
        await failure(Client("n1").connect("127.0.0.1", server.port, wait_ms=1000))


async def test_a_server_that_says_nothing_is_given_up():
    async with Server() as server:
        said = await failure(Client("n1").connect("127.0.0.1", server.port, wait_ms=300))
        assert "no answer in 300 ms" in said


async def test_a_huge_message_is_passed_over_and_the_next_is_read():
    async with Server(ACCEPT) as server:
        client, taken = Client("n1"), []
        client.on_message = lambda topic, payload, retained: taken.append(payload)
        await client.connect("127.0.0.1", server.port)
        client.start()
        await server.send(packet(0x30, b"\x00\x03a/b" + bytes(100000)))
        await server.send(packet(0x30, b"\x00\x03a/bok"))
        await until(lambda: taken == [b"ok"])
        client.close()


async def test_malformed_packets_and_a_closed_connection_end_it():
    for raw, reason in (
        (b"\x30\xff\xff\xff\xff\xff", "malformed"),
        (b"\x32\x01\x00", "malformed"),
        (None, "closed"),
    ):
        async with Server(ACCEPT) as server:
            client = Client("n1")
            await client.connect("127.0.0.1", server.port)
            if raw:
                await server.send(raw)
            else:
                server.writer.s.close()
            client.start()
            await until(lambda: client.failure)
            assert reason in str(client.failure)


async def test_a_broker_that_refuses_the_subscription_is_left():
    async with Server(ACCEPT, b"\x90\x03\x00\x01\x80") as server:
        client = Client("n1")
        await client.connect("127.0.0.1", server.port)
        client.start()
        assert "refused a subscription" in await failure(client.subscribe("a", wait_ms=1000))


async def test_a_quiet_line_is_kept_alive_and_a_dead_one_left():
    async with Server(ACCEPT) as server:
        client = Client("n1", keepalive_s=1)
        await client.connect("127.0.0.1", server.port)
        client.start()
        await until(lambda: client.failure)
        assert "silent" in str(client.failure)
        assert server.heard[1] == b"\xc0\x00"


def test_pauses_double_to_a_minute_and_are_shortened_at_random():
    longest = Backoff(lambda bits: 0)
    assert [longest.pause_ms() for _ in range(8)] == [1000, 2000, 4000, 8000, 16000, 32000, 60000, 60000]
    shortest = Backoff(lambda bits: (1 << bits) - 1)
    assert 500 <= shortest.pause_ms() < 510
    longest.good()
    assert longest.pause_ms() == 1000


def test_a_refusal_is_an_oserror_as_all_that_a_network_does():
    assert issubclass(MqttError, OSError)
