"""Ledger: how much VOC was given off, by month and in twelve months, and the solvent used beside the coats."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import streamlit as st

from collector.advice import ledger as ledger_room
from collector.advice.ledger import SOLVENT, Entry, Ledger
from collector.advice.voc_display import LedgerUnits
from collector.records.model import SolventUse
from dashboard import data, forms, ledger_parts, tiles, words

CHART_PX = 260
MONTHS, DAYS = "Twelve months", "Days of the month"


@words.plainly
def page() -> None:
    """The whole page, top to bottom."""
    st.html(tiles.page_heading("Ledger", data.settings().shop.name))
    forms.done_bar()
    today = data.now().astimezone(data.zone()).date()
    newest = data.ledger(today)
    shown = LedgerUnits(data.units())
    left, middle, right = st.columns([2, 1.4, 1.4], vertical_alignment="bottom")
    with left:
        first = _chosen_month(newest)
    with middle.popover("Add cleaning solvent", width="stretch", key="add-solvent"):
        add_solvent(shown, today)
    right.download_button(
        "12 months as CSV",
        data.ledger_csv(newest),
        file_name=f"voc-ledger-{newest.until:%Y-%m-%d}.csv",
        mime="text/csv",
        key="ledger-csv",
        width="stretch",
        on_click="ignore",
    )
    until = min(ledger_room.last_of_month(first), today)
    found = newest if until == today else data.ledger(until)
    summary(found, newest, shown, first)
    course(found, newest, shown, first)
    st.header(f"Entries of {first:%B %Y}", anchor=False)
    listing(found, shown, first)
    st.header("How it is counted", anchor=False)
    counting(found)


def _chosen_month(newest: Ledger) -> date:
    firsts = [first for first, _ in reversed(newest.months())]
    chosen: date = st.selectbox("Month", firsts, format_func=lambda first: f"{first:%B %Y}", key="ledger-month")
    return chosen


def summary(found: Ledger, newest: Ledger, shown: LedgerUnits, first: date) -> None:
    """Twelve months against the limit, and the month in numbers."""
    ours, year = data.settings().ledger, newest.twelve_months
    blocks = []
    if ours.voc_limit_kg_12_months > 0:
        blocks.append(ledger_parts.band(year, ours.voc_limit_kg_12_months, shown, newest.first_day, newest.until))
    else:
        blocks.append(
            tiles.note("No limit is set for twelve months; it goes by voc_limit_kg_12_months in the settings.")
        )
    limited = ours.coating_limit_g_l > 0
    blocks.append(tiles.tiles(ledger_parts.figures(found, year, shown, first, limited=limited)))
    st.html("".join(f'<div class="tf-gap">{block}</div>' for block in blocks))


def course(found: Ledger, newest: Ledger, shown: LedgerUnits, first: date) -> None:
    """The chart: the days of the month, or twelve months."""
    several = sum(total.counted > 0 for _, total in newest.months()) > 1
    by = st.segmented_control(
        "Bars", [MONTHS, DAYS], default=MONTHS if several else DAYS, required=True, key="ledger-bars",
        label_visibility="collapsed",
    )  # fmt: skip
    bars = ledger_parts.day_bars(found, first) if by == DAYS else ledger_parts.month_bars(newest)
    st.echarts_chart(
        ledger_parts.chart(bars, shown, dark=st.context.theme.type == "dark"),
        height=CHART_PX,
        key=f"ledger-chart-{by}",
        alt=ledger_parts.describe(bars, shown),
    )
    if any(total.left_out for _, total in bars):
        st.html(tiles.note("* Not everything of this time is counted: the bar can only be higher."))


@words.plainly
def add_solvent(shown: LedgerUnits, today: date) -> None:
    """Add what was used for cleaning and the like."""
    with st.form("solvent", clear_on_submit=True):
        what = st.selectbox(
            "Solvent used for cleaning",
            data.solvent_names(),
            index=None,
            placeholder="Choose, or type a name or blend",
            accept_new_options=True,
            key="solvent-what",
        )
        one, two = st.columns(2)
        volume = one.number_input(f"Volume, {shown.volume_unit}", 0.0, None, None, step=0.1, key="solvent-volume")
        content = two.number_input(
            f"VOC by its sheet, {shown.content_unit}",
            0.0,
            None,
            None,
            placeholder="if known",
            key="solvent-content",
        )
        one, two = st.columns(2)
        day = one.date_input("Day", today, max_value=today, key="solvent-day")
        note = two.text_input("Note", max_chars=500, key="solvent-note")
        if st.form_submit_button("Add to the ledger", type="primary", width="stretch"):
            if not what or not volume:
                st.error("Choose a solvent and give its volume: what was used, less what was collected.")
                return
            assert isinstance(day, date)
            saved = data.add_solvent_use(
                SolventUse(
                    at=_moment(day, today),
                    what=what.strip(),
                    litres=shown.volume_l(volume),
                    voc_g_l=None if content is None else shown.content_g_l(content),
                    note=note.strip(),
                )
            )
            forms.say_done(
                f"In the ledger: {shown.volume(saved.litres)} of {saved.what}.",
                data.last_change("solvent_use", saved.id),
            )
            st.rerun()


@words.plainly
def listing(found: Ledger, shown: LedgerUnits, first: date) -> None:
    """The month's coats and solvent, newest first, with the way to take solvent out again."""
    listed = found.between(first, found.until)
    if not listed:
        st.info("Nothing was sprayed or added in this month.")
        return
    limited = data.settings().ledger.coating_limit_g_l > 0
    st.html(ledger_parts.entries(listed, shown, data.zone(), limited=limited))
    left, right = st.columns(2)
    left.html(ledger_parts.given_off(found.month, shown))
    right.html(ledger_parts.used(found.month, shown))
    added = [entry for entry in listed if entry.kind == SOLVENT]
    if added:
        with st.expander(f"Take solvent out of {first:%B}: {len(added)}"):
            for entry in added:
                _taken_out(entry, shown)


def _taken_out(entry: Entry, shown: LedgerUnits) -> None:
    left, right = st.columns([4, 1.5], vertical_alignment="center")
    left.html(tiles.line(entry.what, shown.volume(entry.litres), f"{entry.day:%a %d %b}"))
    if right.button("Delete", key=f"delete-solvent-{entry.record_id}", width="stretch"):
        change = data.delete("solvent_use", entry.record_id)
        forms.say_done(f"Out of the ledger: {entry.what}.", change.id)
        st.rerun()


def counting(found: Ledger) -> None:
    """What is left out, what was taken for granted, and whose limits these are."""
    ours = data.settings().ledger
    year = found.twelve_months
    if year.left_out:
        st.html(ledger_parts.not_counted(year))
    assumed = ledger_room.assumptions(found.between(found.first_day, found.until))
    if assumed:
        st.html(tiles.table(["Taken for granted"], [[text] for text in assumed]))
    if ours.coating_limit_g_l > 0:
        basis = "of everything" if ours.coating_limit_basis == "actual" else "less water and exempt solvent"
        st.html(tiles.line("Limit you set for a coating:", f"{ours.coating_limit_g_l:g} g per litre {basis}", ""))
    st.html(tiles.note(f"{ledger_room.HOW_COUNTED} Each ± covers about 95 %."))


def _moment(day: date, today: date) -> datetime:
    if day == today:
        return data.now()
    return datetime.combine(day, time(12), data.zone()).astimezone(UTC)


page()
