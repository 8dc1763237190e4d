"""Numbers and names of the record as a person reads them, in the shop's units and time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Final

from collector.advice.conditions import Spread
from collector.advice.display import Units
from collector.records.model import ROLES, Coat, Mix, Piece
from collector.report.facts import DryFilm

INTERVAL: Final = "Numbers in brackets: where the true value most likely lies (95 %)."

PLAIN_STAGES: Final[Mapping[str, str]] = {
    "set_to_touch": "A light touch leaves nothing on the finger",
    "dust_free": "Dust no longer sticks",
    "tack_free": "No longer tacky",
    "dry_to_recoat": "Ready for the next coat",
    "tape_ready": "Takes masking tape",
    "print_free": "Cloth leaves no print",
    "dry_hard": "Hard to the thumb",
    "dry_through": "Dry right through",
    "sand_ready": "Hard enough to sand level",
    "buff_ready": "Hard enough to polish",
}

PLAIN_DEFECTS: Final[Mapping[str, str]] = {
    "blushing": "A milky haze from moisture in the air (blushing)",
    "orange_peel": "A surface like the skin of an orange",
    "sagging": "A run or sag",
    "cratering": "Small craters (fish-eyes)",
    "pinholing": "Pinholes",
    "solvent_popping": "Small bubbles from trapped solvent",
    "dry_spray": "A rough, dry patch",
    "wrinkling": "Wrinkles",
    "lifting": "The coat beneath lifted",
    "cracking": "Cracks that were not wanted",
    "delamination": "Poor hold between two coats",
    "bleeding": "Colour bleeding through",
    "slow_drying": "Slow drying",
    "loss_of_gloss": "Gloss lost as it dried",
    "shrink_back": "Grain showing as the finish shrank",
    "tape_marks": "Marks of tape or cloth",
    "sanded_through": "A spot sanded through",
    "inclusions": "Dust in the surface",
    "crackle_size": "Crackle larger or smaller than wanted",
}

DEGREES: Final = ("none", "barely to be seen", "slight", "moderate", "considerable", "severe")
"""Degrees 0 to 5 of the ISO 4628-1 scheme, in words of our own."""

PLAIN_SUBSTRATES: Final[Mapping[str, str]] = {"ply": "plywood", "mdf": "MDF", "other": ""}


def coat_name(coat: Coat) -> str:
    """The material, with the kind of coat where its name does not say."""
    role, name = ROLES[coat.mix.material.role], coat.mix.material.name
    key = role.split()[0].lower()
    return name if key in name.lower() else f"{name} ({role.lower()})"


def piece_of(piece: Piece) -> str:
    """What a piece is made of; "the piece" where that was not noted."""
    return PLAIN_SUBSTRATES.get(piece.substrate, piece.substrate) or "the piece"


def length(units: Units, mm: float) -> str:
    """A length of a few millimetres."""
    return f"{mm / 25.4:.2f} in" if units.us else f"{mm:g} mm"


def film_number(units: Units, um: float) -> str:
    """A dry film without its unit: to the micrometre, or the hundredth of a mil."""
    return f"{units.film_value(um):.{2 if units.us else 0}f}"


def film_value(units: Units, film: DryFilm) -> str:
    """A dry film with its 95 % interval."""
    return interval(units, film.um, film.standard_uncertainty_um)


def interval(units: Units, um: float, standard_uncertainty_um: float) -> str:
    """A thickness with its 95 % interval."""
    low, high = max(0.0, um - 2.0 * standard_uncertainty_um), um + 2.0 * standard_uncertainty_um
    numbers = f"({film_number(units, low)} to {film_number(units, high)})"
    return f"{film_number(units, um)} {units.film_unit} {numbers}"


def wet_film(coat: Coat, units: Units) -> str:
    """The comb gauge's interval."""
    low, high = coat.wet_film_low_um, coat.wet_film_high_um
    if low is None or high is None:
        return "not measured"
    if high == low:
        return units.film(low)
    return f"{units.film(low).split()[0]} to {units.film(high)}"


def mix_words(mix: Mix) -> str:
    """What was added to the material, as volumes per volume of it."""
    parts = [
        f"{fraction:.0%} {name}"
        for name, fraction in (
            ("reducer", mix.reducer_fraction),
            ("retarder", mix.retarder_fraction),
            ("catalyst", mix.catalyst_fraction),
        )
        if fraction
    ]
    return ", ".join(parts) if parts else "as supplied"


def quantity(units: Units, unit: str, value: float | None, plus_minus: float | None = None) -> str:
    """A mean with its unit, and ± where an uncertainty is known; ``unit`` is the SenML one."""
    text = units.quantity(unit, value)
    if value is None or plus_minus is None:
        return text
    number, _, shown_unit = text.partition(" ")
    scaled = plus_minus * 1.8 if units.us and unit in ("Cel", "K") else plus_minus
    return f"{number} ± {scaled:.1f} {shown_unit}"


def ends(units: Units, unit: str, spread: Spread) -> str:
    """Least and most, without the unit."""
    if spread.low is None or spread.high is None:
        return "not measured"
    low, high = units.quantity(unit, spread.low).split()[0], units.quantity(unit, spread.high).split()[0]
    return low if low == high else f"{low} to {high}"


def degrees_above(units: Units, kelvin: float | None) -> str:
    """A difference for somebody who does not know kelvins."""
    return "–" if kelvin is None else f"{units.difference_value(kelvin):.0f} {units.temperature_unit}"


def hours(value: float) -> str:
    """A length of time from hours: minutes below two hours, days from two days on."""
    value = abs(value)
    if value < 2.0:
        return f"{value * 60:.0f} min"
    if value < 48.0:
        return f"{value:.1f} h" if value < 10 else f"{value:.0f} h"
    return f"{value / 24:.1f} days" if value < 240 else f"{value / 24:.0f} days"


def hours_exact(value: float) -> str:
    """A limit in hours, as set: no rounding away of half an hour."""
    return f"{value:g} h"


def day(moment: datetime, zone: tzinfo) -> str:
    """A day, for the customer."""
    local = moment.astimezone(zone)
    return f"{local.day} {local:%B %Y}"


def clock(moment: datetime, zone: tzinfo) -> str:
    """Day and time, for the shop."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{count} {one if count == 1 else many or one + 's'}"
