"""The supply units of the Printer MIB as exact factors.

RFC 3805, PrtMarkerSuppliesSupplyUnitTC, for the numbers; NIST SP 811 (2008), appendix B.8, and the exact
definitions behind it for the factors (inch 25.4 mm, foot 0.3048 m, avoirdupois ounce 28.349 523 125 g,
US fluid ounce 29.573 529 562 5 ml).
"""

from fractions import Fraction

# number: (our unit, factor); 1 (other) and 2 (unknown) have no size
UNITS = {
    3: ("m", Fraction(254, 10**8)),
    4: ("m", Fraction(1, 10**6)),
    7: ("impressions", Fraction(1)),
    8: ("sheets", Fraction(1)),
    11: ("hours", Fraction(1)),
    12: ("g", Fraction(28349523125, 10**12)),
    13: ("g", Fraction(1, 10)),
    14: ("ml", Fraction(295735295625, 10**12)),
    15: ("ml", Fraction(1, 10)),
    16: ("m", Fraction(3048, 10**4)),
    17: ("m", Fraction(1)),
    18: ("items", Fraction(1)),
    19: ("percent", Fraction(1)),
}
