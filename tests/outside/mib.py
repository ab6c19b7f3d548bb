"""The standard's own objects, from an independent copy.

pysnmp-mibs 0.1.4 is compiled from RFC 3805 (Printer MIB v2, 2004-06-02), the IANA Printer MIB of 2005,
RFC 2790 (Host Resources MIB) and RFC 3418 (SNMPv2 MIB) by people who had nothing to do with this project.
"""

from functools import cache
from pathlib import Path

import pysnmp_mibs
from pyasn1.error import PyAsn1Error
from pysnmp.smi import builder

MODULES = [
    "Printer-MIB", "IANA-PRINTER-MIB", "HOST-RESOURCES-MIB", "HOST-RESOURCES-TYPES", "SNMPv2-MIB",
    "SNMP-USER-BASED-SM-MIB", "IANA-CHARSET-MIB",
]  # fmt: skip


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


@cache
def names_by_oid():
    """The name of every column and scalar by its OID."""
    found = {}
    for name, symbol in symbols().items():
        if type(symbol).__name__ in {"MibTableColumn", "MibScalar"}:
            found[tuple(symbol.name)] = name
    return found


def object_of(instance):
    """The name of the column or scalar that an instance belongs to, and its index; None if there is none."""
    names = names_by_oid()
    for length in range(len(instance) - 1, 6, -1):
        if instance[:length] in names:
            return names[instance[:length]], instance[length:]
    return None


def index_width(name):
    """How many numbers the index of a column has (every table here is indexed by integers); 1 for a scalar."""
    symbol = symbols()[name]
    if type(symbol).__name__ == "MibScalar":
        return 1
    row = next(s for s in symbols().values() if getattr(s, "name", None) == symbol.name[:-1])
    return len(row.indexNames)


def is_legal(name, value):
    """Whether the standard's type of an object, with its ranges and sizes, takes a value."""
    try:
        symbols()[name].syntax.clone(value)
    except PyAsn1Error:
        return False
    return True


def enum(name):
    """The labels of a textual convention, or of an object's own syntax, as {number: label}."""
    symbol = symbols()[name]
    values = getattr(symbol, "namedValues", None) or getattr(symbol, "syntax", symbol).namedValues
    return {int(number): label for label, number in dict(values).items()}


# What net-snmp's programs call the types of values, by the type of the standard.
WIRE_KINDS = {
    "Counter32": {"Counter32"},
    "Gauge32": {"Gauge32"},
    "TimeTicks": {"Timeticks"},
    "ObjectIdentifier": {"OID"},
    "OctetString": {"Hex-STRING", "STRING"},
    "Integer32": {"INTEGER"},
    "Integer": {"INTEGER"},
}


def wire_kinds(name):
    """How net-snmp may name the type of an object's value."""
    for cls in type(symbols()[name].syntax).__mro__:
        if cls.__name__ in WIRE_KINDS:
            return WIRE_KINDS[cls.__name__]
    raise AssertionError(f"no type on the wire for {name}")


# What snmpd.conf(5) calls the types of its pass protocol, by the type of the standard.
PASS_KINDS = {"Counter32": "counter", "TimeTicks": "timeticks", "ObjectIdentifier": "objectid"}


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
