"""Sentences: element names, lists, next checks and cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from xrfmap.pigments.schema import Material

__all__ = ["METHODS", "element_names", "join", "next_check", "one_or_more", "sentence", "symbols"]

_NAMES = {
    "Na": "sodium", "Mg": "magnesium", "Al": "aluminium", "Si": "silicon", "P": "phosphorus",
    "S": "sulfur", "Cl": "chlorine", "Ar": "argon", "K": "potassium", "Ca": "calcium",
    "Ti": "titanium", "V": "vanadium", "Cr": "chromium", "Mn": "manganese", "Fe": "iron",
    "Co": "cobalt", "Ni": "nickel", "Cu": "copper", "Zn": "zinc", "As": "arsenic",
    "Se": "selenium", "Br": "bromine", "Rb": "rubidium", "Sr": "strontium", "Y": "yttrium",
    "Zr": "zirconium", "Nb": "niobium", "Mo": "molybdenum", "Rh": "rhodium", "Ag": "silver",
    "Cd": "cadmium", "In": "indium", "Sn": "tin", "Sb": "antimony", "I": "iodine",
    "Ba": "barium", "W": "tungsten", "Pt": "platinum", "Au": "gold", "Hg": "mercury",
    "Pb": "lead", "Bi": "bismuth", "Th": "thorium", "U": "uranium",
}  # fmt: skip

METHODS = {
    "uv": "look at the area in ultraviolet light, beside paint that is known to be old",
    "microscopy": "look at the surface under the stereo microscope",
    "infrared": "take an infrared image",
    "reflectance": "take a reflectance spectrum",
    "raman": "Raman microscopy names the compound, often without a sample",
    "xrd": "X-ray diffraction names the crystal, on the object or on a sample",
    "ftir": "infrared spectroscopy (FTIR) names the compound",
    "cross_section": "a cross-section shows the layer it sits in",
    "sem_edx": "electron microscopy (SEM-EDX) on a cross-section shows the grain and its elements",
    "chromatography": "chromatography (HPLC, Py-GC-MS) of a sample names the organic colour",
    "radiocarbon": "radiocarbon dating of binder or support",
}
# What touches nothing comes before what asks for a sample.
_ORDER = tuple(METHODS)
_SAMPLED = frozenset({"cross_section", "sem_edx", "chromatography", "radiocarbon", "xrd", "ftir"})
_TOXIC = {
    "Pb": "lead",
    "Hg": "mercury",
    "As": "arsenic",
    "Cd": "cadmium",
    "Cr": "chromium",
    "Sb": "antimony",
}


def join(words: Iterable[str], last: str = "and") -> str:
    """Join words with commas and a last "and": ``"a, b and c"``."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def element_names(elements: Iterable[str]) -> str:
    """``"lead (Pb) and tin (Sn)"``; the bare symbol where no name is at hand."""
    return join(f"{_NAMES[e]} ({e})" if e in _NAMES else e for e in elements)


def sentence(text: str) -> str:
    """First letter raised, the rest as it is (``capitalize`` would spoil symbols)."""
    return text[:1].upper() + text[1:]


def symbols(elements: Iterable[str]) -> str:
    """``"Pb, Sn"``."""
    return ", ".join(elements)


def one_or_more(names: Sequence[str], most: int = 4) -> str:
    """Names joined by "or", at most `most` of them."""
    if len(names) <= most:
        return join(names, "or")
    return f"{', '.join(names[:most])} or another of {len(names)}"


def next_check(materials: Sequence[Material], elements: Iterable[str], where: str) -> str:
    """Say what to do next about some materials in an area, the least invasive first.

    Parameters
    ----------
    materials : sequence of Material
        The ones in question.
    elements : iterable of str
        Elements seen there, for the caution on toxic pigments.
    where : str
        Name of the area.
    """
    asked = {method for material in materials for method in material.confirm}
    asked.add("cross_section")
    if "uv" not in asked and not asked & {"microscopy", "reflectance"}:
        asked.add("microscopy")
    steps = [METHODS[method] for method in _ORDER if method in asked]
    text = f"At {where}: {'; then '.join(steps[:2])}"
    if steps[2:]:
        text += f"; further: {'; '.join(steps[2:])}"
    text += "."
    if asked & _SAMPLED:
        text += (
            " Look first for a sample that exists already; taking one is for the owner to allow "
            "and for a qualified conservator to do."
        )
    toxic = [_TOXIC[e] for e in dict.fromkeys(elements) if e in _TOXIC]
    if toxic:
        text += (
            f" Compounds of {join(toxic)} are toxic: the rules of the place and its safety "
            f"officer come first, no dust, no dry scraping."
        )
    return text
