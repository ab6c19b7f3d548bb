"""Facts of the trade that the defaults come from: common practice, no published source.

They are held here once more, so that none changes without somebody meaning it, and each has to say beside it in
the sources that it is common practice.
"""

import re

import pytest

from harness import ROOT

# what it is: (file, how it stands there, the figure)
FACTS = {
    "a receptacle's successor is ordered at 70 % full": ("src/domain/rules.rs", r"waste_order_fill: ([\d.]+),\n", 0.70),
    "the alert about it opens there too": ("src/domain/rules.rs", r"waste_open: ([\d.]+),", 0.70),
    "ink is good for 30 months": ("src/domain/part.rs", r"CARTRIDGE_SHELF_LIFE_MONTHS: u32 = (\d+);", 30),
    "a head is warranted until 1200 ml": ("src/domain/head.rs", r"= (1200(?:\.0)?);", 1200),
    "a starter holds 225 ml of 775": ("src/domain/install.rs", r"FULL_OF_STARTER: f64 = 775\.0 / ([\d.]+);", 225),
}


@pytest.mark.parametrize("fact", FACTS)
def test_a_default_is_the_trades_and_says_that_it_has_no_source(fact):
    file, pattern, figure = FACTS[fact]
    text = (ROOT / file).read_text()
    found = re.search(pattern, text)
    assert found, f"{file} does not hold it"
    assert float(found.group(1)) == figure
    prose = " ".join(re.sub(r"//[/!]?", " ", text).split()).lower()
    assert "common practice, no source" in prose


def test_each_kind_of_part_says_how_it_is_kept():
    """A receptacle ships with liquid in it and is stored upright and level; a head's contacts are never touched."""
    text = (ROOT / "src/domain/part.rs").read_text()
    notes = dict(re.findall(r"Self::(\w+) => \"([^\"]{12,})\"", text))
    assert "Upright and level" in notes["Receptacle"]
    assert "never touch the contacts" in notes["Head"]
    assert notes["Cartridge"]
