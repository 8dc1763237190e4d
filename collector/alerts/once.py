"""A fault that lasts is said once, when it begins or changes, and once more when it is over."""

from __future__ import annotations

import logging


class OncePerChange:
    """Keeps what was last said of each thing watched."""

    def __init__(self, log: logging.Logger) -> None:
        self._log = log
        self._said: dict[str, str] = {}

    def failed(self, name: str, text: str, error: BaseException) -> None:
        """Say that something failed, unless the same was said of it last."""
        told = f"{type(error).__name__}: {error}"
        if self._said.get(name) != told:
            self._said[name] = told
            self._log.error("%s: %s", text, told, exc_info=error)

    def worked(self, name: str) -> None:
        """Say that it works again, if it failed before."""
        if self._said.pop(name, None) is not None:
            self._log.info("alerts: %s works again", name)
