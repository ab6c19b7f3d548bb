//! Which device is to be asked for its sensors, and when: after a poll that it answered, at first contact and then
//! seldom. What a process learns of that it forgets at its end, so that a first contact is one of this process.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::{SignedDuration, Timestamp};

use crate::domain::ids::DeviceId;

/// How long a device that has sensors of the air is not asked again.
const REST: SignedDuration = SignedDuration::from_hours(1);
/// How long one that has none is not.
const REST_WITHOUT: SignedDuration = SignedDuration::from_hours(24);

/// When devices were asked for their sensors, and which have any.
#[derive(Clone, Default)]
pub struct Sensors(Arc<Mutex<HashMap<DeviceId, Asked>>>);

#[derive(Clone, Copy)]
struct Asked {
    at: Timestamp,
    /// Whether it has ever had sensors: one whose answer was lost is asked as often as before.
    has_any: bool,
}

impl Sensors {
    fn asked(&self) -> MutexGuard<'_, HashMap<DeviceId, Asked>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a device is to be asked now. A clock that was put back keeps nobody waiting.
    #[must_use]
    pub fn is_due(&self, device: DeviceId, now: Timestamp) -> bool {
        let Some(Asked { at, has_any }) = self.asked().get(&device).copied() else { return true };
        let rest = if has_any { REST } else { REST_WITHOUT };
        now < at || now.duration_since(at) >= rest
    }

    /// Notes that a device was asked, and whether it has sensors.
    pub fn note(&self, device: DeviceId, at: Timestamp, has_any: bool) {
        let mut asked = self.asked();
        let had_any = asked.get(&device).is_some_and(|before| before.has_any);
        asked.insert(device, Asked { at, has_any: has_any || had_any });
    }

    /// Forgets the devices that are no longer watched.
    pub fn retain(&self, watched: &HashSet<DeviceId>) {
        self.asked().retain(|device, _| watched.contains(device));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_with_sensors_is_asked_every_hour_and_one_without_every_day() {
        let (with, without) = (DeviceId(1), DeviceId(2));
        let at = |minutes| {
            let began: Timestamp = "2026-11-25T08:00:00Z".parse().unwrap();
            began + SignedDuration::from_mins(minutes)
        };
        let sensors = Sensors::default();
        let due = |minutes| [with, without].map(|device| sensors.is_due(device, at(minutes)));
        assert_eq!(due(0), [true, true], "at first contact");
        sensors.note(with, at(0), true);
        sensors.note(without, at(0), false);
        assert_eq!(due(59), [false, false]);
        assert_eq!(due(60), [true, false]);
        // Its answer was lost: it is asked again after an hour all the same.
        sensors.note(with, at(60), false);
        assert_eq!([due(119), due(120)], [[false, false], [true, false]]);
        assert_eq!(due(24 * 60), [true, true]);
        assert_eq!(due(-1), [true, true], "the clock was put back");
        sensors.retain(&HashSet::from([with]));
        assert_eq!(due(61), [false, true], "who is watched anew is new");
    }
}
