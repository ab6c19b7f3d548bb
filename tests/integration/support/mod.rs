//! What the tests share: a database each, a simulated room, requests, and the built program.

pub(crate) mod chance;
pub(crate) mod contents;
pub(crate) mod database;
pub(crate) mod http;
pub(crate) mod line;
pub(crate) mod loft;
pub(crate) mod plain_agent;
pub(crate) mod program;
pub(crate) mod said;

use std::future::Future;
use std::time::Duration;

/// How long anything is waited for. A machine that is busy with other tests is slow; it is not this slow.
pub(crate) const DEADLINE: Duration = Duration::from_secs(30);

/// Waits until `look` finds something; `what` is what a failure says was waited for.
pub(crate) async fn wait_until<T, F: Future<Output = Option<T>>>(
    what: &str,
    mut look: impl FnMut() -> F,
) -> T {
    let watch = async {
        let mut tick = tokio::time::interval(Duration::from_millis(20));
        loop {
            tick.tick().await;
            if let Some(found) = look().await {
                return found;
            }
        }
    };
    match tokio::time::timeout(DEADLINE, watch).await {
        Ok(found) => found,
        Err(_) => panic!("waited {DEADLINE:?} in vain: {what}"),
    }
}
