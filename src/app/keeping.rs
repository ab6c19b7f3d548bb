//! The daily job that keeps readings over years: see [`crate::usecase::keeping`].

use std::time::Duration;

use tracing::info;

use super::starting::SHORTEST_REST;
use super::{Running, Service};
use crate::jobs::Handle;
use crate::usecase::keeping::tidy;

/// How often months are made, packed and thinned out.
const TIDY_EVERY: Duration = Duration::from_hours(24);

impl Running {
    /// Makes the months that come, packs those that are over, and leaves one reading a day of those that ended more
    /// than `detail_months` months ago (0: none).
    pub fn start_tidying(&mut self, service: &Service, detail_months: u32) -> Handle {
        let period = service.clock.real(TIDY_EVERY).max(SHORTEST_REST);
        let (tidying, stop) = (service.clone(), self.stop_signal());
        let work = move || {
            let (service, stop) = (tidying.clone(), stop.clone());
            async move {
                // While a past is brought in, it is not over.
                if service.standing().as_of.is_none() {
                    let present = service.present();
                    let done = tidy(&service.store, detail_months, &present, || !stop.is_cancelled()).await?;
                    info!(packed = done.packed, thinned = done.thinned, "old readings are tidied away");
                }
                Ok(())
            }
        };
        let handle = self.start_job(service, ("old readings", period), work);
        handle.ring();
        handle
    }
}
