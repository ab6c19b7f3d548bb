//! The pages: rendered on the server from what a [`source::Source`] gives, complete without scripts.
//!
//! | address | page |
//! | --- | --- |
//! | `/` | Today: what to do by when, and what ends first |
//! | `/machines`, `/machines/{id}?days=30` | all machines; one machine |
//! | `/alerts` | what crossed a rule, open and cleared |
//! | `/months` | leads to the month that is running |
//! | `/months/2026-10`, `/months/2026-10.csv` | a month's supply report, as a page and as a file |
//! | `/style.css`, `/healthz` | the style sheet; "ok" while the service serves |

mod assets;
mod chart;
mod error;
mod format;
mod guard;
mod ink;
mod pages;
pub mod source;
mod words;

#[cfg(test)]
mod fixtures;
#[cfg(test)]
mod tests;

use axum::Router;
use axum::middleware::from_fn_with_state;
use axum::routing::get;

pub use guard::Hosts;
use source::Source;

/// The site for a service that listens on this machine alone: it answers to the names of this machine, and
/// to no other, so that no web page elsewhere can have a browser read it under a name of its own (DNS
/// rebinding).
pub fn router<S: Source>(source: S) -> Router {
    router_for(source, Hosts::Loopback)
}

/// The site, answering to the given host names.
pub fn router_for<S: Source>(source: S, hosts: Hosts) -> Router {
    guarded(guard::Guard { source, hosts, patience: guard::PATIENCE })
}

fn guarded<S: Source>(guard: guard::Guard<S>) -> Router {
    let source = guard.source.clone();
    Router::new()
        .route("/", get(pages::today::show::<S>))
        .route("/machines", get(pages::machines::show::<S>))
        .route("/machines/{id}", get(pages::machine::show::<S>))
        .route("/alerts", get(pages::alerts::show::<S>))
        .route("/months", get(pages::months::current::<S>))
        .route("/months/{month}", get(pages::months::show::<S>))
        .route("/style.css", get(assets::style))
        .route("/healthz", get(async || "ok"))
        .fallback(async || error::SiteError::NoSuchPage)
        .with_state(source)
        .layer(from_fn_with_state(guard, guard::stand::<S>))
}
