//! How fast a slot's level has fallen so far, and which fall is so fast that a person should say what it was.
//!
//! A part-used unit that goes in for a fuller one looks like a job, unless it is faster than any job. Most such
//! swaps are a little faster than what the slot has done before.

use jiff::SignedDuration;
use serde::{Deserialize, Serialize};

use super::install::Fall;

/// A fall is asked about when it is faster than this share of a full unit in a minute, 1.6 ml of 775 ml: few
/// machines print as fast for as long as from one poll to the next ...
const STRIKING_SHARE_A_MINUTE: f64 = 1.6 / 775.0;
/// ... or, where a cover stood open meanwhile, than this: a machine does not print with its cover open ...
const STRIKING_WHILE_OPEN: f64 = 1.0 / 775.0;
/// ... or than the fastest fall of the slot so far this many times ...
const STRIKING_TIMES: f64 = 1.3;
/// ... once so many falls are known.
const ENOUGH_FALLS: u32 = 10;

/// The falls of a slot that were large enough to be looked at, and were use.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Falls {
    /// The fastest of them, as a share of a full unit in a minute.
    fastest: f64,
    /// How many they were.
    count: u32,
}

impl Falls {
    /// What a fall was in the light of those before it, and remembers it. `pace` is a share of a full unit in a
    /// minute; none where nobody watched.
    pub(super) fn judge(&mut self, fall: Fall, pace: Option<f64>, opened: bool) -> Fall {
        let Some(pace) = pace.filter(|_| fall != Fall::Swap) else { return fall };
        let striking = if opened { STRIKING_WHILE_OPEN } else { STRIKING_SHARE_A_MINUTE };
        let unlike = self.count >= ENOUGH_FALLS && pace > STRIKING_TIMES * self.fastest;
        self.fastest = self.fastest.max(pace);
        self.count = self.count.saturating_add(1);
        if pace > striking || unlike { Fall::Doubtful } else { fall }
    }
}

/// How fast a level fell by `fall` within `wait`: a share of a `full` unit in a minute. One `step` of it may be
/// rounding.
pub(super) fn pace(fall: f64, step: f64, full: f64, wait: SignedDuration) -> Option<f64> {
    let minutes = wait.as_secs_f64() / 60.0;
    let pace = (fall - step) / full / minutes;
    (minutes > 0.0 && pace.is_finite()).then_some(pace.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    const QUARTER: SignedDuration = SignedDuration::from_mins(15);

    fn fall(ml: f64) -> Option<f64> {
        pace(ml, 0.1, 775.0, QUARTER)
    }

    #[test]
    fn a_fall_unlike_those_before_it_is_asked_about_once() {
        let mut falls = Falls::default();
        for _ in 0..ENOUGH_FALLS {
            assert_eq!(falls.judge(Fall::Use, fall(10.0), false), Fall::Use);
        }
        assert_eq!(falls.judge(Fall::Use, fall(12.0), false), Fall::Use);
        assert_eq!(falls.judge(Fall::Use, fall(18.0), false), Fall::Doubtful);
        assert_eq!(falls.judge(Fall::Use, fall(18.0), false), Fall::Use, "it is known by now");
        assert_eq!(falls.judge(Fall::Swap, fall(90.0), false), Fall::Swap);
        assert_eq!(falls.judge(Fall::Use, None, false), Fall::Use, "nobody watched");
    }

    #[test]
    fn without_a_past_only_what_is_faster_than_printing_is_asked_about() {
        let first = |ml, opened| Falls::default().judge(Fall::Use, fall(ml), opened);
        assert_eq!([first(23.0, false), first(25.0, false)], [Fall::Use, Fall::Doubtful]);
        assert_eq!([first(14.0, true), first(16.0, true)], [Fall::Use, Fall::Doubtful]);
    }
}
