"""Materials of paintings, for simulation and planning.

Formulas are those of the pure compounds; densities are handbook values from memory.
Natural materials carry the traces that matter for dating: titanium and potassium in
clay, strontium and iron in chalk, nickel and arsenic in smalt. Their shares are
plausible amounts, not analyses.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from xrfmap.physics.atomic import Material, mix

__all__ = ["PIGMENTS", "paint", "pigment"]

PIGMENTS: Mapping[str, tuple[str, float]] = {  # formula, density [g/cm3]
    "lead white": ("Pb3C2O8H2", 6.8),
    "chalk": ("CaCO3", 2.71),
    "gypsum": ("CaSO6H4", 2.32),
    "zinc white": ("ZnO", 5.6),
    "titanium white": ("TiO2", 4.2),
    "barytes": ("BaSO4", 4.48),
    "zinc sulfide": ("ZnS", 4.1),
    "antimony white": ("Sb2O3", 5.5),
    "vermilion": ("HgS", 8.1),
    "red lead": ("Pb3O4", 9.0),
    "lead-tin yellow": ("Pb2SnO4", 8.3),
    "lead antimonate": ("Pb2Sb2O7", 7.0),
    "orpiment": ("As2S3", 3.5),
    "chrome yellow": ("PbCrO4", 6.1),
    "strontium yellow": ("SrCrO4", 3.9),
    "cadmium yellow": ("CdS", 4.8),
    "cadmium red": ("Cd5S3Se2", 5.0),
    "azurite": ("Cu3C2O8H2", 3.8),
    "malachite": ("Cu2CO5H2", 4.0),
    "verdigris": ("CuC4H8O5", 1.9),
    "emerald green": ("Cu4As6C4H6O16", 3.3),
    "viridian": ("Cr2O5H4", 3.3),
    "cobalt blue": ("CoAl2O4", 4.2),
    "cerulean blue": ("Co2SnO4", 6.1),
    "Prussian blue": ("Fe7C18N18", 1.8),
    "goethite": ("FeO2H", 4.3),
    "haematite": ("Fe2O3", 5.2),
    "manganese dioxide": ("MnO2", 5.0),
    "kaolin": ("Al2Si2O9H4", 2.6),
    "illite": ("KAl3Si3O12H2", 2.8),
    "quartz": ("SiO2", 2.65),
    "hydroxyapatite": ("Ca5P3O13H", 3.15),
    "carbon": ("C", 1.8),
    "gold": ("Au", 19.3),
    "celestine": ("SrSO4", 3.96),
    "calcite strontium": ("SrCO3", 3.8),
    "linseed oil": ("C57H98O6", 0.93),
    "glue": ("C102H151O39N31", 1.3),
    "resin": ("C30H48O3", 1.07),
    "cellulose": ("C6H10O5", 1.5),
    "potash glass": ("K2Si4O9", 2.5),
    "nickel arsenide": ("NiAs", 7.8),
    "cobalt oxide": ("CoO", 6.4),
}

_MIXED: Mapping[str, Mapping[str, float]] = {  # parts by mass
    "clay": {"kaolin": 55, "illite": 30, "quartz": 14, "titanium white": 1.0},
    "natural chalk": {"chalk": 99.6, "calcite strontium": 0.12, "goethite": 0.2, "quartz": 0.1},
    "natural gypsum": {"gypsum": 99.5, "celestine": 0.3, "quartz": 0.2},
    "yellow ochre": {"goethite": 45, "clay": 55},
    "red ochre": {"haematite": 40, "clay": 60},
    "umber": {"goethite": 45, "manganese dioxide": 15, "clay": 40},
    "green earth": {"illite": 60, "goethite": 25, "clay": 15},
    "smalt": {"potash glass": 90, "cobalt oxide": 5, "nickel arsenide": 2.2, "haematite": 2.5},
    "bone black": {"hydroxyapatite": 84, "carbon": 16},
    "lithopone": {"zinc sulfide": 30, "barytes": 70},
    "natural azurite": {"azurite": 97, "goethite": 1.5, "zinc white": 0.8, "barytes": 0.7},
}


@cache
def pigment(name: str) -> Material:
    """Material of a pigment, filler or medium of this module.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    if name in _MIXED:
        return mix(name, {pigment(part): mass for part, mass in _MIXED[name].items()})
    if name in PIGMENTS:
        formula, density = PIGMENTS[name]
        return Material.from_formula(formula, density, name)
    known = ", ".join(sorted({*PIGMENTS, *_MIXED}))
    raise ValueError(f"no material is called {name!r}; known are {known}")


def paint(
    parts: Mapping[str, float], *, volume_share: float = 0.4, medium: str = "linseed oil"
) -> Material:
    """Paint of several pigments in a medium.

    Parameters
    ----------
    parts : mapping of str to float
        Pigments and their masses, in any one unit.
    volume_share : float
        Share of the dry volume that is pigment; 0.4 is a plausible oil paint.
    medium : str
        Name of the medium.

    Returns
    -------
    Material
        The dry paint, named after its parts.
    """
    if not 0 < volume_share < 1:
        raise ValueError(f"volume_share must lie between 0 and 1, found {volume_share:g}")
    solids = mix(" + ".join(parts), {pigment(name): mass for name, mass in parts.items()})
    binder = pigment(medium)
    return mix(
        f"{solids.name} in {medium}",
        {
            solids: volume_share * solids.density_g_cm3,
            binder: (1 - volume_share) * binder.density_g_cm3,
        },
    )
