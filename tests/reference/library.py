"""What chemicals 1.5.2, thermo 0.6.1 and CoolProp say of a solvent, asked the same way for all."""

import math
import warnings
from functools import cache, wraps

from chemicals import MW, safety
from CoolProp.CoolProp import PropsSI
from thermo import ChemicalConstantsPackage


def quietly(ask):
    """Warnings are errors here, and the library's own about pandas and unclosed files are not ours to mend."""

    @wraps(ask)
    def asked(*arguments):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return ask(*arguments)

    return asked


COOLPROP = {
    "67-64-1": "Acetone",
    "67-56-1": "Methanol",
    "64-17-5": "Ethanol",
    "71-43-2": "Benzene",
    "108-88-3": "Toluene",
    "1330-20-7": "m-Xylene",
    "100-41-4": "EthylBenzene",
    "142-82-5": "n-Heptane",
    "616-38-6": "DimethylCarbonate",
    "7732-18-5": "Water",
}
STANDS_FOR = {"1330-20-7": "108-38-3", "8032-32-4": "111-65-9", "8052-41-3": "124-18-5", "34590-94-8": "20324-32-7"}
"""Mixtures, and the substance whose physical figures the table gives them."""

ESTIMATES = {"ALIBAKHSHI", "CHEN", "CLAPEYRON", "LIU", "MORGAN_KOBAYASHI", "PITZER", "RIEDEL", "VELASCO", "VETERE"}
"""Methods of latent heat reckoned from critical constants, not from measurements."""


@cache
@quietly
def correlations(cas: str):
    return ChemicalConstantsPackage.from_IDs([STANDS_FOR.get(cas, cas)])[1]


@quietly
def molar_mass(cas: str) -> float:
    return MW(STANDS_FOR.get(cas, cas))


@quietly
def vapour_pressures(cas: str, liquid_c: float) -> dict[str, float]:
    """Every measured curve valid at that temperature [Pa]."""
    curves, kelvin = correlations(cas).VaporPressures[0], liquid_c + 273.15
    found = {
        method: curves.calculate(kelvin, method)
        for method in curves.all_methods
        if curves.T_limits[method][0] <= kelvin <= curves.T_limits[method][1]
        and method not in {"AMBROSE_WALTON", "BOILING_CRITICAL", "EDALAT", "EOS", "LEE_KESLER_PSAT", "SANJARI"}
    }
    if cas in COOLPROP and kelvin > PropsSI("Ttriple", COOLPROP[cas]):
        found["CoolProp"] = PropsSI("P", "T", kelvin, "Q", 0, COOLPROP[cas])
    return found


@quietly
def latent_heat(cas: str) -> float | None:
    """At 20 °C by the best measured method, or None. [kJ/mol]"""
    return _property(correlations(cas).EnthalpyVaporizations[0], 293.15, 1e-3, ESTIMATES)


@quietly
def density(cas: str) -> float | None:
    """Of the liquid at 20 °C. [kg/m³]"""
    volume = _property(correlations(cas).VolumeLiquids[0], 293.15, 1.0, set())
    return None if volume is None else molar_mass(cas) / 1000 / volume


@quietly
def liquid_heat(cas: str) -> float | None:
    """At 25 °C. [J/(kg·K)]"""
    return _property(correlations(cas).HeatCapacityLiquids[0], 298.15, 1000 / molar_mass(cas), set())


@quietly
def vapour_heat(cas: str) -> float | None:
    """At 25 °C. [J/(mol·K)]"""
    return _property(correlations(cas).HeatCapacityGases[0], 298.15, 1.0, set())


@quietly
def flammable_limits(cas: str) -> dict[str, float]:
    """Lower limits of the standards and of Wikidata, without the estimates. [% by volume]"""
    methods = [m for m in safety.LFL_methods(CASRN=cas) if m not in {"Suzuki (1994)", "Crowl and Louvar (2001)"}]
    return {method: 100 * safety.LFL(CASRN=cas, method=method) for method in methods}


@quietly
def flash_points(cas: str) -> dict[str, float]:
    """By source, the estimates of Serat among them. [°C]"""
    return {method: safety.T_flash(cas, method=method) - 273.15 for method in safety.T_flash_methods(cas)}


def _property(prop, kelvin: float, factor: float, estimates: set[str]) -> float | None:
    if prop.method is None or prop.method in estimates:
        return None
    value = prop.T_dependent_property(kelvin)
    return None if value is None or math.isnan(value) else value * factor
