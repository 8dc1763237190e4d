"""VOC of a mix and of a cleaning solvent, from what their records hold.

A mix holds only fractions of reducer, retarder and catalyst: what those contain is in the settings. Water and exempt
solvent of a material follow from its blend and its solids. What is not known stays unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from collector.errors import NotFound, RecordError
from collector.physics.humidity import rectangular
from collector.physics.voc import Part, from_blend
from collector.records.model import Material, Mix, SolventUse
from collector.reference import solvents
from collector.settings import Ledger as LedgerSettings

REDUCER, RETARDER, CATALYST, WATER = "reducer", "retarder", "catalyst", "water added"

AT_ODDS: Final = 0.15
"""A data sheet's VOC and the one of solids and blend may differ by this share before it is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a pot holds.

    Attributes
    ----------
    parts : tuple of Part
        Volumes per volume of the first part; empty where the VOC cannot be told.
    labels : tuple of str
        What each part is.
    regulatory_known : bool
        Whether the shares of water and exempt solvent are known.
    unknown : str
        Why the VOC cannot be told; empty where it can.
    assumed : tuple of str
        What was taken for granted.
    """

    parts: tuple[Part, ...] = ()
    labels: tuple[str, ...] = ()
    regulatory_known: bool = False
    unknown: str = ""
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Supplied:
    """A material before anything is added."""

    part: Part | None
    regulatory_known: bool
    unknown: str
    assumed: tuple[str, ...]


def content_of_mix(mix: Mix, settings: LedgerSettings) -> Content:
    """What a mix holds as applied."""
    supplied = _supplied(mix.material, settings)
    if supplied.part is None:
        return Content(unknown=supplied.unknown, assumed=supplied.assumed)
    parts, labels, assumed = [supplied.part], [mix.material.name], list(supplied.assumed)
    thinner_u = float(rectangular(settings.thinner_accuracy_g_l))
    if mix.reducer_fraction:
        if mix.material.chemistry == "waterborne":
            parts.append(_poured(WATER, mix.reducer_fraction, 0.0, 0.0, settings, water_fraction=1.0))
            labels.append(WATER)
            assumed.append("The reducer of a waterborne material is taken as water.")
        else:
            exempt = settings.reducer_exempt_fraction if settings.exempt_list != "none" else 0.0
            parts.append(
                _poured(REDUCER, mix.reducer_fraction, settings.reducer_voc_g_l, thinner_u, settings, exempt=exempt)
            )
            labels.append(REDUCER)
            assumed.append(f"Reducer: {settings.reducer_voc_g_l:g} g/l, as set.")
    if mix.retarder_fraction:
        parts.append(_poured(RETARDER, mix.retarder_fraction, settings.retarder_voc_g_l, thinner_u, settings))
        labels.append(RETARDER)
        assumed.append(f"Retarder: {settings.retarder_voc_g_l:g} g/l, as set.")
    if mix.catalyst_fraction:
        u = float(rectangular(settings.catalyst_accuracy_g_l))
        parts.append(_poured(CATALYST, mix.catalyst_fraction, settings.catalyst_voc_g_l, u, settings))
        labels.append(CATALYST)
        assumed.append(
            f"Catalyst: {settings.catalyst_voc_g_l:g} ± {settings.catalyst_accuracy_g_l:g} g/l, as set; data sheets "
            "differ widely."
        )
    return Content(
        parts=tuple(parts),
        labels=tuple(labels),
        regulatory_known=supplied.regulatory_known,
        assumed=tuple(assumed),
    )


def content_of_use(use: SolventUse, settings: LedgerSettings) -> Content:
    """What a cleaning solvent holds: as its data sheet says, else from the solvents it names."""
    source = f"VOC of {use.what}"
    if use.voc_g_l is not None:
        u = float(rectangular(use.voc_g_l * settings.data_sheet_accuracy_pct / 100.0))
        part = Part(name=source, volume=1.0, voc_g_l=use.voc_g_l, voc_uncertainty_g_l=u)
        return Content(parts=(part,), labels=(use.what,))
    try:
        blend = solvents.parse_blend(use.what) if "=" in use.what else solvents.blend({use.what: 1.0})
        fractions = dict(zip(blend.names, blend.mass_fractions.tolist(), strict=True))
        part, assumed = _of_blend(source, 0.0, fractions, settings, settings.data_sheet_accuracy_pct)
    except NotFound:
        return Content(unknown=f"VOC of {use.what} not known: give its g/l, or name the solvents it is made of")
    except RecordError as error:
        return Content(unknown=f"VOC of {use.what} cannot be told: {error}")
    return Content(parts=(part,), labels=(use.what,), assumed=tuple(assumed))


def parts_used(content: Content, what: str, litres: float) -> Mapping[str, float]:
    """Litres of each thing in a volume as applied. [l]"""
    if not content.parts:
        return {what: litres}
    everything = sum(float(part.volume) for part in content.parts)
    return {
        label: litres * float(part.volume) / everything
        for label, part in zip(content.labels, content.parts, strict=True)
    }


def _supplied(material: Material, settings: LedgerSettings) -> _Supplied:
    source = f"VOC of {material.name}"
    estimate, assumed, why = _estimate(material, settings)
    if material.voc_g_l is None:
        if estimate is None:
            return _Supplied(part=None, regulatory_known=False, assumed=(), unknown=(
                f"VOC of {material.name} cannot be told: its material has no voc_g_l, and {why}"
            ))  # fmt: skip
        worked_out = f"{material.name}: {estimate.voc_g_l:.0f} g/l worked out from its solids and blend."
        return _Supplied(part=estimate, regulatory_known=True, unknown="", assumed=(*assumed, worked_out))

    sheet, u = material.voc_g_l, float(rectangular(material.voc_g_l * settings.data_sheet_accuracy_pct / 100.0))
    excluded = 0.0 if estimate is None else float(estimate.excluded_fraction)
    # Nothing to leave out is known without the solids, too, where no solvent of the blend is water or exempt.
    known = estimate is not None or _nothing_excluded(material, settings)
    if settings.data_sheet_voc == "less_water_and_exempt":
        if not known:
            return _Supplied(part=None, regulatory_known=False, assumed=(), unknown=(
                f"VOC of {material.name} cannot be told: its voc_g_l is less water and exempt solvent, and {why}"
            ))  # fmt: skip
        sheet, u = sheet * (1.0 - excluded), u * (1.0 - excluded)
    if not known:
        assumed.append(f"{material.name}: its VOC less water and exempt solvent cannot be told, as {why}.")
    elif estimate is not None and abs(sheet - float(estimate.voc_g_l)) > AT_ODDS * max(sheet, 50.0):
        # A sheet that counts the exempt solvent in cannot be divided by the volume without it.
        known = excluded == 0.0
        assumed.append(
            f"{material.name}: its data sheet's VOC comes to {sheet:.0f} g/l, its solids and blend to "
            f"{estimate.voc_g_l:.0f} g/l; one of them wants mending, or the sheet counts exempt solvent in. "
            f"Counted: {sheet:.0f} g/l."
        )
    part = Part(
        name=source,
        volume=1.0,
        voc_g_l=sheet,
        voc_uncertainty_g_l=u,
        water_fraction=0.0 if estimate is None else estimate.water_fraction,
        exempt_fraction=0.0 if estimate is None else estimate.exempt_fraction,
        excluded_uncertainty=0.0 if estimate is None else estimate.excluded_uncertainty,
    )
    return _Supplied(part=part, regulatory_known=known, unknown="", assumed=tuple(assumed))


def _estimate(material: Material, settings: LedgerSettings) -> tuple[Part | None, list[str], str]:
    """VOC, water and exempt share from solids and blend; else None and why not."""
    if not material.solvents:
        return None, [], "its solvents are not named"
    if material.solids_volume_fraction is None:
        return None, [], "its solids by volume are not given"
    try:
        part, assumed = _of_blend(
            f"VOC of {material.name}",
            material.solids_volume_fraction,
            material.solvents,
            settings,
            settings.blend_accuracy_pct,
        )
    except (NotFound, RecordError) as error:
        return None, [], str(error).split("; did you mean")[0].split(" It has:")[0]
    return part, assumed, ""


def _of_blend(
    source: str, solids: float, fractions: Mapping[str, float], settings: LedgerSettings, accuracy_pct: float
) -> tuple[Part, list[str]]:
    blend = solvents.blend(fractions)
    densities, water, exempt, assumed = [], [], [], []
    for solvent in blend.solvents:
        if solvent.density is None:
            raise RecordError(f"the density of {solvent.name} is not known")
        densities.append(solvent.density)
        water.append(solvent.name == "water")
        exempt.append(settings.exempt_list != "none" and solvent.voc_exempt is True and solvent.name != "water")
        if solvent.voc_exempt is None and solvent.name != "water" and settings.exempt_list != "none":
            assumed.append(f"Whether {solvent.name} is exempt is not known: it counts as VOC.")
        elif exempt[-1]:
            assumed.append(f"{solvent.name.capitalize()} is on the exempt list and does not count as VOC.")
    part = from_blend(
        name=source,
        volume=1.0,
        solids_volume_fraction=solids,
        mass_fractions=blend.mass_fractions,
        densities_g_l=densities,
        water=water,
        exempt=exempt,
    )
    share = float(rectangular(accuracy_pct / 100.0))
    with_spread = Part(
        name=source,
        volume=1.0,
        voc_g_l=part.voc_g_l,
        water_fraction=part.water_fraction,
        exempt_fraction=part.exempt_fraction,
        voc_uncertainty_g_l=share * float(part.voc_g_l),
        excluded_uncertainty=share * float(part.excluded_fraction),
    )
    return with_spread, assumed


def _nothing_excluded(material: Material, settings: LedgerSettings) -> bool:
    if not material.solvents:
        return False
    try:
        found = [solvents.find(name) for name in material.solvents]
    except NotFound:
        return False
    counts_all = settings.exempt_list == "none"
    return not any(solvent.name == "water" or (solvent.voc_exempt and not counts_all) for solvent in found)


def _poured(
    label: str,
    fraction: float,
    voc_g_l: float,
    u_voc_g_l: float,
    settings: LedgerSettings,
    *,
    water_fraction: float = 0.0,
    exempt: float = 0.0,
) -> Part:
    return Part(
        name=f"VOC of the {label}",
        volume=fraction,
        voc_g_l=voc_g_l,
        water_fraction=water_fraction,
        exempt_fraction=exempt,
        voc_uncertainty_g_l=u_voc_g_l,
        volume_uncertainty=float(rectangular(fraction * settings.mixing_accuracy_pct / 100.0)),
    )
