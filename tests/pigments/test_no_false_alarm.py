"""Paint made of nothing but period materials never gives an anachronism; modern paint does.

The materials are mixed at random (fixed seed) from the rule base itself, with the companions
that they may bring, so that this checks the logic and not the dates.
"""

import random

import pytest

from xrfmap.pigments import load_rules, match_pigments
from xrfmap.pigments.dates import known_in, period_verdict

RULES = load_rules()
PERIODS = [(1430, 1450), (1500, 1520), (1630, 1650), (1770, 1790), (1840, 1860), (1910, 1930)]


def fitting(period, *kinds):
    return [
        m
        for m in RULES.materials.values()
        if m.needs
        and period_verdict(m, period) == "compatible"
        and known_in(m, None)
        and m.kind in kinds
    ]


def listed(materials, rng):
    """Elements that an older report might list for a mixture."""
    elements: set[str] = set()
    for m in materials:
        elements |= set(m.needed)
        if m.any_of:
            elements.add(rng.choice(m.any_of.any))
        often = [c.element for c in m.companions if c.how_often == "often"]
        elements |= {e for e in often if rng.random() < 0.5}
    return sorted(elements)


@pytest.mark.parametrize("period", PERIODS)
def test_period_mixtures_are_never_out_of_period(period):
    rng = random.Random(period[0])
    materials = fitting(period, "pigment", "filler", "metal", "additive")
    for _ in range(150):
        chosen = rng.sample(materials, rng.choice((1, 2, 3)))
        elements = listed(chosen, rng)
        result = match_pigments(elements, period)
        verdicts = {flag.verdict for flag in result.flags}
        assert "out_of_period" not in verdicts, ([m.name for m in chosen], elements)


@pytest.mark.parametrize("period", PERIODS)
def test_mixtures_of_usual_materials_are_compatible(period):
    rng = random.Random(period[0] + 1)
    usual = [m for m in fitting(period, "pigment", "filler", "metal") if m.rarity != "rare"]
    for _ in range(150):
        chosen = rng.sample(usual, rng.choice((1, 2, 3)))
        elements = listed(chosen, rng)
        result = match_pigments(elements, period)
        assert result.overall == "compatible", ([m.name for m in chosen], elements, result.flags)
        assert result.areas[0].unexplained == []


# materials whose needed elements no usual material or trace of the time brings
SURE = {
    (1630, 1650): ["cadmium yellow", "cadmium red", "chrome yellow", "viridian", "zinc yellow",
                   "strontium yellow", "titanium white (anatase)", "lithopone", "cobalt blue",
                   "molybdate orange or red", "bismuth vanadate yellow", "YInMn blue"],
    (1770, 1790): ["cadmium yellow", "chrome yellow", "viridian", "titanium white (anatase)",
                   "cobalt green", "YInMn blue"],
    (1840, 1860): ["titanium white (anatase)", "cadmium red", "YInMn blue",
                   "bismuth vanadate yellow"],
}  # fmt: skip


@pytest.mark.parametrize(("period", "names"), SURE.items())
def test_a_strong_modern_material_is_never_missed(period, names):
    rng = random.Random(period[0] + 2)
    usual = [m for m in fitting(period, "pigment", "filler") if m.rarity in ("staple", "usual")]
    for name in names:
        late = RULES.get(name)
        shares = late.expected() if late.has_ratio else dict.fromkeys(late.needed, 1.0)
        whole = sum(shares[e] for e in late.needed)
        for _ in range(15):
            masses: dict[str, float] = {}
            for m in rng.sample(usual, 2):
                for e in m.needed:
                    masses[e] = masses.get(e, 0.0) + rng.uniform(5, 25)
            for e in late.needed:
                masses[e] = masses.get(e, 0.0) + 30 * shares[e] / whole
            result = match_pigments(masses, period)
            assert result.overall != "compatible", (name, masses)
