"""Answers net-snmp's `pass_persist` from the printer of `printer_rows.py`.

The protocol is that of snmpd.conf(5), "pass_persist": PING and PONG, then get, getnext and set with an OID
on the next line; an answer is OID, type and value on three lines, or NONE.
"""

import bisect
import sys

import printer_rows


def main():
    rows = dict(printer_rows.all_rows())
    oids = sorted(rows)

    def read():
        return sys.stdin.readline().strip()

    while command := read():
        if command == "PING":
            print("PONG", flush=True)
            continue
        asked = tuple(int(arc) for arc in read().strip(".").split("."))
        if command == "set":
            read()
            print("not-writable", flush=True)
            continue
        found = asked if asked in rows else None
        if command == "getnext":
            at = bisect.bisect_right(oids, asked)
            found = oids[at] if at < len(oids) else None
        if found is None:
            print("NONE", flush=True)
        else:
            kind, value = rows[found]
            print("." + ".".join(map(str, found)), kind, value, sep="\n", flush=True)


if __name__ == "__main__":
    main()
