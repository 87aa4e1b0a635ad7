//! A world that one seed decides: every loss, tear and refusal in it happens again with the same seed.

pub mod disk;

/// A small generator of numbers (SplitMix64). Not for secrets: for the same story from the same seed.
#[derive(Debug, Clone)]
pub struct Dice {
    state: u64,
}

impl Dice {
    /// The same seed gives the same throws.
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// Any number.
    pub fn number(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number below `bound`, which is not zero.
    pub fn below(&mut self, bound: u64) -> u64 {
        self.number() % bound
    }

    /// True once in `times`.
    pub fn once_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    /// So many random bytes.
    pub fn bytes(&mut self, length: u64) -> Vec<u8> {
        (0..length).map(|_| self.number() as u8).collect()
    }
}
