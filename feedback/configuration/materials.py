"""Linear expansion coefficients near room temperature, by the name of the material."""

from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from feedback.configuration.suggest import did_you_mean

# Callister, Materials Science and Engineering, appendix B, table B.6, in 1e-6 per degree.
_CALLISTER: Final = {
    "steel A36": "11.7",
    "steel 1020": "11.7",
    "steel 1040": "11.3",
    "steel 4140": "12.3",
    "steel 4340": "12.3",
    "stainless 304": "17.2",
    "stainless 316": "15.9",
    "stainless 440A": "10.2",
    "stainless 17-7PH": "11.0",
    "grey iron G3000": "11.4",
    "ductile iron 60-40-18": "11.2",
    "aluminium 1100": "23.6",
    "aluminium 2024": "22.9",
    "aluminium 6061": "23.6",
    "aluminium 7075": "23.4",
    "aluminium 356.0": "21.5",
    "copper C11000": "17.0",
    "cartridge brass C26000": "19.9",
    "free-cutting brass C36000": "20.5",
    "bearing bronze C93200": "18.0",
    "Ti commercially pure": "8.6",
    "Ti-6Al-4V": "8.6",
    "Inconel 625": "12.8",
    "Invar": "1.6",
    "Super Invar": "0.72",
    "Kovar": "5.1",
    "alumina 99.9%": "7.4",
    "zirconia 3Y": "9.6",
}
# ASM, Thermal Properties of Metals, table 2.2: mean from room temperature to 200 degC.
_CARBIDES: Final = {
    "carbide 94WC-6Co": "4.3",
    "carbide 90WC-10Co": "5.2",
    "carbide 84WC-16Co": "5.8",
    "carbide 97WC-3Co": "4.0",
}
# JCGM 100:2008 (GUM), annex H.1, for a steel gauge; plain "steel" means the same (common practice, +-1).
_GAUGES: Final = {"gauge steel": "11.5", "steel": "11.5"}
# The family's everyday alloy stands for a name without a grade (common practice).
_FAMILIES: Final = {"aluminium": "23.6", "grey iron": "11.4", "ductile iron": "11.2"}

CTE_PER_K: Final[Mapping[str, Decimal]] = MappingProxyType(
    {name: Decimal(f"{value}e-6") for name, value in {**_CALLISTER, **_CARBIDES, **_GAUGES, **_FAMILIES}.items()}
)
_BY_PLAIN_NAME: Final = {name.lower(): value for name, value in CTE_PER_K.items()}


def expansion_of(material: str) -> Decimal:
    """Linear expansion coefficient of `material` in 1/K; ValueError says what to do about an unknown one."""
    plain = " ".join(material.lower().replace("aluminum", "aluminium").split())
    if plain in _BY_PLAIN_NAME:
        return _BY_PLAIN_NAME[plain]
    hint = did_you_mean(plain, CTE_PER_K)
    raise ValueError(f'found {material!r}, which is not in the table; state cte = "11.5e-6 /K" instead{hint}')
