"""Carrying a message to the places the shop has set, through Apprise.

An address holds passwords, so it is never logged and never stored: the outbox knows a place by a digest, and a failure
is told in words of our own.
"""

from __future__ import annotations

import hashlib
import logging
import re
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from collector.records.alerts import DANGER, WARNING
from collector.settings import Settings

FAILURES: Final = (
    (r"refused", "the connection was refused"),
    (r"timed? ?out", "no answer in time"),
    (r"Name or service not known|getaddrinfo|resolve|No address", "the host's name is not known"),
    (r"unreachable|No route", "the host cannot be reached"),
    (r"[Cc]ertificate|SSL", "the secure connection failed"),
    (r"[Aa]uthenticat|\b535\b|\b401\b", "the user name or password is refused"),
    (r"error=(4\d\d|5\d\d)", "the server answered with error {0}"),
    (r"disconnected|reset|closed", "the connection broke off"),
)
"""What the library says, and what is passed on of it: its own text can hold the address."""

_loading: Final = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where messages go: the digest that names it, its kind (``mailto``, ``json``), and the secret address."""

    digest: str
    kind: str
    address: str

    def __repr__(self) -> str:
        return f"Place({self.kind}, hidden)"


def places(settings: Settings) -> tuple[Place, ...]:
    """The places set, each once, in order."""
    # An address may hold commas of its own: only one before the next scheme parts two.
    parted = re.split(r"[\s,]+(?=[A-Za-z][A-Za-z0-9+.-]*://)", settings.alerts.apprise_urls.strip(" ,\t\r\n"))
    return tuple(
        Place(
            digest=hashlib.sha256(address.encode()).hexdigest()[:16],
            kind=address.partition("://")[0].lower()[:20] if "://" in address else "unnamed",
            address=address,
        )
        for address in dict.fromkeys(parted)
        if address
    )


def send(place: Place, *, title: str, body: str, level: str) -> str:
    """Hand a message over.

    Returns
    -------
    str
        Empty when the place took it, else why not, in words that hold no secret. Never raises.
    """
    try:
        return _send(place, title=title, body=body, level=level)
    except Exception as error:  # some of the library's hundred services; whatever it is must end here
        return f"the library failed ({type(error).__name__})"


def _send(place: Place, *, title: str, body: str, level: str) -> str:
    with _library_log_kept() as told:
        with _loading, warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of modules that some of its services still import
            import apprise  # heavy, and needed only where there is a place

            # Its services are found when the first address is added.
            carrier = apprise.Apprise(asset=apprise.AppriseAsset(app_id="tackfree", async_mode=False))
            known = carrier.add(place.address)
        if not known:
            return f"the {place.kind} address is not one that Apprise takes; see its documentation"
        kinds = {DANGER: apprise.NotifyType.FAILURE, WARNING: apprise.NotifyType.WARNING}
        taken = carrier.notify(
            title=title,
            body=body,
            notify_type=kinds.get(level, apprise.NotifyType.INFO),
            body_format=apprise.NotifyFormat.TEXT,
        )
    return "" if taken else _reason("\n".join(told))


@contextmanager
def _library_log_kept() -> Iterator[list[str]]:
    """What the library logs meanwhile, given to nobody else: it can hold the address."""
    told: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            told.append(record.getMessage())

    keep = Keep(logging.DEBUG)
    loggers = [logging.getLogger(name) for name in ("apprise", "urllib3")]
    before = [(logger.level, logger.propagate) for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.DEBUG)
        logger.propagate = False
        logger.addHandler(keep)
    try:
        yield told
    finally:
        for logger, (level, propagate) in zip(loggers, before, strict=True):
            logger.removeHandler(keep)
            logger.setLevel(level)
            logger.propagate = propagate


def _reason(told: str) -> str:
    for pattern, words in FAILURES:
        match = re.search(pattern, told)
        if match:
            return words.format(*match.groups())
    return "it was not taken"
