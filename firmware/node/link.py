"""Keeps the node in touch: Wi-Fi, the broker, and over it the records the courier picks.

Whatever breaks, the link starts again from the lowest thing that is down, after a pause that doubles up to a
minute and is jittered, so that the nodes of a shop do not all come back in the same second.
"""

import asyncio
import random

from node import mqtt

FIRST_PAUSE_MS, LONGEST_PAUSE_MS = 1000, 60000
_WIFI_WAIT_MS = 15000
_WIFI_RESTART_EVERY = 4  # failures in a row after which the radio is switched off and on


class Backoff:
    """Pauses in milliseconds: doubling, each shortened by up to half at random."""

    def __init__(self, bits=random.getrandbits):
        self._bits = bits
        self.good()

    def good(self):
        self._pause_ms = FIRST_PAUSE_MS

    def pause_ms(self):
        pause, self._pause_ms = self._pause_ms, min(2 * self._pause_ms, LONGEST_PAUSE_MS)
        return pause - pause * self._bits(10) // 2048


def verified_tls(ca_file):
    """A TLS context that talks to nobody but a server that this authority vouches for, by its name."""
    import ssl
    from binascii import a2b_base64

    with open(ca_file, "rb") as file:
        authority = file.read()
    if b"-----BEGIN" in authority:
        # Boards read DER only. The text form is the same in base64 between two marker lines.
        authority = a2b_base64(authority.split(b"-----")[2])
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=authority)
    return context


class Link:
    """``message(index)`` gives (topic, payload) of a record or None; ``status(full)`` the status payload."""

    def __init__(self, config, courier, running_ms, may_send, message, status, wlan=None):
        broker = config["mqtt"]
        self._broker = broker
        self._wifi = config["wifi"]
        self._wlan = wlan
        self._courier, self._running_ms = courier, running_ms
        self._may_send, self._message, self._status = may_send, message, status
        self._status_every_ms = 1000 * config["status_s"]
        root = "tackfree/" + config["booth"]
        self._own = root + "/" + config["node"]
        self._name = config["booth"] + "-" + config["node"]
        self._heard = {
            self._own + "/stored": self._on_stored,
            root + "/verdict": lambda payload, retained: self.on_verdict(payload),
            root + "/time": lambda payload, retained: None if retained else self.on_time(payload),
        }
        self.on_verdict = self.on_time = lambda payload: None
        self.on_status_taken = lambda: None
        self._wake = asyncio.Event()
        self._status_pid = None
        self._tls = None
        self._backoff = Backoff()
        self._failures = 0
        self.failure = None  # why the last connection ended or was not made
        self.connects = 0
        self.since_ms = None  # running time at which the present connection stood, or None
        self.beat_ms = running_ms()

    def wake(self):
        """There is something new to send."""
        self._wake.set()

    @property
    def has_network(self):
        return self._wlan is None or self._wlan.isconnected()

    async def run(self):
        while True:
            self.beat_ms = self._running_ms()
            try:
                await self._join()
                await self._session()
            except OSError as error:
                self.failure = str(error) or type(error).__name__
                self._failures += 1
            await asyncio.sleep_ms(self._backoff.pause_ms())

    async def _join(self):
        if self._wlan is None or self._wlan.isconnected():
            return
        if self._failures % _WIFI_RESTART_EVERY == _WIFI_RESTART_EVERY - 1:
            self._wlan.active(False)
        self._wlan.active(True)
        self._wlan.connect(self._wifi["ssid"], self._wifi["password"])
        began = self._running_ms()
        while not self._wlan.isconnected():
            if self._running_ms() - began > _WIFI_WAIT_MS:
                self._wlan.disconnect()
                raise OSError("Wi-Fi: no connection to %s" % self._wifi["ssid"])
            await asyncio.sleep_ms(200)

    def _context(self):
        if self._broker["ca_file"] and not self._tls:
            self._tls = verified_tls(self._broker["ca_file"])
        return self._tls

    async def _session(self):
        broker = self._broker
        client = mqtt.Client(
            self._name,
            broker["username"],
            broker["password"],
            will=(self._own + "/status", '{"state":"offline"}'),
            keepalive_s=broker["keepalive_s"],
        )
        client.on_message, client.on_puback = self._on_message, self._on_puback
        try:
            await client.connect(broker["host"], broker["port"], self._context())
        except ValueError as error:
            # How the TLS layer refuses a certificate.
            raise OSError("TLS: %s" % str(error).strip())
        client.start()
        try:
            await client.subscribe(*self._heard)
            self.since_ms = self._running_ms()
            self._courier.connected(self.since_ms)
            self.connects += 1
            self._failures, self.failure = 0, None
            self._backoff.good()
            await self._send_on(client)
        finally:
            self.since_ms = None
            self._courier.disconnected()
            client.close()

    async def _send_on(self, client):
        status_ms = None
        while True:
            if client.failure:
                raise client.failure
            if not self.has_network:
                raise OSError("Wi-Fi: lost")
            now = self.beat_ms = self._running_ms()
            if self._courier.overdue(now):
                raise mqtt.MqttError("no acknowledgement of a record from the broker")
            if status_ms is None or now - status_ms >= self._status_every_ms:
                self._status_pid = client.take_pid()
                await client.publish(self._own + "/status", self._status(), self._status_pid, retain=True)
                status_ms = now
            index = self._courier.next(now) if self._may_send(now - self.since_ms) else None
            if index is None:
                self._wake.clear()
                try:
                    await asyncio.wait_for_ms(self._wake.wait(), 50)
                except asyncio.TimeoutError:
                    pass
                continue
            message = self._message(index)
            if message:
                pid = client.take_pid()
                self._courier.sent(index, pid, now)
                await client.publish(message[0], message[1], pid)

    def _on_message(self, topic, payload, retained):
        take = self._heard.get(topic)
        if take:
            take(payload, retained)

    def _on_stored(self, payload, retained):
        if payload.isdigit() and len(payload) < 19:
            self._courier.stored(int(payload), self._running_ms())
            self._wake.set()

    def _on_puback(self, pid):
        if self._courier.puback(pid):
            self._wake.set()
        elif pid == self._status_pid:
            self._status_pid = None
            self.on_status_taken()
