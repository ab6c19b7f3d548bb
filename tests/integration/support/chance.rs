//! Chance by a seed, so that a failure comes again.

/// Where chance comes from: splitmix64.
#[derive(Debug, Clone)]
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    /// A whole number below a bound.
    pub(crate) fn below(&mut self, bound: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % bound
    }
}
