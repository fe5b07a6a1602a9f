"""Mass fractions from formulas, against published molar masses and mineral data."""

import pytest

from xrfmap.pigments.formula import atoms, formula_mass, mass_fractions, mixture_fractions


@pytest.mark.parametrize(
    ("formula", "molar_mass"),
    [
        # CRC Handbook of Chemistry and Physics, physical constants of inorganic compounds
        # (from memory). Tolerance: the atomic weights used are rounded to four digits (Ti 47.9).
        ("PbCO3", 267.21),
        ("TiO2", 79.87),
        ("ZnO", 81.39),
        ("BaSO4", 233.39),
        ("HgS", 232.66),
        ("PbCrO4", 323.19),
        ("CdS", 144.48),
        ("As2S3", 246.04),
        ("Cr2O3", 151.99),
        ("CaSO4·2H2O", 172.17),
        ("ZnSO4·7H2O", 287.56),
        ("2PbCO3·Pb(OH)2", 775.63),
        ("Fe3(PO4)2·8H2O", 501.60),
    ],
)
def test_molar_masses_are_those_of_the_handbook(formula, molar_mass):
    assert formula_mass(formula) == pytest.approx(molar_mass, rel=5e-4)


@pytest.mark.parametrize(
    ("formula", "element", "percent"),
    [
        # Handbook of Mineralogy, ideal compositions (from memory), given to 0.01-0.1 %
        ("2CuCO3·Cu(OH)2", "Cu", 55.31),  # azurite
        ("CuCO3·Cu(OH)2", "Cu", 57.48),  # malachite
        ("As2S3", "As", 60.91),  # orpiment
        ("HgS", "Hg", 86.22),  # cinnabar
        ("PbS", "Pb", 86.60),  # galena
        ("Sb2S3", "Sb", 71.68),  # stibnite
        ("Pb3O4", "Pb", 90.67),  # minium
    ],
)
def test_mass_fractions_are_those_of_the_minerals(formula, element, percent):
    assert 100 * mass_fractions(formula)[element] == pytest.approx(percent, abs=0.06)


def test_brackets_hydrates_and_decimals_are_read():
    assert atoms("Fe4[Fe(CN)6]3") == {"Fe": 7.0, "C": 18.0, "N": 18.0}
    assert atoms("2PbCO3·Pb(OH)2") == {"Pb": 3.0, "C": 2.0, "O": 8.0, "H": 2.0}
    assert atoms("PbSn0.76Si0.24O3")["Sn"] == pytest.approx(0.76)
    assert atoms("Pb₂SnO₄") == {"Pb": 2.0, "Sn": 1.0, "O": 4.0}


@pytest.mark.parametrize(
    ("formula", "message"),
    [
        ("", "1 to 200 characters"),
        ("Pb2Xx", "no element has the symbol 'Xx'"),
        ("Pb(OH", "not closed"),
        ("PbOH)", "never opened"),
        ("Pb2SnO4·", "empty part"),
        ("Pb-Sn", "cannot be read at '-Sn'"),
        ("(2)", "follows nothing"),
    ],
)
def test_text_that_is_no_formula_is_refused(formula, message):
    with pytest.raises(ValueError, match=message.replace("(", r"\(")):
        atoms(formula)


def test_lithopone_of_thirty_percent_holds_half_as_much_zinc_as_barium():
    # 30 % ZnS and 70 % BaSO4: Zn 0.30 x 65.38/97.45, Ba 0.70 x 137.33/233.39 (closed form)
    shares = mixture_fractions([("ZnS", 30), ("BaSO4", 70)])
    assert shares["Zn"] / shares["Ba"] == pytest.approx(0.2013 / 0.4119, rel=1e-3)
    assert sum(shares.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("parts", [[], [("ZnS", 0.0)], [("ZnS", -1.0), ("BaSO4", 3.0)]])
def test_masses_of_a_mixture_must_make_sense(parts):
    with pytest.raises(ValueError, match="masses of a mixture must be >= 0"):
        mixture_fractions(parts)
