//! What is worked out once and shown by many pages, and how long it is shown.
//!
//! What is quickly worked out is shown again only while the store holds the very same, so that every page of a small
//! room is of this moment. What takes long is worked out by a job, over and over at a small share of the machine's
//! time, and pages are shown from the last one: with ten thousand machines a page cannot wait for it.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use std::time::{Duration, Instant};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use crate::domain::outlook::Present;
use crate::jobs::Handle;
use crate::store::{Result, Store};

/// What takes less is worked out whenever something has changed.
const QUICK: Duration = Duration::from_millis(100);
/// What takes more is not waited for either after something was done on a page: it follows by itself.
const PATIENCE: Duration = Duration::from_secs(1);
/// It is worked out anew after so many times as long as it took.
const SHARE: u32 = 20;
/// Of an unchanged store it is still something else after so long: machines fall silent while nothing happens.
const SAME: SignedDuration = SignedDuration::from_secs(60);
/// No page shows anything older, but for what takes too long.
const OLDEST: Duration = Duration::from_mins(10);

/// The last of something that is worked out from the whole store.
#[derive(Debug)]
pub struct Latest<T> {
    held: RwLock<Option<Arc<Held<T>>>>,
    /// Whoever works it out holds this; the others wait and then find it.
    turn: tokio::sync::Mutex<()>,
    /// How often something was done on a page.
    done: AtomicU64,
    /// The job that works it out, once there is one.
    job: OnceLock<Handle>,
}

impl<T> Default for Latest<T> {
    fn default() -> Self {
        Self {
            held: RwLock::default(),
            turn: tokio::sync::Mutex::default(),
            done: AtomicU64::default(),
            job: OnceLock::new(),
        }
    }
}

/// The same for several things of one kind, such as months: those that were asked for last are kept.
#[derive(Debug)]
pub struct LatestOf<K, T> {
    kept: Mutex<VecDeque<(K, Arc<Latest<T>>)>>,
    job: OnceLock<Handle>,
}

/// So many of a kind are kept.
const KEPT: usize = 4;

impl<K, T> Default for LatestOf<K, T> {
    fn default() -> Self {
        Self { kept: Mutex::default(), job: OnceLock::new() }
    }
}

impl<K: PartialEq + Clone, T> LatestOf<K, T> {
    /// The last one of a key, worked out or not.
    pub fn of(&self, key: &K) -> Arc<Latest<T>> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let found = kept.iter().position(|(of, _)| of == key).and_then(|at| kept.remove(at));
        let latest = found.map_or_else(
            || {
                let latest = Arc::<Latest<T>>::default();
                if let Some(job) = self.job.get() {
                    latest.is_renewed_by(job.clone());
                }
                latest
            },
            |(_, latest)| latest,
        );
        kept.push_front((key.clone(), Arc::clone(&latest)));
        kept.truncate(KEPT);
        latest
    }

    /// Every one that is kept.
    pub fn all(&self) -> Vec<(K, Arc<Latest<T>>)> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).iter().cloned().collect()
    }

    /// Says that something was done on a page.
    pub fn outdate(&self) {
        self.all().iter().for_each(|(_, latest)| latest.outdate());
    }

    /// From now on a job calls [`Latest::renew`] of each over and over.
    pub fn is_renewed_by(&self, job: &Handle) {
        // A second job for the same would be a mistake that does no harm.
        let _ = self.job.set(job.clone());
        self.all().iter().for_each(|(_, latest)| latest.is_renewed_by(job.clone()));
    }
}

#[derive(Debug)]
struct Held<T> {
    value: Arc<T>,
    taken_at: Timestamp,
    today: Date,
    /// What the store held, as far as it can be told apart.
    mark: String,
    done: u64,
    made: Instant,
    took: Duration,
}

impl<T> Latest<T> {
    /// Says that something was done on a page.
    pub fn outdate(&self) {
        self.done.fetch_add(1, Ordering::SeqCst);
        if let Some(job) = self.job.get() {
            job.ring();
        }
    }

    /// From now on a job calls [`Latest::renew`] over and over, so that pages need not wait for what takes long.
    pub fn is_renewed_by(&self, job: Handle) {
        // A second job for the same would be a mistake that does no harm.
        let _ = self.job.set(job);
    }

    /// The one to show now; `work_out` makes a new one.
    ///
    /// # Errors
    /// If the store cannot be reached, or what `work_out` says.
    pub async fn get<E: From<crate::store::StoreError>>(
        &self,
        store: &Store,
        present: &Present,
        work_out: impl AsyncFnOnce() -> std::result::Result<T, E>,
    ) -> std::result::Result<Arc<T>, E> {
        if let Some(value) = self.fit(store, present).await? {
            return Ok(value);
        }
        let _turn = self.turn.lock().await;
        if let Some(value) = self.fit(store, present).await? {
            return Ok(value);
        }
        self.make(store, present, work_out).await
    }

    /// Works it out anew if there is none, or if it takes long and is due: what the job does.
    ///
    /// # Errors
    /// Likewise.
    pub async fn renew<E: From<crate::store::StoreError>>(
        &self,
        store: &Store,
        present: &Present,
        work_out: impl AsyncFnOnce() -> std::result::Result<T, E>,
    ) -> std::result::Result<(), E> {
        let _turn = self.turn.lock().await;
        let due = |held: &Held<T>| {
            let outdated = held.done != self.done.load(Ordering::SeqCst) || held.today != present.today();
            held.took >= QUICK && (outdated || held.made.elapsed() >= held.took * SHARE)
        };
        if self.held().is_none_or(|held| due(&held)) {
            self.make(store, present, work_out).await?;
        }
        Ok(())
    }

    async fn make<E: From<crate::store::StoreError>>(
        &self,
        store: &Store,
        present: &Present,
        work_out: impl AsyncFnOnce() -> std::result::Result<T, E>,
    ) -> std::result::Result<Arc<T>, E> {
        // All are read before the store is, so that what happens meanwhile makes it an old one.
        let (done, mark, made) = (self.done.load(Ordering::SeqCst), store.mark().await?, Instant::now());
        let value = Arc::new(work_out().await?);
        let (taken_at, today, took) = (present.now, present.today(), made.elapsed());
        let held = Held { value: Arc::clone(&value), taken_at, today, mark, done, made, took };
        *self.held.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(held));
        Ok(value)
    }

    fn held(&self) -> Option<Arc<Held<T>>> {
        self.held.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The last one, if it may be shown.
    async fn fit(&self, store: &Store, present: &Present) -> Result<Option<Arc<T>>> {
        let Some(held) = self.held() else { return Ok(None) };
        let same_day = held.today == present.today();
        let outdated = held.done != self.done.load(Ordering::SeqCst);
        let fits = if held.took >= QUICK && self.job.get().is_some() {
            let oldest = OLDEST.max(held.took * SHARE * 2);
            held.made.elapsed() <= oldest && (held.took > PATIENCE || (same_day && !outdated))
        } else {
            let age = present.now.duration_since(held.taken_at);
            let young = age >= SignedDuration::ZERO && age <= SAME;
            same_day && !outdated && young && store.mark().await? == held.mark
        };
        Ok(fits.then(|| Arc::clone(&held.value)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_asked_for_last_is_kept() {
        let months = LatestOf::<u8, ()>::default();
        let first = months.of(&1);
        for month in [2, 3, 1, 4, 5] {
            months.of(&month);
        }
        let kept: Vec<u8> = months.all().into_iter().map(|(month, _)| month).collect();
        assert_eq!(kept, [5, 4, 1, 3]);
        assert!(Arc::ptr_eq(&first, &months.of(&1)) && first.done.load(Ordering::SeqCst) == 0);
        months.outdate();
        assert_eq!(first.done.load(Ordering::SeqCst), 1);
    }
}
