"""The alerts that ask for somebody, above every page: what, since when, why, what to do, and two buttons each."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Sequence
from datetime import datetime
from html import escape
from typing import Final
from zoneinfo import ZoneInfo

import streamlit as st

from collector.errors import TackfreeError
from collector.records.alerts import DANGER, NOTICE, WARNING, Alert
from dashboard import data, tiles, words

SHOWN: Final = 2
"""So many dangers are shown in full at most; the rest are a strip, as the page below is what the person came for."""

SNOOZE_HOURS: Final = 2.0
REFUSED: Final = "alert-refused"
WORDS: Final = {DANGER: "DANGER", WARNING: "WARNING", NOTICE: "NOTICE"}

_NOTICE: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24"><rect x="2" y="2" width="20" height="20" rx="4" '
    'fill="#fff"/><path d="M12 10.4v7M12 6v2.4" fill="none" stroke="#0F5C63" stroke-width="2.8"/></svg>'
)

SHEET: Final = """
.tf-alert{display:grid;grid-template-columns:auto minmax(0,1fr);gap:.1rem .9rem;align-items:center;border-radius:6px;
 padding:.45rem .9rem}
.tf-alert .top{display:flex;flex-wrap:wrap;gap:0 .8rem;align-items:baseline}
.tf-alert .word{font-weight:800;font-size:1.25rem;letter-spacing:.02em}
.tf-alert .what{font-weight:700;font-size:1.1rem}
.tf-alert .since{margin-left:auto;font-weight:600;white-space:nowrap}
.tf-alert .why{font-size:.95rem}
.tf-alert .do{font-size:1rem;font-weight:650}
.tf-alert .caution{font-size:.9rem}
.tf-alert.strip{padding:.35rem .9rem;min-height:48px}
.tf-alert.strip .word{font-size:1rem}
.tf-alert.strip .what{font-size:1rem}
.tf-alert.danger{background:#94192B;color:#fff}
.tf-alert.warning{background:#F2B632;color:#221A00}
.tf-alert.notice{background:#0F5C63;color:#fff}
"""


@st.fragment(run_every=5)
@words.plainly
def show() -> None:
    """The banner, afresh every few seconds; nothing where nobody is asked for."""
    now = data.now()
    refused = st.session_state.pop(REFUSED, "")
    if refused:
        st.warning(refused)
    asking = [alert for alert in data.open_alerts() if alert.asks_at(now)]
    if not asking:
        return
    st.html(f"<style>{SHEET}</style>")
    dangers = [alert for alert in asking if alert.level == DANGER][:SHOWN]
    for alert in dangers:
        _row(alert, now)
    rest = asking[len(dangers) :]
    if not rest:
        return
    left, right = st.columns([4, 1.4], vertical_alignment="center")
    left.html(strip(rest[0], now, data.zone()))
    with right.popover(_count(rest), key="alerts", width="stretch"):
        for alert in rest:
            _row(alert, now, wide=False)


def strip(alert: Alert, now: datetime, zone: ZoneInfo) -> str:
    """One alert as a line: word, shape and colour of its level, what, and since when."""
    return (
        f'<div class="tf tf-alert strip {alert.level}" role="status" data-strip="{alert.id}">'
        f'{_shape(alert.level, 28)}<div class="top"><span class="word">{WORDS[alert.level]}</span>'
        f'<span class="what">{tiles._text(alert.what)}</span>'
        f'<span class="since">since {escape(words.clock(alert.since, zone, now))}</span></div></div>'
    )


def card(alert: Alert, now: datetime, zone: ZoneInfo) -> str:
    """One alert as shown: word, shape and colour of its level, and all it says."""
    role = "alert" if alert.level == DANGER else "status"
    caution = f'<div class="caution">⚠ {tiles._text(alert.caution)}</div>' if alert.caution else ""
    return (
        f'<div class="tf tf-alert {alert.level}" role="{role}" data-alert="{alert.id}" data-level="{alert.level}">'
        f'{_shape(alert.level)}<div><div class="top"><span class="word">{WORDS[alert.level]}</span>'
        f'<span class="what">{tiles._text(alert.what)}</span>'
        f'<span class="since">since {escape(words.clock(alert.since, zone, now))}</span></div>'
        f'<div class="why">{tiles._text(alert.why)}</div>'
        f'<div class="do">To do: {tiles._text(alert.what_to_do)}</div>{caution}</div></div>'
    )


def _row(alert: Alert, now: datetime, wide: bool = True) -> None:
    if wide:
        left, seen, later = st.columns([4, 1.5, 1.3], vertical_alignment="center")
    else:
        left = st.container()
        seen, later = st.columns(2)
    left.html(card(alert, now, data.zone()))
    seen.button("Acknowledge", key=f"ack-{alert.id}", width="stretch", on_click=_acknowledge, args=(alert.id,))
    later.button(
        f"Snooze {SNOOZE_HOURS:g} h", key=f"snooze-{alert.id}", width="stretch", on_click=_snooze, args=(alert.id,)
    )


def _acknowledge(alert_id: int) -> None:
    _tell(lambda: data.acknowledge_alert(alert_id))


def _snooze(alert_id: int) -> None:
    _tell(lambda: data.snooze_alert(alert_id, SNOOZE_HOURS))


def _tell(act: Callable[[], None]) -> None:
    """Before the banner is drawn again: what is refused, as that the alert is over, is shown there."""
    try:
        act()
    except TackfreeError as error:
        st.session_state[REFUSED] = words.sentence(str(error))


def _count(rest: Sequence[Alert]) -> str:
    counted = [
        f"{count} {level}{'s' if count > 1 else ''}"
        for level in (DANGER, WARNING, NOTICE)
        if (count := sum(alert.level == level for alert in rest))
    ]
    return ", ".join(counted)


def _shape(level: str, size: int = 40) -> str:
    if level == NOTICE:
        encoded = b64encode(_NOTICE.encode()).decode()
        return f'<img src="data:image/svg+xml;base64,{encoded}" width="{size}" height="{size}" alt="">'
    return tiles.shape("hold" if level == DANGER else "marginal", size, on_band=True)
