"""The errors that reach a person: one base, and a child only where a caller acts differently.

TackfreeError
├── SettingsError     a settings file or environment variable is wrong
├── RecordError       a piece, coat, material, check or outcome was refused
│   ├── NotFound      nothing of that name or number
│   └── Conflict      the record exists already, or its state forbids the step
├── StoreError        the reading store or record store cannot be used
│   ├── StoreBusy     it will take the same call later (disk full, locked)
│   └── StoreTooNew   it was written by a newer version of tackfree
└── ServiceError      a part of the running service cannot start
"""

from __future__ import annotations


class TackfreeError(Exception):
    """Anything tackfree refuses; its text says what was wrong and what would be right."""


class SettingsError(TackfreeError):
    """A settings file or environment variable is wrong."""


class RecordError(TackfreeError):
    """A record was refused; nothing was written."""


class NotFound(RecordError):
    """There is no record of that name or number."""


class Conflict(RecordError):
    """The record exists already, or its state forbids the step."""


class StoreError(TackfreeError):
    """A store cannot be opened, read or written."""


class StoreBusy(StoreError):
    """The store will take the same call later: its disk is full or another process holds it."""


class StoreTooNew(StoreError):
    """The store was written by a newer version of tackfree."""


class ServiceError(TackfreeError):
    """A part of the running service cannot start or has stopped for good."""
