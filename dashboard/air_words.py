"""What the Air page says: states of the booth's air put into panels of words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from collector.advice.air import AirState, Measured, Purge
from collector.advice.airflow import AirflowProof, FilterState, Flow
from collector.advice.coat_air import SprayedVapour
from collector.advice.display import Units, duration
from collector.advice.spray_vapour import PredictedVapour
from collector.advice.vapour import FIRE, PEL, REL, YARDSTICK_WORDS, Against, VapourLimit
from dashboard import words
from dashboard.air_parts import Panel, Row

M3_H_PER_CFM: Final = 1.6990108
COVERAGE: Final = 2.0

LIMIT_WORDS: Final = {"go": "WITHIN", "marginal": "TOO NEAR", "hold": "OVER", "cannot tell": "CANNOT TELL"}
_SEVERITY: Final = {"go": 0, "marginal": 1, "cannot tell": 2, "hold": 3}
_NAMES: Final = {PEL: "PEL", REL: "REL"}


def flow(m3_h: float | None, units: Units) -> str:
    """An exhaust flow with its unit, to three figures."""
    if m3_h is None:
        return "not known"
    shown = m3_h / M3_H_PER_CFM if units.us else m3_h
    return f"{float(f'{shown:.3g}'):,.0f} {'cfm' if units.us else 'm³/h'}"


def exhaust(proof: AirflowProof, moved: Flow, wear: FilterState, units: Units) -> Panel:
    """Whether the exhaust is shown to run, how much it moves, and its filter."""
    big: list[tuple[str, str]] = []
    spreads: list[str] = []
    if proof.quantity == "face_velocity":
        number, unit = units.velocity(proof.value).split()
        big.append((number, unit))
        spread = units.velocity(COVERAGE * (proof.standard_uncertainty or 0.0))
        spreads.append(f"± {spread}")
    elif proof.quantity:
        big.append((f"{proof.value:.1f}", "Pa"))
    if moved.m3_h is not None:
        number, unit = flow(moved.m3_h, units).rsplit(" ", 1)
        big.append((number, unit))
        spreads.append(f"± {flow(COVERAGE * moved.relative_uncertainty * moved.m3_h, units)}")
    rows = []
    if proof.verdict == "go" and proof.quantity == "face_velocity":
        rows.append(Row(text=f"{', '.join(spreads)}; at least {units.velocity(proof.low)} is asked ({proof.node})."))
    else:
        rows.append(Row(text=words.sentence(proof.reason)))
    if moved.m3_h is None and proof.state != "not running":
        rows.append(Row(text=words.sentence(moved.source)))
    rows.append(filter_row(wear))
    return Panel(name="Exhaust", verdict=proof.verdict, word=proof.state.upper(), big=big, rows=rows, first=True)


def filter_row(wear: FilterState) -> Row:
    """The filter in one line."""
    verdict = {"clean": "go", "loading": "go", "nearly due": "marginal", "change": "hold"}.get(
        wear.state, "cannot tell"
    )
    return Row(verdict=verdict, word=f"Filter: {wear.state}.", text=words.sentence(wear.reason))


def fire(measured: Measured) -> Panel:
    """The vapour against its lower flammable limit."""
    held = next((each for each in measured.against if each.yardstick == FIRE), None)
    if held is None or held.value is None:
        return _untold("Fire now", measured, "no lower flammable limit is known for this blend")
    rows = [
        Row(text=f"{_figure(held.low)} to {_figure(held.high)} %; the ceiling you set is {held.limit:g} % of the LFL."),
        Row(text=f"Taken for {measured.blend_words}."),
        *_missing(held),
    ]
    return Panel(
        name="Fire now",
        verdict=held.verdict,
        word=LIMIT_WORDS[held.verdict],
        big=[(_figure(held.value), "% of LFL")],
        rows=rows,
    )


def breathing(measured: Measured, *, isocyanate: bool) -> Panel:
    """The vapour against the exposure limits: the worse of the two governs; isocyanates are cleared by neither."""
    held = [each for each in measured.against if each.yardstick != FIRE]
    if not any(each.value is not None for each in held):
        return _untold("Breathing now", measured, "no exposure limit is known for this blend")
    verdict = worst(held)
    ppm = f"{measured.ppm:.0f} ppm ({measured.low_ppm:.0f} to {measured.high_ppm:.0f}) of vapour, "
    rows = [Row(text=f"{ppm}read as {measured.reading_ppm:.0f} ppm by {_unbroken(measured.node)}.")]
    if isocyanate:
        rows.insert(0, Row(text="Of the isocyanates no reading tells anything; of the solvents:"))
    shift = [each for each in measured.shift_against if each.yardstick != FIRE and each.value is not None]
    if shift:
        gaps = "" if measured.shift_covered > 0.9 else f", {measured.shift_covered:.0%} of it measured"
        rows.append(Row(text=f"Mean of the last 8 h{gaps}: {_times(shift)}."))
    rows += _missing(*held)
    return Panel(
        name="Breathing now",
        verdict=verdict,
        word=LIMIT_WORDS[verdict],
        big=[(f"{_figure(each.value)} ×", _NAMES[each.yardstick]) for each in held if each.value is not None],
        rows=rows,
    )


def purge(found: Purge, last: SprayedVapour | None) -> Panel:
    """The countdown after the last coat, and what the detector says to it."""
    verdict, word = _PURGE[found.state]
    if found.state == "over":
        verdict, word = _OVER[found.detector]
    big: list[tuple[str, str]] = []
    if found.minutes_left:
        big.append((f"{found.minutes_left:.0f}", f"min left ({_ends(found.low, found.high)})"))
    rows = [Row(text=words.sentence(found.reason))]
    if found.detector:
        said = "is down to a tenth of its peak" if found.detector == "reached" else "is still above a tenth of its peak"
        rows.append(Row(text=f"The detector {said}."))
    if last is not None and last.predicted.known:
        rows.append(Row(text=beside(last)))
    return Panel(name="Purge", verdict=verdict, word=word, big=big, rows=rows, wide=True)


def beside(last: SprayedVapour) -> str:
    """Predicted beside measured for the last coat."""
    expected = last.predicted
    said = f"Peak predicted {expected.peak_ppm:.0f} ppm ({expected.peak_low_ppm:.0f} to {expected.peak_high_ppm:.0f})"
    if last.measured_peak_ppm is None:
        return f"{said}; measured: nothing."
    measured = f"{said}; measured {last.measured_peak_ppm:.0f} ppm"
    if last.measured_peak_ppm > expected.peak_high_ppm:
        return f"{measured}: more than predicted, so less air is moved, or more sprayed, than the settings say."
    if last.measured_peak_ppm < expected.peak_low_ppm:
        return f"{measured}: less than predicted; mixing_factor or the spray rate may be set too high."
    return f"{measured}: as predicted."


def next_coat(found: PredictedVapour, name: str, units: Units) -> Panel:
    """What the coat about to be sprayed would do."""
    title = "Next coat at its peak"
    if not found.known:
        return Panel(name=title, verdict="cannot tell", word="CANNOT TELL", wide=True,
                     rows=[Row(text=words.sentence(found.reason))])  # fmt: skip
    held = {each.yardstick: each for each in found.against}
    verdict = worst(list(held.values()))
    told = [each for each in (held[PEL], held[REL]) if each.value is not None]
    over_breathing = worst([held[PEL], held[REL]])
    rows = [
        Row(verdict=held[FIRE].verdict, word=f"Fire: {LIMIT_WORDS[held[FIRE].verdict].lower()}",
            text=_fire_share(held[FIRE])),
        Row(verdict=over_breathing, word=f"Breathing: {LIMIT_WORDS[over_breathing].lower()}",
            text=(_times(told) or "no limit known") + _shift(found)),
        *_missing(held[FIRE], held[PEL], held[REL]),
        Row(text=_asked(found, name, units)),
    ]  # fmt: skip
    return Panel(
        name=title,
        verdict=verdict,
        word=LIMIT_WORDS[verdict],
        big=[(f"{found.peak_ppm:.0f}", f"ppm ({found.peak_low_ppm:.0f} to {found.peak_high_ppm:.0f})")],
        rows=rows,
        wide=True,
    )


def assumed(found: PredictedVapour) -> str:
    """What the prediction takes for granted."""
    return words.sentence("; ".join(found.assumptions)) if found.assumptions else ""


def limit_rows(limits: Sequence[VapourLimit]) -> list[list[str]]:
    """Every limit with where it comes from."""
    return [
        [
            limit.solvent,
            YARDSTICK_WORDS[limit.yardstick],
            "none known" if limit.value is None else f"{limit.value:g} {limit.unit}",
            limit.source,
            limit.status,
        ]
        for limit in limits
    ]


def response(measured: Measured) -> str:
    """How the reading becomes vapour."""
    found = measured.response
    if found is None or found.factor is None or found.low is None or found.high is None:
        return ""
    text = f"Response factor of the blend {found.factor:.2f} ({found.low:.2f} to {found.high:.2f} between makers)"
    if found.blind:
        text += f"; the lamp is blind to {', '.join(found.blind)}"
    if found.unknown:
        text += f"; no factor is known for {', '.join(found.unknown)}, counted as unseen"
    return f"{text}."


def worst(held: Sequence[Against]) -> str:
    """The least favourable of several verdicts."""
    return max((each.verdict for each in held), key=lambda verdict: _SEVERITY[verdict])


def clock_of(state: AirState, moment: datetime) -> str:
    """When the page was true, and of which booth."""
    return f"{state.booth}, {moment:%H:%M:%S}"


_PURGE: Final = {
    "none": ("cannot tell", "NOTHING SPRAYED TODAY"),
    "spraying": ("marginal", "SPRAYING"),
    "counting": ("marginal", "PURGING"),
    "stopped": ("hold", "EXHAUST STANDS"),
    "cannot tell": ("cannot tell", "CANNOT TELL"),
    "over": ("go", ""),
}
_OVER: Final = {
    "reached": ("go", "DOWN TO A TENTH"),
    "not yet": ("hold", "NOT YET A TENTH"),
    "": ("cannot tell", "TIME IS OVER"),
}


def _untold(name: str, measured: Measured, no_limit: str) -> Panel:
    why = measured.reason or no_limit
    rows = [Row(text=words.sentence(why))]
    big: list[tuple[str, str]] = []
    if measured.reading_ppm is not None:
        big.append((f"{measured.reading_ppm:.0f}", "ppm as isobutylene"))
    elif measured.age_s is not None:
        rows.append(Row(text=f"Last heard {duration(measured.age_s)} ago."))
    return Panel(name=name, verdict="cannot tell", word="CANNOT TELL", big=big, rows=rows)


def _missing(*held: Against) -> list[Row]:
    names = {YARDSTICK_WORDS[each.yardstick]: each.missing for each in held if each.missing}
    if not names:
        return []
    told = "; ".join(f"{', '.join(solvents)} has no {limit}" for limit, solvents in names.items())
    return [Row(text=f"At least: {told}.")]


def _times(held: Sequence[Against]) -> str:
    return ", ".join(f"{_figure(each.value)} × {_NAMES[each.yardstick]}" for each in held if each.value is not None)


def _shift(found: PredictedVapour) -> str:
    shift = [each for each in found.shift_against if each.yardstick != FIRE]
    return f"; as a mean of 8 h {_times(shift)}" if _times(shift) else ""


def _fire_share(held: Against) -> str:
    if held.value is None:
        return "no limit known"
    return f"{_figure(held.value)} % of the LFL, ceiling {held.limit:g} %"


def _asked(found: PredictedVapour, name: str, units: Units) -> str:
    what = f"{name}, {found.spray_minutes:g} min at {found.rate_ml_min:.0f} ml/min in {flow(found.flow.m3_h, units)}"
    return f"{what}. {words.sentence(_needed(found, units))}"


def _needed(found: PredictedVapour, units: Units) -> str:
    needed = (found.exhaust_needed_m3_h or {}).get(PEL)
    if needed is None:
        return "What exhaust would keep to the PEL is not known"
    return f"At the PEL without a break: {flow(needed, units)}"


def _unbroken(node: str) -> str:
    """A node's name that does not part at its hyphen at the end of a line."""
    return node.replace("-", "\u2011")


def _figure(value: float | None) -> str:
    """Two figures, and no more decimals than they need."""
    if value is None:
        return "–"
    if value < 0.005:
        return "0.00"
    return f"{value:.2f}" if value < 1 else f"{value:.1f}" if value < 10 else f"{value:,.0f}"


def _ends(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "perhaps much more"
    return f"{low:.0f} to {high:.0f}"
