//! Reports, parts and lots as files for other programs: pure functions of what the domain says.

pub mod csv;
pub mod shelf_csv;
