//! The pages: rendered on the server from what a [`source::Source`] gives, complete without scripts.
//!
//! | address | page |
//! | --- | --- |
//! | `/` | Today: what to do by when, and what ends first |
//! | `/tasks?kind=order&find=bobbin&page=2` | everything that is to be done, page by page |
//! | `/machines`, `/machines/{id}?days=30` | all machines; one machine |
//! | `/machines/{id}/heads` | a machine's print heads, with forms that register, replace and map them |
//! | `/machines/{id}/units` | its units, what is asked about them, and what people say of its supplies |
//! | `/machines/{id}/supplies/{number}?days=120` | one supply: its likely course and why, its use, every reading; `/supplies/{slot}` leads to it |
//! | `/machines/{id}/supplies/{number}/swap`, `/machines/{id}/heads/{place}/swap` | a swap by its guide, before it begins |
//! | `/swaps`, `/swaps.csv`, `/swaps/{id}`, `/swaps/{id}/photo` | the record of swaps; one, a step at a time and then as it was; its picture |
//! | `/shelf`, `/shelf/parts/{number}` | what lies on the shelf; one part with its movements and forms |
//! | `/shelf/new`, `/shelf/parts/{number}/entry` | a new part; what the catalogue says of one, to be changed |
//! | `/shelf/count` | the stock-take |
//! | `/orders`, `/orders/{number}`, `.csv`, `.txt` | what to order, and orders; one order with its forms, and as a file |
//! | `/alerts`, `/alerts/{id}` | what crossed a rule, open and cleared; one alert with its forms |
//! | `/alerts/rules`, `/alerts/rules/{rule}` | the rules; one of them, with a form that tries a change on the past and keeps it |
//! | `/alerts/told`, `/alerts/feeds` | who is told, and what became of messages; the addresses of the feeds |
//! | `/feeds/{secret}/{tasks.ics,days.ics,alerts.atom}` | tasks as a calendar, alerts as a feed |
//! | `/runs/check?length=12&width=1.067&media=gloss` | whether a planned run finishes; all of the question in the address |
//! | `/runs` | runs that were printed and widths of media, with forms that write them down |
//! | `/months?show=EUR` | the months side by side: ink, or what it is worth |
//! | `/months/2026-10`, `/months/2026-10.{pdf,xlsx,csv,json}` | a month's supply report, as a page and as files |
//! | `/setup` | what is set up; below it `devices`, `credentials`, `discover` and `import`, with their forms |
//! | `/setup/guides` | the guides to a swap, version by version |
//! | `/setup/people`, `/setup/changes` | who may come in; what was changed by whom |
//! | `/enter`, `/enter/openid`, `/link/{key}`, `/own` | the way in, by a provider too; choosing a password; one's own visits and tokens |
//! | `/style.css`, `/live.js`, `/healthz` | the style sheet; the script; "ok" while the service serves |
//! | `/readyz`, `/metrics` | whether the service can work, or why not; its figures as OpenMetrics |
//! | `/api/v1/…` | the same as JSON, described by `/api/v1/openapi.json` |
//! | `/changes` | server-sent events: that something is new |
//!
//! Forms are sent by POST to `/shelf/parts/{number}/{receive,issue,return,count,write-off}`, `/shelf/count`,
//! `/machines/{id}/units/{slot}/{fell,from,counts,holds}/{at}` `/swaps/{id}/{step}/{done,skip,give-up,end}` and `/months/{month}/close`, from pages of this site only, and lead back to a page (303) once they are booked.

mod access;
#[cfg(test)]
mod access_fixtures;
pub mod access_source;
#[cfg(test)]
mod access_tests;
pub mod alert_source;
mod api;
mod assets;
pub(crate) mod chart;
mod climate;
mod error;
mod form;
pub(crate) mod format;
mod guard;
pub mod heads_source;
mod ink;
mod live;
pub(crate) mod pages;
mod power;
pub mod run_source;
pub mod setup_source;
pub mod source;
pub mod supply_source;
pub mod swap_source;
mod visit;
mod watch;
mod words;

#[cfg(test)]
mod alert_fixtures;
#[cfg(test)]
mod alert_tests;
#[cfg(test)]
mod fixtures;
#[cfg(test)]
mod heads_fixtures;
#[cfg(test)]
mod heads_tests;
#[cfg(test)]
mod month_fixtures;
#[cfg(test)]
mod month_tests;
#[cfg(test)]
mod order_fixtures;
#[cfg(test)]
mod order_tests;
#[cfg(test)]
mod run_fixtures;
#[cfg(test)]
mod run_tests;
#[cfg(test)]
mod setup_fixtures;
#[cfg(test)]
mod setup_tests;
#[cfg(test)]
mod shelf_fixtures;
#[cfg(test)]
mod shelf_tests;
#[cfg(test)]
mod supply_fixtures;
#[cfg(test)]
mod supply_tests;
#[cfg(test)]
mod swap_fixtures;
#[cfg(test)]
mod swap_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod units_fixtures;
#[cfg(test)]
mod units_tests;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};

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

/// What a process without pages tells programs that watch it, behind the same door.
pub fn watch_router_for<S: Source>(source: S, hosts: Hosts) -> Router {
    let guard = guard::Guard { source: source.clone(), hosts, patience: guard::PATIENCE };
    Router::new()
        .route("/metrics", get(watch::metrics::<S>))
        .fallback(async || error::SiteError::NoSuchPage)
        .with_state(source.clone())
        .layer(from_fn_with_state(source.clone(), access::admit::<S>))
        .merge(watch::open(source))
        .layer(from_fn_with_state(guard, guard::stand::<S>))
}

fn guarded<S: Source>(guard: guard::Guard<S>) -> Router {
    let source = guard.source.clone();
    Router::new()
        .route("/", get(pages::today::show::<S>))
        .route("/tasks", get(pages::tasks::show::<S>))
        .route("/machines", get(pages::machines::show::<S>))
        .route("/machines/{id}", get(pages::machine::show::<S>))
        .route("/orders", get(pages::orders::show::<S>).post(pages::orders::draft::<S>))
        .route("/orders/{order}", get(pages::order::show::<S>))
        .route("/orders/{order}/{action}", post(pages::order::act::<S>))
        .route("/machines/{id}/units", get(pages::units::show::<S>))
        .route("/machines/{id}/units/{slot}/{action}/{at}", post(pages::units::tell::<S>))
        .route("/shelf", get(pages::shelf::show::<S>))
        .route("/shelf/count", get(pages::count::show::<S>).post(pages::count::book::<S>))
        .route("/shelf/new", get(pages::entry::new::<S>).post(pages::entry::add::<S>))
        .route("/shelf/parts/{number}/entry", get(pages::entry::show::<S>).post(pages::entry::change::<S>))
        .route("/shelf/parts/{number}", get(pages::part::show::<S>))
        .route("/shelf/parts/{number}/{action}", post(pages::part::book::<S>))
        .merge(pages::alerts::routes::<S>())
        .merge(pages::heads::routes::<S>())
        .merge(pages::runs::routes::<S>())
        .merge(pages::supply::routes::<S>())
        .merge(pages::swap::routes::<S>())
        .route("/months", get(pages::months::show::<S>))
        .route("/months/{month}", get(pages::month::show::<S>))
        .route("/months/{month}/close", post(pages::month::close::<S>))
        .merge(pages::setup::routes::<S>())
        .merge(pages::people::routes::<S>())
        .merge(api::routes::<S>())
        .route("/style.css", get(assets::style))
        .route("/live.js", get(assets::script))
        .route("/changes", get(live::changes::<S>))
        .route("/metrics", get(watch::metrics::<S>))
        .fallback(async || error::SiteError::NoSuchPage)
        .method_not_allowed_fallback(async || error::SiteError::WrongMethod)
        .layer(DefaultBodyLimit::max(guard::BODY_BYTES))
        .with_state(source.clone())
        .layer(from_fn_with_state(source.clone(), access::admit::<S>))
        .merge(watch::open(source))
        .layer(from_fn_with_state(guard, guard::stand::<S>))
}
