"""A real Chromium that can reach nothing but this machine, and pages that are really served."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from tests.dashboard import seeding
from tests.dashboard.serving import Pages, serving

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)
LAPTOP, TABLET = (1280, 800), (820, 1180)

SETTLED = """() => {
  const app = document.querySelector('[data-testid="stApp"]');
  return !!app && app.getAttribute('data-test-connection-state') === 'CONNECTED'
    && app.getAttribute('data-test-script-state') === 'notRunning'
    && !document.querySelector('[data-testid="stSkeleton"],[data-testid="stAppSkeleton"],'
      + '[data-testid="stSpinner"],[data-stale="true"]');
}"""

TOO_SMALL = """() => [...document.querySelectorAll('button, a, summary, [role=combobox], [role=tab], input')]
  .filter(part => !part.closest('[data-testid=hidden-dateinput-container]'))
  .map(part => {
    // An input is touched through the box drawn around it.
    const box = part.closest('[role=group], [data-testid=stNumberInputContainer], [data-testid=stTextInputRootElement],'
      + ' [data-testid=stRadio] label, [data-testid=stCheckbox] label') || part;
    const size = (part.tagName === 'INPUT' ? box : part).getBoundingClientRect();
    return [part.tagName, part.textContent.trim() || part.getAttribute('aria-label') || part.dataset.testid,
      Math.round(size.width), Math.round(size.height)];
  })
  .filter(([, name, width, height]) => width > 1 && height > 1 && (width < 48 || height < 48))"""
"""Every visible control narrower or lower than 48 px. One of a single pixel is for the keyboard alone."""


@dataclass(slots=True)
class Visit:
    """One page as opened, with all that it asked for and complained of."""

    page: Page
    address: str
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def go(self, path: str, text: str) -> None:
        """Open a link and wait until the page with this text stands still."""
        self.page.goto(f"{self.address}{path}")
        self.settle(text)

    def settle(self, text: str) -> None:
        """Wait until this text is there and the page stands still."""
        self.page.get_by_text(text).first.wait_for(timeout=30_000)
        self.page.wait_for_function(SETTLED, timeout=30_000)

    @property
    def outside(self) -> list[str]:
        """Requests that left the pages' own address."""
        inside = (self.address, self.address.replace("http", "ws"), "data:", "blob:")
        return [url for url in self.asked if not url.startswith(inside)]

    @property
    def verdict(self) -> str | None:
        """The verdict now shown."""
        return self.page.locator("[data-verdict]").first.get_attribute("data-verdict")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Pages over a steady booth, that no test changes."""
    folder = tmp_path_factory.mktemp("steady")
    seeding.shop(folder)
    with serving(folder) as pages:
        yield pages


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Pages]:
    """Pages over a shop of this test's own."""
    seeding.shop(tmp_path)
    with serving(tmp_path) as pages:
        yield pages


@pytest.fixture
def visit(browser: Browser) -> Iterator[Callable[..., Visit]]:
    """Opens a visit to a server at a screen size and in a theme."""
    contexts = []

    def begin(pages: Pages, size: tuple[int, int] = TABLET, theme: str = "light", **named: object) -> Visit:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme=theme,  # type: ignore[arg-type]
            has_touch=True,
            **named,  # type: ignore[arg-type]
        )
        contexts.append(context)
        page = context.new_page()
        begun = Visit(page=page, address=pages.address)

        def hear(message: ConsoleMessage) -> None:
            # A deep link makes the framework ask for its own base path first, which is not there.
            known = "_stcore/" in str(message.location.get("url", "")) and "404" in message.text
            if message.type == "error" and not known:
                begun.complaints.append(message.text)

        page.on("request", lambda request: begun.asked.append(request.url))
        page.on("websocket", lambda socket: begun.asked.append(socket.url))
        page.on("console", hear)
        page.on("pageerror", lambda error: begun.complaints.append(str(error)))
        return begun

    yield begin
    for context in contexts:
        context.close()
