//! Speaks SNMP: bytes, one socket for many devices, and the printer tables as domain values.
