"""An MQTT 3.1.1 client of just what a node needs: QoS 1 out, subscriptions in, a last will, TLS.

Every packet leaves in one write; in pieces, the network would hold each back for the acknowledgement of the
one before. What is unacknowledged at the end of a connection is the caller's to send again.
"""

import asyncio
import struct
import time

from micropython import const

_CONNECT = const(0x10)
_CONNACK = const(0x20)
_PUBLISH = const(0x30)
_PUBACK = const(0x40)
_SUBSCRIBE = const(0x82)
_SUBACK = const(0x90)
_PINGREQ = const(0xC0)
_DISCONNECT = const(0xE0)
_REFUSALS = ("", "protocol version", "client id", "unavailable", "username or password", "not authorised")
_MAX_INCOMING = const(2048)


class MqttError(OSError):
    """The broker refused or broke off the conversation."""


def _string(text):
    raw = text if isinstance(text, bytes) else text.encode()
    return struct.pack(">H", len(raw)) + raw


def packet(head, body):
    """A control packet with its length, as one string of bytes."""
    length = len(body)
    lengths = bytearray()
    while True:
        length, digit = length >> 7, length & 0x7F
        lengths.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([head]) + bytes(lengths) + body


class Client:
    """One connection to a broker; make a new one after it broke.

    ``on_message(topic, payload, retained)`` and ``on_puback(pid)`` are called once it is started.
    ``tls`` is an ``ssl.SSLContext``; ``will`` is (topic, payload), sent retained.
    """

    def __init__(self, client_id, username=None, password=None, will=None, keepalive_s=30):
        self._id, self._username, self._password = client_id, username, password
        self._will = will
        self._keepalive_s = keepalive_s
        self._pid = 0
        self._writer = None
        self._wait_for_suback = None
        self._tasks = []
        self.on_message = self.on_puback = None
        self.failure = None

    async def connect(self, host, port, tls=None, wait_ms=10000):
        """Open the connection and be accepted, or raise OSError."""
        try:
            await asyncio.wait_for_ms(self._connect(host, port, tls), wait_ms)
        except asyncio.TimeoutError:
            self.close()
            raise MqttError("%s:%d: no answer in %d ms" % (host, port, wait_ms))
        except BaseException:
            self.close()
            raise

    async def _connect(self, host, port, tls):
        if tls:
            opening = asyncio.open_connection(host, port, ssl=tls, server_hostname=host)
        else:
            opening = asyncio.open_connection(host, port)
        self._reader, self._writer = await opening
        try:
            self._writer.s.setsockopt(6, 1, 1)  # TCP_NODELAY, where the port knows it
        except (AttributeError, OSError):
            pass
        flags, fields = 0x02, _string(self._id)  # a clean session: what is owed is in the spool
        if self._will:
            flags |= 0x2C
            fields += _string(self._will[0]) + _string(self._will[1])
        if self._username:
            flags |= 0x80
            fields += _string(self._username)
            if self._password:
                flags |= 0x40
                fields += _string(self._password)
        head = _string("MQTT") + bytes([4, flags]) + struct.pack(">H", self._keepalive_s)
        await self._send(packet(_CONNECT, head + fields))
        kind, body = await self._receive()
        if kind != _CONNACK or len(body) != 2:
            raise MqttError("%s:%d: does not speak MQTT 3.1.1" % (host, port))
        if body[1]:
            why = _REFUSALS[body[1]] if body[1] < len(_REFUSALS) else str(body[1])
            raise MqttError("%s:%d: refused (%s)" % (host, port, why))

    def start(self):
        """Read and keep alive from now on; :attr:`failure` holds the error that ends it."""
        for work in (self._read_on(), self._keep_alive()):
            self._tasks.append(asyncio.create_task(self._guarded(work)))

    async def _guarded(self, work):
        try:
            await work
        except OSError as error:
            self.failure = self.failure or error
        except Exception as error:
            self.failure = self.failure or MqttError("malformed packet (%r)" % error)
        self.close()

    async def _keep_alive(self):
        while True:
            await asyncio.sleep_ms(500)
            silent_ms = time.ticks_diff(time.ticks_ms(), self._heard)
            quiet_ms = time.ticks_diff(time.ticks_ms(), self._spoke)
            if silent_ms > 1500 * self._keepalive_s:
                raise MqttError("broker silent for %d ms" % silent_ms)
            # Asked also while it only hears: a dead line is told by an answer that does not come.
            if max(silent_ms, quiet_ms) > 500 * self._keepalive_s:
                await self._send(packet(_PINGREQ, b""))

    async def subscribe(self, *topics, wait_ms=5000):
        """Subscribe at QoS 1; returns when the broker has granted it. To be started before."""
        pid = self.take_pid()
        granted = self._wait_for_suback = asyncio.Event()
        body = struct.pack(">H", pid) + b"".join([_string(t) + b"\x01" for t in topics])
        await self._send(packet(_SUBSCRIBE, body))
        try:
            await asyncio.wait_for_ms(granted.wait(), wait_ms)
        except asyncio.TimeoutError:
            raise self.failure or MqttError("no answer to a subscription in %d ms" % wait_ms)

    def take_pid(self):
        """A packet id for :meth:`publish`; note it first, for the answer may come before publish returns."""
        self._pid = self._pid % 65535 + 1
        return self._pid

    async def publish(self, topic, payload, pid, retain=False):
        """Send at QoS 1; ``on_puback`` gets ``pid`` when the broker has it."""
        head = _PUBLISH | 2 | (1 if retain else 0)
        await self._send(packet(head, _string(topic) + struct.pack(">H", pid) + payload))

    async def disconnect(self):
        """Leave in good order: the last will is not sent."""
        await self._send(packet(_DISCONNECT, b""))
        self.close()

    def close(self):
        """Drop the connection at once."""
        for task in self._tasks:
            if task is not asyncio.current_task():
                task.cancel()
        writer, self._writer = self._writer, None
        if writer:
            try:
                writer.s.close()
            except OSError:
                pass

    async def _send(self, raw):
        if self._writer is None:
            raise MqttError("not connected")
        self._spoke = time.ticks_ms()
        self._writer.write(raw)
        await self._writer.drain()

    async def _receive(self):
        head = (await self._reader.readexactly(1))[0]
        length = shift = 0
        while True:
            digit = (await self._reader.readexactly(1))[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if not digit & 0x80:
                break
            if shift > 21:
                raise MqttError("malformed packet length")
        self._heard = time.ticks_ms()
        if length > _MAX_INCOMING:
            while length:  # nothing a node asks for is that long: read past it
                length -= len(await self._reader.readexactly(min(length, 512)))
            return 0, b""
        return head, (await self._reader.readexactly(length) if length else b"")

    async def _read_on(self):
        try:
            while True:
                head, body = await self._receive()
                kind = head & 0xF0
                if kind == _PUBLISH:
                    await self._take(head, body)
                elif kind == _PUBACK and len(body) == 2:
                    if self.on_puback:
                        self.on_puback(body[0] << 8 | body[1])
                elif kind == _SUBACK and self._wait_for_suback:
                    if 0x80 in body[2:]:
                        raise MqttError("the broker refused a subscription")
                    self._wait_for_suback.set()
        except EOFError:
            raise MqttError("connection closed by the broker")

    async def _take(self, head, body):
        at = 2 + (body[0] << 8 | body[1])
        topic = str(body[2:at], "utf-8")
        if head & 6:
            await self._send(packet(_PUBACK, body[at : at + 2]))
            at += 2
        if self.on_message:
            self.on_message(topic, body[at:], bool(head & 1))
