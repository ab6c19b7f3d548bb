"""The standard's own objects, from an independent copy.

pysnmp-mibs 0.1.4 is compiled from RFC 3805 (Printer MIB v2, 2004-06-02), the IANA Printer MIB of 2005,
RFC 2790 (Host Resources MIB) and RFC 3418 (SNMPv2 MIB) by people who had nothing to do with this project.
"""

from functools import cache
from pathlib import Path

import pysnmp_mibs
from pysnmp.smi import builder

MODULES = ["Printer-MIB", "IANA-PRINTER-MIB", "HOST-RESOURCES-MIB", "HOST-RESOURCES-TYPES", "SNMPv2-MIB"]


@cache
def symbols():
    """Every symbol of the modules by its name."""
    loader = builder.MibBuilder()
    loader.add_mib_sources(builder.DirMibSource(str(Path(pysnmp_mibs.__file__).parent)))
    loader.load_modules(*MODULES)
    return {name: symbol for module in MODULES for name, symbol in loader.mibSymbols[module].items()}


def oid(name):
    """The OID of an object, as a tuple."""
    return tuple(symbols()[name].name)


def names_by_oid():
    """The name of every column and scalar by its OID."""
    found = {}
    for name, symbol in symbols().items():
        if type(symbol).__name__ in {"MibTableColumn", "MibScalar"}:
            found[tuple(symbol.name)] = name
    return found


def enum(name):
    """The labels of a textual convention, or of an object's own syntax, as {number: label}."""
    symbol = symbols()[name]
    values = getattr(symbol, "namedValues", None) or getattr(symbol, "syntax", symbol).namedValues
    return {int(number): label for label, number in dict(values).items()}


# What snmpd.conf(5) calls the types of its pass protocol, by the type of the standard.
PASS_KINDS = {"Counter32": "counter", "TimeTicks": "timeticks", "ObjectIdentifier": "objectid", "AutonomousType": "objectid"}


def pass_kind(name):
    """The word of the pass protocol for an object's type."""
    syntax = symbols()[name].syntax
    for cls in type(syntax).__mro__:
        if cls.__name__ in PASS_KINDS:
            return PASS_KINDS[cls.__name__]
        if cls.__name__ in {"OctetString", "Bits"}:
            return "octet"
        if cls.__name__ in {"Integer32", "Integer"}:
            return "integer"
    raise AssertionError(f"no pass type for {name}: {type(syntax).__mro__}")
