//! Simulated printers that answer SNMP and know the truth about their own supplies.
