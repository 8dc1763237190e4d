"""The built-in MQTT broker: a pipe between the nodes and the collector that needs no installing.

It keeps nothing when it stops. That costs no reading, since a node deletes a record only when the collector
says it is stored. A shop that runs several collectors or wants TLS uses mosquitto instead (``docs/mosquitto.conf``).
"""

from __future__ import annotations

import asyncio
import errno
import hmac
import ipaddress
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.contexts import Action
from amqtt.errors import BrokerError
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin

from collector.errors import ServiceError, StoreError
from collector.node_access import Access
from collector.settings import Mqtt

log = logging.getLogger(__name__)

ABSENT_SESSION_S: Final = 600
"""Messages for a persistent client that is away are kept this long at most, which bounds the memory."""

STOP_TIMEOUT_S: Final = 1.0
POLL_S: Final = 0.1


class ShopLogin(BaseAuthPlugin, BaseTopicPlugin):  # type: ignore[misc]  # the library is not typed
    """Lets in whoever knows the shop's user name and password, with all rights, and each registered node with its own.

    When no user name is set, everybody is let in and may do everything. The library's own anonymous login is
    not used: it keeps no messages for a client that is away.
    """

    @dataclass
    class Config:
        """What the broker hands to this plugin; ``nodes`` is the folder of the nodes' passwords and rights."""

        username: str = ""
        password: str = ""
        nodes: str = ""

        def __repr__(self) -> str:
            return "Config(hidden)"

    def __init__(self, context: Any) -> None:
        super().__init__(context)
        self._access = Access(Path(self.config.nodes)) if self.config.nodes else None

    async def authenticate(self, *, session: Any) -> bool:
        """Whether this session's user name and password are right, and its last will is one it may publish."""
        if not self.config.username:
            return True
        name_fits = hmac.compare_digest(_octets(session.username), _octets(self.config.username))
        password_fits = hmac.compare_digest(_octets(session.password), _octets(self.config.password))
        if name_fits and password_fits:
            return True
        try:
            known = self._access is not None and self._access.knows(session.username or "", session.password or "")
        except (StoreError, UnicodeError) as error:
            log.warning("a login is refused: %s", error)
            return False
        # The library publishes a last will without asking about its topic.
        return known and (not session.will_topic or self._may(session, "write", session.will_topic))

    async def topic_filtering(self, *, session: Any = None, topic: str | None = None, action: Any = None) -> bool:
        """Whether this session may publish to the topic, or read all that its topic filter takes in."""
        if not self.config.username:
            return True
        return self._may(session, "write" if action == Action.PUBLISH else "read", topic or "")

    def _may(self, session: Any, right: str, topic: str) -> bool:
        if session.username == self.config.username:
            return True
        try:
            return self._access is not None and self._access.may(session.username or "", right, topic)
        except StoreError as error:
            log.warning("a message is refused: %s", error)
            return False


class _DiscreetBroker(Broker):  # type: ignore[misc]
    """Hands a client only those retained messages that it asked for.

    The library of this version sends each newcomer what is retained for the subscriptions of all others.
    """

    async def _publish_retained_messages_for_subscription(self, subscription: tuple[str, int], session: Any) -> None:
        subscribers = self._subscriptions.get(subscription[0], [])
        if any(subscriber.client_id == session.client_id for subscriber, _ in subscribers):
            await super()._publish_retained_messages_for_subscription(subscription, session)


def run_broker(settings: Mqtt, stop_event: threading.Event, nodes: Path | None = None) -> None:
    """Run the broker in this thread until the event is set, or until it fails.

    Parameters
    ----------
    settings : Mqtt
        Address, port and login; without a user name anybody on this machine may connect.
    stop_event : threading.Event
        Stops it within 2 s.
    nodes : Path, optional
        Folder of the nodes' passwords and rights; what changes there counts from the next login or message on.

    Raises
    ------
    ServiceError
        If the port is taken or may not be used, or the address is open to others without a user name.
    """
    if not settings.username and not _is_loopback(settings.host):
        raise ServiceError(
            f"[mqtt] host {settings.host} lets others reach the built-in broker; set [mqtt] username and "
            "TACKFREE_MQTT_PASSWORD, or use 127.0.0.1"
        )
    with _quiet_library():
        asyncio.run(_serve(settings, stop_event, nodes))


async def _serve(settings: Mqtt, stop_event: threading.Event, nodes: Path | None) -> None:
    broker = _DiscreetBroker(_configuration(settings, nodes))
    try:
        await broker.start()
    except BrokerError as error:
        raise _explained(error, settings) from error
    log.info("the built-in MQTT broker listens on %s port %d", settings.host, settings.port)
    while not stop_event.is_set():
        await asyncio.sleep(POLL_S)
        if broker._broadcast_task is not None and broker._broadcast_task.done():
            log.error("the built-in MQTT broker passes on no more messages and stops, to be started again")
            break
    try:
        await asyncio.wait_for(broker.shutdown(), STOP_TIMEOUT_S)
    except TimeoutError:
        log.debug("the broker's connections did not close in time and are cut")


def _configuration(settings: Mqtt, nodes: Path | None) -> dict[str, Any]:
    login = {"username": settings.username, "password": settings.password, "nodes": str(nodes or "")}
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{settings.host}:{settings.port}"}},
        "session_expiry_interval": ABSENT_SESSION_S,
        "plugins": {f"{ShopLogin.__module__}.{ShopLogin.__qualname__}": login},
    }


def _explained(error: BrokerError, settings: Mqtt) -> ServiceError:
    where = f"port {settings.port} on {settings.host}"
    cause = error.__cause__
    code = cause.errno if isinstance(cause, OSError) else None
    if code == errno.EADDRINUSE:
        return ServiceError(
            f"{where} is taken, so the built-in broker cannot listen there. Set another [mqtt] port, or "
            "[mqtt] embedded = false to use the broker that runs there."
        )
    if code == errno.EACCES:
        return ServiceError(f"{where} needs rights this user lacks; set [mqtt] port to 1024 or above")
    return ServiceError(f"the built-in broker cannot listen at {where}: {cause or error}")


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Its warnings and errors tell of every client that comes, goes or only tries the port."""
    names = ("amqtt", "transitions")
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


def _octets(text: str | None) -> bytes:
    return (text or "").encode("utf-8", "surrogatepass")


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
