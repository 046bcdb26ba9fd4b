//! A small seeded generator: the same seed gives the same faults on every machine.

/// SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014).
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
}

impl Random {
    /// A generator that always gives the same sequence for the same seed.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// The next 64 bits.
    pub const fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number below `limit`; zero if `limit` is zero.
    pub const fn below(&mut self, limit: u64) -> u64 {
        ((self.bits() as u128 * limit as u128) >> 64) as u64
    }

    /// True once in `per_million` of a million calls, on average.
    pub const fn happens(&mut self, per_million: u32) -> bool {
        self.below(1_000_000) < per_million as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// from memory: the first outputs of SplitMix64 for the seed 1234567.
    #[test]
    fn gives_the_published_sequence() {
        let mut random = Random::new(1_234_567);
        assert_eq!(random.bits(), 6_457_827_717_110_365_317);
        assert_eq!(random.bits(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn stays_below_its_limit_and_meets_its_chance() {
        let mut random = Random::new(7);
        assert!((0..10_000).all(|_| random.below(6) < 6));
        assert_eq!(random.below(0), 0);
        let hits = (0..100_000).filter(|_| random.happens(10_000)).count();
        assert!((900..1_100).contains(&hits), "{hits} of 100000 at 1 %");
    }
}
