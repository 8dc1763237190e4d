"""Serve the screens: ``python -m dashboard.serve``.

Takes host and port from the settings, stops cleanly on SIGTERM, and asks no outside host for anything.
"""

from __future__ import annotations

import gc
import importlib
import ipaddress
import signal
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import streamlit as st
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector import settings as configuration
from collector.errors import ServiceError, TackfreeError

POLICY: Final = "; ".join(
    (
        "default-src 'self'",
        "script-src 'self' 'unsafe-inline' 'wasm-unsafe-eval'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "worker-src 'self' blob:",
        "connect-src 'self'",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'self'",
    )
)
"""The browser itself refuses whatever would leave the shop's machine."""

WARM_MODULES: Final = (
    "pandas",
    "pyarrow",
    "dashboard.data",
    "dashboard.charts",
    "dashboard.tiles",
    "collector.records.repository",
)


class OnlyFromHere:
    """ASGI middleware that adds the content security policy to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and the answer back with its policy."""

        async def send_with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers["Content-Security-Policy"] = POLICY
                headers["Referrer-Policy"] = "no-referrer"
            await send(message)

        await self.app(scope, receive, send_with_policy if scope["type"] == "http" else send)


@asynccontextmanager
async def warm(_app: st.App) -> AsyncIterator[dict[str, Any]]:
    """Import what the pages need, then freeze it.

    Every page run ends in a full garbage collection; without the freeze that alone costs more than all of
    our own work.
    """
    for name in WARM_MODULES:
        importlib.import_module(name)
    gc.collect()
    gc.freeze()
    yield {}


def streamlit_config(host: str, port: int) -> dict[str, Any]:
    """Every option the screens rely on, so that no file elsewhere is needed."""
    return {
        # Without an address every interface is bound, and an outside page is asked for ours.
        "server.address": host,
        "server.port": port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": 25,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "type",
        "client.showErrorLinks": False,
        "logger.level": "warning",
        "logger.hideWelcomeMessage": True,  # the command that starts the service says where the pages are
        "theme.baseFontSize": 18,
        "theme.baseRadius": "6px",
        "theme.showWidgetBorder": True,
        "theme.light.primaryColor": "#0F5C63",
        "theme.light.backgroundColor": "#FBFAF6",
        "theme.light.secondaryBackgroundColor": "#EFECE3",
        "theme.light.textColor": "#1E1D1A",
        "theme.light.borderColor": "#77746A",
        "theme.dark.primaryColor": "#1F747D",
        "theme.dark.backgroundColor": "#15181A",
        "theme.dark.secondaryBackgroundColor": "#23282B",
        "theme.dark.textColor": "#F1EFE9",
        "theme.dark.linkColor": "#8CCFD6",
        "theme.dark.borderColor": "#8E959A",
    }


def check_port(host: str, port: int) -> None:
    """Refuse an address that cannot be listened at.

    Raises
    ------
    ServiceError
        Naming host and port, and what to do.
    """
    try:
        family = socket.AF_INET6 if ipaddress.ip_address(host).version == 6 else socket.AF_INET
    except ValueError:
        family = socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise ServiceError(
                f"the pages cannot be served at {host}:{port} ({error.strerror}); set another [dashboard] port"
            ) from error


def main() -> int:
    """Serve until SIGTERM or Ctrl-C; 1 when the settings are wrong or the port is taken."""
    try:
        where = configuration.load().dashboard
        check_port(where.host, where.port)
    except TackfreeError as error:
        print(f"tackfree dashboard: {error}", file=sys.stderr)
        return 1
    # The server restores this handler and raises the signal again once it has closed.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    app = st.App(Path(__file__).with_name("app.py"), lifespan=warm, middleware=[Middleware(OnlyFromHere)])
    app.run(config=streamlit_config(where.host, where.port))
    return 0


if __name__ == "__main__":
    sys.exit(main())
