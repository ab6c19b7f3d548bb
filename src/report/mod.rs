//! The month's report as files for other programs: pure functions of the domain's month.

pub mod csv;
