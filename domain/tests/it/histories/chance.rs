//! Chance from a seed, so that a history can be run again.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use uuid::Uuid;

/// Draws.
#[derive(Debug, Clone)]
pub struct Chance {
    rng: ChaCha8Rng,
    minted: u64,
}

impl Chance {
    /// The draws of a history.
    pub fn of(seed: u64) -> Self {
        Self { rng: ChaCha8Rng::seed_from_u64(seed), minted: 0 }
    }

    /// Evenly from 0 up to `n`, without `n`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.rng.next_u64() % n as u64) as usize }
    }

    /// True in one of `n` cases.
    pub fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    /// One of these.
    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        if from.is_empty() { None } else { Some(&from[self.below(from.len())]) }
    }

    /// 32 even bits.
    pub fn roll(&mut self) -> u32 {
        self.rng.next_u32()
    }

    /// A fresh UUIDv7 (RFC 9562, section 5.7), later ones greater.
    pub fn id(&mut self) -> Uuid {
        self.minted += 1;
        let time = u128::from(0x018f_0000_0000_u64 + self.minted);
        let low = u128::from(self.rng.next_u64() & 0x3fff_ffff_ffff_ffff) | (0x8 << 60);
        Uuid::from_u128((time << 80) | (0x7 << 76) | low)
    }
}
