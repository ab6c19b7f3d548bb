"""Factors from the standard's supply units to ours, against Pint's definitions and NIST SP 811 (2008).

Pint 0.25's `default_en.txt` defines its units from the international agreements; NIST SP 811, appendix B.8,
prints them to seven figures. RFC 3805 says only "ounces": that the US fluid ounce and the avoirdupois
ounce are meant is our reading, and stated in src/domain/units.rs.
"""

import re

import pint
import pytest

import mib
from harness import ROOT

# label of RFC 3805: (what one of it is in Pint's words, our measure, Pint's word for that)
PINT = {
    "tenThousandthsOfInches": ("1e-4 inch", "Metres", "meter"),
    "micrometers": ("1 micrometer", "Metres", "meter"),
    "impressions": ("1 count", "Impressions", "count"),
    "sheets": ("1 count", "Sheets", "count"),
    "hours": ("1 hour", "Hours", "hour"),
    "thousandthsOfOunces": ("1e-3 ounce", "Grams", "gram"),
    "tenthsOfGrams": ("0.1 gram", "Grams", "gram"),
    "hundrethsOfFluidOunces": ("0.01 US_fluid_ounce", "Millilitres", "milliliter"),
    "tenthsOfMilliliters": ("0.1 milliliter", "Millilitres", "milliliter"),
    "feet": ("1 foot", "Metres", "meter"),
    "meters": ("1 meter", "Metres", "meter"),
    "items": ("1 count", "Items", "count"),
    "percent": ("1 percent", "Percent", "percent"),
}

# NIST SP 811 (2008), appendix B.8: (what it prints, in SI; one of ours in the same)
NIST = {
    "hundrethsOfFluidOunces": (2.957353e-05 / 100, 1e-6),  # fluid ounce (U.S.) (fl oz), m3
    "thousandthsOfOunces": (2.834952e-02 / 1000, 1e-3),  # ounce (avoirdupois) (oz), kg
    "feet": (3.048e-01, 1.0),  # foot (ft), m
    "tenThousandthsOfInches": (2.54e-02 / 10_000, 1.0),  # inch (in), m
    "micrometers": (1.0e-06, 1.0),  # micron, m
}


def ours():
    """The arms of `conversion` in src/domain/units.rs: {RFC label: (measure, factor)}."""
    text = (ROOT / "src/domain/units.rs").read_text()
    variants = {}
    standard = (ROOT / "src/domain/standard.rs").read_text()
    block = re.search(r"SupplyUnit \{(.*?)\n    \}", standard, re.DOTALL).group(1)
    for variant, number in re.findall(r"(\w+) = (\d+),", block):
        variants[variant] = mib.enum("PrtMarkerSuppliesSupplyUnitTC")[int(number)]
    body = re.search(r"pub fn conversion\(.*?\n\}", text, re.DOTALL).group(0)
    arms = re.findall(r"SupplyUnit::(\w+) => \(Measure::(\w+), ([0-9e._-]+)\)", body)
    return {variants[variant]: (measure, float(factor.replace("_", ""))) for variant, measure, factor in arms}


def test_every_unit_of_the_standard_with_a_size_has_a_factor():
    sized = set(mib.enum("PrtMarkerSuppliesSupplyUnitTC").values()) - {"other", "unknown"}
    assert ours().keys() == PINT.keys() == sized


@pytest.mark.parametrize("label", PINT)
def test_the_factor_is_pints(label):
    units = pint.UnitRegistry()
    one, measure, target = PINT[label]
    assert ours()[label] == (measure, pytest.approx(units(one).to(target).magnitude, rel=1e-12))


@pytest.mark.parametrize("label", NIST)
def test_the_factor_is_nists_to_seven_figures(label):
    si, one_of_ours = NIST[label]
    assert ours()[label][1] * one_of_ours == pytest.approx(si, rel=2e-7)
