"""Dates of materials against published ones: was it available by the end of that year?

Each row names who says so. "seen": the page or abstract was read; "from memory": the book
is named but was not read again; "common practice": what the trade does, without a source.
"""

import pytest

from xrfmap.pigments import load_rules
from xrfmap.pigments.dates import date_words, decline_remark, period_verdict
from xrfmap.pigments.schema import DateRange

RULES = load_rules()
OUT, EDGE, FITS = "out_of_period", "borderline", "compatible"

CHECKS = [
    # Gettens & Stout 1942, p. 161 (seen): industrial titanium white 1916-19
    ("titanium white (anatase)", 1880, OUT),
    # colour makers' notes (seen): claims 1890-1915, contested, so only the edge
    ("titanium white (anatase)", 1905, EDGE),
    # Pigments through the Ages, titanium white (seen): artists' oil colour 1921
    ("titanium white (anatase)", 1922, FITS),
    # Palazzo Spinelli glossary (seen): shift to rutile 1938, commercial 1940
    ("titanium white (rutile)", 1930, OUT),
    ("titanium white (rutile)", 1950, FITS),
    # Pigments through the Ages, zinc white (seen): trials 1780-82, patents 1794/96
    ("zinc white", 1770, OUT),
    ("zinc white", 1800, EDGE),
    # encyclopaedia after Kühn 1986 (seen): oil from the 1840s
    ("zinc white", 1850, FITS),
    # naturalpigments.com (seen): patent of 1874; precursors 1847 (Gettens & Stout, from memory)
    ("lithopone", 1840, OUT),
    ("lithopone", 1860, EDGE),
    ("lithopone", 1890, FITS),
    # Feller, Artists' Pigments 1 (from memory): proposed 1782, extender from about 1800
    ("barytes", 1770, OUT),
    ("barytes", 1820, FITS),
    # Gettens & Stout 1942, p. 93 (seen): Cookson 1920; proposals of 1843 and 1848
    ("antimony white", 1830, OUT),
    ("antimony white", 1900, EDGE),
    # Bartoll 2008 (seen): Berlin 1704-06, paintings from 1709-10; common 1720s
    ("Prussian blue", 1700, OUT),
    ("Prussian blue", 1712, EDGE),
    ("Prussian blue", 1730, FITS),
    # encyclopaedia copies (seen): name 1777, Thénard 1802, production 1807
    ("cobalt blue", 1770, OUT),
    ("cobalt blue", 1805, EDGE),
    ("cobalt blue", 1830, FITS),
    # Spring 2017 (seen): smalt enters Netherlandish painting during the 16th century
    ("smalt", 1390, OUT),
    ("smalt", 1520, EDGE),
    ("smalt", 1650, FITS),
    # liquisearch (seen): 1805 Höpfner, sold as coeruleum in 1860
    ("cerulean blue", 1780, OUT),
    ("cerulean blue", 1870, FITS),
    # Pigments through the Ages, ultramarine (seen): 1826-28
    ("synthetic ultramarine", 1820, OUT),
    ("synthetic ultramarine", 1835, FITS),
    # CAMEO, phthalocyanine blue (seen): sold in 1935
    ("phthalocyanine blue", 1920, OUT),
    ("phthalocyanine blue", 1950, FITS),
    # Winsor & Newton (seen): 1907, patent 1935
    ("manganese blue", 1870, OUT),
    ("manganese blue", 1920, EDGE),
    # Pigments through the Ages, chrome yellow (seen): published 1809, in use by 1816
    ("chrome yellow", 1790, OUT),
    ("chrome yellow", 1812, EDGE),
    ("chrome yellow", 1820, FITS),
    # eclecticlight.co (seen): artists in Germany about 1829, England 1846-51
    ("cadmium yellow", 1810, OUT),
    ("cadmium yellow", 1835, EDGE),
    ("cadmium yellow", 1850, FITS),
    # freeartdictionary after Mayer (seen): introduced 1907, USA 1919
    ("cadmium red", 1885, OUT),
    ("cadmium red", 1900, EDGE),
    ("cadmium red", 1925, FITS),
    # Roy, Artists' Pigments 2 (from memory): lead-tin yellow I, first half of the 15th century
    ("lead-tin yellow, type I", 1390, OUT),
    ("lead-tin yellow, type I", 1510, FITS),
    # encyclopaedia after Wainwright, Taylor & Harley (seen): easel painting 1600-30
    ("Naples yellow", 1480, OUT),
    ("Naples yellow", 1650, EDGE),
    ("Naples yellow", 1780, FITS),
    # Roy & Berrie (seen): lead-tin-antimony yellow in 17th-century Italy
    ("lead-tin-antimony yellow", 1540, OUT),
    ("lead-tin-antimony yellow", 1650, FITS),
    # CAMEO, Scheele's green (seen): made 1775, published 1778
    ("Scheele's green", 1760, OUT),
    ("Scheele's green", 1790, FITS),
    # Pigments through the Ages, emerald green (seen): 1814; Vienna 1800-05 (from memory)
    ("emerald green", 1790, OUT),
    ("emerald green", 1810, EDGE),
    ("emerald green", 1830, FITS),
    # eclecticlight.co (seen): Guignet 1859; FitzHugh 3 (from memory): Pannetier 1838
    ("viridian", 1810, OUT),
    ("viridian", 1845, EDGE),
    ("viridian", 1870, FITS),
    # Gettens & Stout 1942, p. 109 (seen): Rinman 1780, mentioned as a pigment in 1835
    ("cobalt green", 1770, OUT),
    ("cobalt green", 1840, EDGE),
    # seilnacht.com (seen): Leykauf 1868
    ("manganese violet", 1860, OUT),
    # boingboing.net (seen): YInMn blue 2009
    ("YInMn blue", 2000, OUT),
    # common practice, no source: these were always to be had
    ("lead white", 1200, FITS),
    ("vermilion", 1300, FITS),
    ("azurite", 1400, FITS),
    ("red ochre", 1200, FITS),
    ("indigo", 1300, FITS),
]


@pytest.mark.parametrize(("name", "end", "verdict"), CHECKS)
def test_availability_is_that_of_the_sources(name, end, verdict):
    material = RULES.get(name)
    assert material is not None
    assert period_verdict(material, (end - 10, end)) == verdict


def test_there_are_enough_checks_both_ways():
    assert len(CHECKS) >= 40
    assert {verdict for _, _, verdict in CHECKS} == {OUT, EDGE, FITS}


def test_only_the_end_of_the_period_counts():
    chrome = RULES.get("chrome yellow")
    assert period_verdict(chrome, (1500, 1820)) == FITS
    assert period_verdict(chrome, (1700, 1750)) == OUT
    assert period_verdict(chrome, None) == FITS


def test_a_region_may_have_its_own_dates():
    # nl.wikipedia and Getty 1995 (seen): smalt in Central Asia in the 11th century and in
    # late Byzantium, where European easel painting has none
    smalt = RULES.get("smalt")
    assert period_verdict(smalt, (1350, 1380)) == OUT
    assert period_verdict(smalt, (1350, 1380), "Byzantium") == FITS
    assert period_verdict(smalt, (1350, 1380), "Flanders") == OUT


def test_dates_are_told_with_their_disagreement():
    text = date_words(RULES.get("zinc white"))
    assert "first reports 1780 to 1796" in text
    assert "English patents 1794 and 1796" in text
    assert "in common use from 1834 to 1850" in text


def test_decline_is_a_remark_and_tells_a_revival():
    # encyclopaedia after Jacobi 1941 and Kühn 1968 (seen): none after 1750, rediscovered 1941
    lead_tin = RULES.get("lead-tin yellow")
    text = decline_remark(lead_tin, (1850, 1870))
    assert text is not None
    assert "remark only" in text
    assert "1941" in text
    assert decline_remark(lead_tin, (1630, 1650)) is None
    assert period_verdict(lead_tin, (1850, 1870)) == FITS


def test_years_before_christ_are_antiquity():
    assert DateRange(year=-400, sources=["M2"]).words() == "antiquity"
    assert DateRange(year=1809, sources=["M2"]).words() == "1809"
