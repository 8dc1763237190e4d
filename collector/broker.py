"""The embedded MQTT broker: nothing to install, enough for one shop.

It keeps queued messages in memory only and may lose them when it stops. That does no harm, since a node keeps each
record until the collector says it is stored; a shop that wants more runs mosquitto with ``docs/mosquitto.conf``.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import threading
from dataclasses import dataclass
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.errors import BrokerError
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

from collector.errors import ServiceError
from collector.settings import Mqtt

POLL_S: Final = 0.1


class SharedPassword(BaseAuthPlugin):  # type: ignore[misc]  # the library is not typed
    """Lets in whoever knows the one user name and password of the settings."""

    @dataclass
    class Config:
        """The user name and password."""

        username: str = ""
        password: str = ""

    async def authenticate(self, *, session: Session) -> bool:
        """Whether this session's user name and password are right."""
        given = (session.username or "", session.password or "")
        wanted = (self.config.username, self.config.password)
        return all(hmac.compare_digest(a.encode(), b.encode()) for a, b in zip(given, wanted, strict=True))


def run_broker(settings: Mqtt, stop: threading.Event) -> None:
    """Serve MQTT 3.1.1 until ``stop`` is set.

    Raises
    ------
    ServiceError
        If the address cannot be listened at.
    """
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.ERROR)
    asyncio.run(_serve(settings, stop))


async def _serve(settings: Mqtt, stop: threading.Event) -> None:
    broker = Broker(_configuration(settings))
    try:
        await broker.start()
    except (BrokerError, OSError) as error:
        raise ServiceError(
            f"the built-in broker cannot listen at {settings.host}:{settings.port}: {error}. "
            "Set another [mqtt] port, or [mqtt] embedded = false to use the broker that runs there."
        ) from error
    try:
        while not stop.is_set():
            await asyncio.sleep(POLL_S)
    finally:
        await broker.shutdown()


def _configuration(settings: Mqtt) -> dict[str, Any]:
    gate: dict[str, dict[str, Any]]
    if settings.username:
        gate = {"collector.broker.SharedPassword": {"username": settings.username, "password": settings.password}}
    else:
        gate = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{settings.host}:{settings.port}", "max_connections": 200}},
        "plugins": gate,
    }
