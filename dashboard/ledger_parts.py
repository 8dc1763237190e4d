"""What the Ledger page shows: its band, its table and its chart, all words and nothing left to format."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape
from typing import Any, Final
from zoneinfo import ZoneInfo

from collector.advice import ledger as ledger_room
from collector.advice.ledger import (
    ABOVE,
    CANNOT_TELL,
    COAT,
    SOLVENT,
    TOO_CLOSE,
    WITHIN,
    WITHIN_SO_FAR,
    Entry,
    Ledger,
    Total,
    left_out_reasons,
)
from collector.advice.voc_display import LedgerUnits, left_out_words, number_and_spread
from dashboard import tiles

_LOOKS: Final = {
    WITHIN: "go",
    WITHIN_SO_FAR: "marginal",
    TOO_CLOSE: "marginal",
    ABOVE: "hold",
    CANNOT_TELL: "cannot tell",
}
"""Shape and colour of each way to stand to a limit; its word is always beside them."""

_NOTHING: Final = ledger_room.total(())

STACKED: Final = 6
"""So many materials are told apart in the chart; the rest are one."""

_LIGHT: Final = ("#0072B2", "#D9822B", "#00795A", "#8E4FA8", "#7A5200", "#CC79A7", "#8A8F98")
_DARK: Final = ("#63B8EC", "#FF9A57", "#3FD0A0", "#C9A2F2", "#E8B64C", "#F2A0C8", "#9AA3AE")


def band(total: Total, limit_kg: float, shown: LedgerUnits, first: date, until: date) -> str:
    """Twelve months against the limit the shop sets: shape, word, colour, and what is not in the number."""
    stands = total.against(limit_kg)
    look = _LOOKS[stands]
    share = total.voc_kg.value / limit_kg
    why = f"From {first:%d %b %Y} to {until:%d %b %Y}: {shown.mass(total.voc_kg)}. {left_out_words(total)}"
    return (
        f'<div class="tf tf-band {look.replace(" ", "-")}" role="status" data-limit="{escape(stands)}">'
        f"{tiles.shape(look, 56, on_band=True)}"
        f'<div><div class="what"><span class="word">{stands.upper()}</span>'
        f"<span>the limit you set for 12 months, {escape(shown.plain_mass(limit_kg))} of VOC</span></div>"
        f'<div class="why">{escape(why.strip())}</div></div>'
        f'<div class="when"><b>{100 * share:.0f}\u00a0%</b>of it</div></div>'
    )


def figures(found: Ledger, year: Total, shown: LedgerUnits, first: date, *, limited: bool) -> list[tiles.Tile]:
    """The month and the twelve months in numbers."""
    month, name = found.month, f"{first:%B}"
    made = [
        _mass_tile(f"VOC in {name}", month, shown),
        _mass_tile("VOC in 12 months", year, shown),
        _mass_tile("From coats", found.kind(COAT, first, found.until), shown),
        _mass_tile("From cleaning", found.kind(SOLVENT, first, found.until), shown),
    ]
    litres = shown.volume_value(sum(month.used_l.values()))
    made.append(tiles.Tile(name="Used", value=f"{litres:.3g}", unit=shown.volume_unit, plus_minus="as applied", age=""))
    out, every = len(month.left_out), len(month.left_out) + month.counted
    foot = "the reasons are below" if out else "nothing left out"
    made.append(tiles.Tile(name="Not counted", value=str(out), unit=f"of {every}", plus_minus=foot, age=""))
    if limited:
        coats = [entry for entry in found.between(first, found.until) if entry.limit]
        above = sum(entry.limit == ABOVE for entry in coats)
        unsure = sum(entry.limit in (TOO_CLOSE, CANNOT_TELL) for entry in coats)
        made.append(
            tiles.Tile(
                name="Coats above limit",
                value=str(above),
                unit=f"of {len(coats)}",
                plus_minus=f"{unsure} not sure" if unsure else "all others within",
                age="",
            )
        )
    return made


def given_off(total: Total, shown: LedgerUnits) -> str:
    """What was given off, by material and solvent."""
    rows = [[what, shown.plain_mass(kg)] for what, kg in total.by_what_kg.items()]
    return tiles.table(["Given off by", "VOC"], rows)


def used(total: Total, shown: LedgerUnits) -> str:
    """What was used, by material, additive and solvent."""
    return tiles.table(["Used", "Volume"], [[what, shown.volume(litres)] for what, litres in total.used_l.items()])


def entries(listed: Sequence[Entry], shown: LedgerUnits, zone: ZoneInfo, *, limited: bool) -> str:
    """The entries of a month; how each coat stands to the limit is a shape and a word."""
    content = shown.content_unit
    heads = ["What", "Volume", f"VOC as applied, {content}", f"Less water and exempt, {content}"]
    heads += [f"Given off, {shown.small_mass_unit}", *(["Limit you set"] if limited else [])]
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    body = "".join(f"<tr>{_row(entry, shown, zone, limited)}</tr>" for entry in listed)
    return (
        f'<div class="tf tf-scroll"><table class="tf-table"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def not_counted(total: Total) -> str:
    """Why entries are in no number, each reason once with how many it concerns."""
    rows = [[str(count), reason] for reason, count in left_out_reasons(total.left_out).items()]
    return tiles.table(["Entries", "Not counted, as"], rows)


def chart(bars: Sequence[tuple[str, Total]], shown: LedgerUnits, *, dark: bool) -> dict[str, Any]:
    """VOC stacked by material, a bar for each labelled total: an ECharts specification."""
    whole: dict[str, float] = {}
    for _, total in bars:
        for what, kg in total.by_what_kg.items():
            whole[what] = whole.get(what, 0.0) + kg
    order = sorted((what for what in whole if whole[what] > 0), key=lambda what: (-whole[what], what))
    names = order if len(order) <= STACKED + 1 else order[:STACKED]
    rest = order[len(names) :]
    colours, ink = (_DARK, "#F1EFE9") if dark else (_LIGHT, "#1E1D1A")

    def series(name: str, whats: Sequence[str], colour: str) -> dict[str, Any]:
        values = [shown.mass_value(sum(total.by_what_kg.get(what, 0.0) for what in whats)) for _, total in bars]
        return {
            "name": name,
            "type": "bar",
            "stack": "VOC",
            "barMaxWidth": 56,
            "itemStyle": {"color": colour},
            "data": [round(value, 4) for value in values],
        }

    drawn = [series(name, [name], colours[index]) for index, name in enumerate(names)]
    if rest:
        drawn.append(series(f"{len(rest)} others", rest, colours[-1]))
    text = {"fontSize": 13, "color": ink}
    return {
        "animation": False,
        "aria": {"enabled": True, "decal": {"show": True}},
        "legend": {
            "top": 28,
            "right": 0,
            "orient": "vertical",
            "itemGap": 12,
            "textStyle": {**text, "width": 178, "overflow": "truncate"},
        },
        "tooltip": {"trigger": "axis", "confine": True, "axisPointer": {"type": "shadow"}},
        "grid": {"left": 50, "right": 232, "top": 34, "bottom": 46},
        "xAxis": {
            "type": "category",
            "data": [label for label, _ in bars],
            "axisLabel": {**text, "interval": 0, "lineHeight": 17, "hideOverlap": True},
            "axisTick": {"show": False},
        },
        "yAxis": {
            "type": "value",
            "name": f"VOC, {shown.mass_unit}",
            "nameTextStyle": {**text, "align": "left", "fontWeight": "bold"},
            "axisLabel": text,
            "splitNumber": 4,
        },
        "series": drawn,
    }


def month_bars(found: Ledger) -> list[tuple[str, Total]]:
    """Twelve months for the chart; a star where something is not counted."""
    return [
        (f"{first:%b}{_star(total)}" + (f"\n{first:%Y}" if index == 0 or first.month == 1 else ""), total)
        for index, (first, total) in enumerate(found.months())
    ]


def day_bars(found: Ledger, first: date) -> list[tuple[str, Total]]:
    """Every day of a month up to the ledger's end, for the chart; a star where something is not counted."""
    held = dict(found.days(first, found.until))
    days = [first + timedelta(days=index) for index in range((found.until - first).days + 1)]
    return [(f"{day.day}{_star(held[day])}", held[day]) if day in held else (f"{day.day}", _NOTHING) for day in days]


def describe(bars: Sequence[tuple[str, Total]], shown: LedgerUnits) -> str:
    """The chart in words, for a reader who does not see it."""
    held = [f"{' '.join(label.split())} {shown.mass(total.voc_kg)}" for label, total in bars if total.counted]
    return f"VOC given off: {'; '.join(held)}." if held else "No VOC has been counted in this time."


def _star(total: Total) -> str:
    return "*" if total.left_out else ""


def _mass_tile(name: str, total: Total, shown: LedgerUnits) -> tiles.Tile:
    number, spread = number_and_spread(shown.mass_value(total.voc_kg.value), shown.mass_value(total.voc_kg.plus_minus))
    foot = f"± {spread} {shown.mass_unit}" if total.counted else "nothing counted"
    return tiles.Tile(name=name, value=number, unit=shown.mass_unit, plus_minus=foot, age="")


def _row(entry: Entry, shown: LedgerUnits, zone: ZoneInfo, limited: bool) -> str:
    when = f"{entry.at.astimezone(zone):%a %d %b, %H:%M}"
    where = f"{entry.piece}; {when}" if entry.piece else when
    cells = [
        shown.volume(entry.litres),
        "not known" if entry.actual_g_l is None else shown.bare_content(entry.actual_g_l),
        "–" if entry.kind == SOLVENT else shown.bare_content(entry.regulatory_g_l),
        "not counted" if entry.voc_kg is None else shown.bare_small_mass(entry.voc_kg),
    ]
    made = f"<td><b>{escape(entry.what)}</b><br><small>{escape(where)}</small></td>"
    made += "".join(f'<td class="tf-whole">{escape(cell)}</td>' for cell in cells)
    if not limited:
        return made
    if not entry.limit:
        return f"{made}<td>–</td>"
    drawn = tiles.shape(_LOOKS[entry.limit], 20)
    return f'{made}<td><span class="tf-stands">{drawn} {escape(entry.limit)}</span></td>'
