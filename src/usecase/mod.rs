//! What the program can do: load, let the domain compute, save. Only this layer feeds stored data to the
//! domain; the site, the command line and the jobs call it.

pub mod access;
pub mod advice;
pub mod alert_pages;
pub mod alerts;
pub mod book;
pub mod changes;
pub mod deliver;
pub mod discover;
pub mod feed;
pub mod heads;
pub mod import;
pub mod ingest;
pub mod keeping;
pub mod latest;
pub mod month;
pub mod once;
pub mod orders;
pub mod pages;
pub mod picture;
pub mod questions;
pub mod rightness;
pub mod rules;
pub mod run;
pub mod setup;
pub mod shelf;
pub mod sift;
pub mod slots;
pub mod supply;
pub mod swap;
pub mod told;
pub mod view;

mod digest;
