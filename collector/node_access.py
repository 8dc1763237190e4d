"""Who may speak at the broker: a password and a few topics for each node, in mosquitto's own two file formats.

``tackfree node new`` writes the files; mosquitto and the built-in broker read the same ones.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import fcntl
import hashlib
import hmac
import os
import secrets
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from collector import wire
from collector.errors import Conflict, RecordError, StoreError

FOLDER: Final = "nodes"
"""Inside the data folder."""

PASSWORDS: Final = "passwords"
ACL: Final = "acl"
COLLECTOR: Final = "collector"
COLLECTOR_PASSWORD: Final = "collector-password"

ROUNDS: Final = 10_000
"""Of PBKDF2. The passwords are random and long; the rounds only keep a login short of being free to try."""

SALT_BYTES: Final = 12  # mosquitto takes no other length
HEADING: Final = "# Written by `tackfree node new`, which keeps what else stands here."

Rules = Mapping[str, tuple[tuple[str, str], ...]]
"""User to (``read``, ``write`` or ``readwrite``, topic filter)."""


def register(folder: Path, booth: str, node: str, *, replace: bool = False) -> str:
    """Give a node a new password and its topics, and make the collector's own user where there is none.

    Parameters
    ----------
    folder : Path
        Where the two files are, or will be.
    replace : bool
        Whether a node of that name gets new credentials; the old ones end.

    Returns
    -------
    str
        The password, which is kept nowhere else in the clear.

    Raises
    ------
    RecordError
        If a name is not one the topics take, or is the collector's.
    Conflict
        If the node exists already and is not to be replaced.
    StoreError
        If the files cannot be read or written.
    """
    try:
        grants = [("write", wire.topic_for(booth, node, kind)) for kind in (wire.READINGS, wire.EVENTS, wire.STATUS)]
        grants += [("read", wire.topic_for(booth, node, wire.STORED)), ("read", wire.verdict_topic(booth))]
        grants.append(("read", f"{wire.TOPIC_ROOT}/{booth}/time"))  # sets its clock where no time server answers
    except wire.PackError as error:
        raise RecordError(str(error)) from error
    if node == COLLECTOR:
        raise RecordError(f"node {node!r}: that is the collector's own user name; choose another")
    with _held(folder):
        passwords, rules = _read(folder / PASSWORDS), _read(folder / ACL)
        if node in _users(passwords) and not replace:
            raise Conflict(f"node {node!r} has a password already; --replace makes a new one and ends the old")
        if COLLECTOR not in _users(passwords):
            password = new_password()
            write_private(folder / COLLECTOR_PASSWORD, password + "\n")
            passwords = [*_without(passwords, COLLECTOR), password_line(COLLECTOR, password)]
            rules = _with_rules(rules, COLLECTOR, [("readwrite", f"{wire.TOPIC_ROOT}/#")])
        password = new_password()
        passwords = [*_without(passwords, node), password_line(node, password)]
        # The rights first: a user without any can do nothing, one without a password cannot log in.
        write_private(folder / ACL, "\n".join(_with_rules(rules, node, grants)) + "\n")
        write_private(folder / PASSWORDS, "\n".join(passwords) + "\n")
    return password


def is_registered(folder: Path, node: str) -> bool:
    """Whether a user of that name has a password."""
    return node in _users(_read(folder / PASSWORDS))


def new_password() -> str:
    """144 random bits in letters that need no quoting."""
    return secrets.token_urlsafe(18)


def password_line(user: str, password: str) -> str:
    """A line of mosquitto's password file: PBKDF2 with SHA-512."""
    salt = secrets.token_bytes(SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"{user}:$7${ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def password_fits(stored: str, password: str) -> bool:
    """Whether a password is the one of a line's part after the colon. What is not in that format fits nothing."""
    parts = stored.split("$")
    try:
        if len(parts) != 5 or parts[:2] != ["", "7"]:
            return False
        rounds, salt, digest = int(parts[2]), base64.b64decode(parts[3]), base64.b64decode(parts[4])
        made = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds, len(digest))
    except (ValueError, OverflowError, binascii.Error):
        return False
    return hmac.compare_digest(made, digest)


class Access:
    """The two files as a broker asks them; read again when they have changed.

    A line that cannot be read lets nobody in.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._stamps: tuple[int, int] | None = None
        self._users: dict[str, str] = {}
        self._rules: Rules = {}

    def knows(self, user: str, password: str) -> bool:
        """Whether there is such a user with that password."""
        self._refresh()
        stored = self._users.get(user)
        return stored is not None and password_fits(stored, password)

    def may(self, user: str, action: str, topic: str) -> bool:
        """Whether a user may ``read`` or ``write`` a topic, or read all that a topic filter takes in."""
        self._refresh()
        return any(right in (action, "readwrite") and covers(rule, topic) for right, rule in self._rules.get(user, ()))

    def _refresh(self) -> None:
        stamps = (_stamp(self._folder / PASSWORDS), _stamp(self._folder / ACL))
        if stamps != self._stamps:
            self._users = _users(_read(self._folder / PASSWORDS))
            self._rules = _rules(_read(self._folder / ACL))
            self._stamps = stamps


def covers(rule: str, asked: str) -> bool:
    """Whether every topic of the filter ``asked`` is one of the filter ``rule``."""
    rules, levels = rule.split("/"), asked.split("/")
    for index, level in enumerate(rules):
        if level == "#":
            return True
        if index >= len(levels) or levels[index] == "#":
            return False
        if level != "+" and level != levels[index]:
            return False
    return len(rules) == len(levels)


def _users(lines: list[str]) -> dict[str, str]:
    split = (line.partition(":") for line in lines if not line.startswith("#"))
    return {user: stored for user, colon, stored in split if colon}


def _rules(lines: list[str]) -> Rules:
    rules: dict[str, tuple[tuple[str, str], ...]] = {}
    user = ""
    for line in lines:
        match line.split():
            case ["user", name]:
                user = name
            case ["topic", ("read" | "write" | "readwrite") as right, topic] if user:
                rules[user] = (*rules.get(user, ()), (right, topic))
    return rules


def _without(lines: list[str], user: str) -> list[str]:
    return [line for line in lines if line.partition(":")[0] != user] or [HEADING]


def _with_rules(lines: list[str], user: str, grants: list[tuple[str, str]]) -> list[str]:
    kept: list[str] = []
    mine = False
    for line in lines or [HEADING]:
        words = line.split()
        if words[0] == "user":
            mine = words[1:] == [user]
        if not (mine and words[0] in ("user", "topic")):
            kept.append(line)
    return [*kept, f"user {user}", *(f"topic {right} {topic}" for right, topic in grants)]


def _read(file: Path) -> list[str]:
    try:
        return [line for line in file.read_text(encoding="utf-8").splitlines() if line.strip()]
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise StoreError(f"{file} cannot be read: {error}") from error


def write_private(file: Path, text: str) -> None:
    """Whole or not at all, and for the owner's eyes only."""
    fresh = file.with_name(file.name + ".new")
    try:
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(file)
    except OSError as error:
        raise StoreError(f"{file} cannot be written: {error.strerror}") from error


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = (folder / "lock").open("w")
    except OSError as error:
        raise StoreError(f"folder {folder} cannot be written: {error.strerror}") from error
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _stamp(file: Path) -> int:
    try:
        return file.stat().st_mtime_ns
    except OSError:
        return 0
