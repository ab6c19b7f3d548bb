//! A PostgreSQL of our own: found or fetched, set up, started as a child, and stopped again.
