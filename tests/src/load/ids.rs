//! Ids that Rust, SQL and a `pgbench` script work out alike: UUIDv7 by their shape, decimal numbers by their digits.

/// Kitroom `k`.
pub(super) fn kitroom(k: u64) -> String {
    format!("019d0000-0000-7000-8000-{k:012}")
}

/// The account that owns kitroom `k`.
pub(super) fn account(k: u64) -> String {
    format!("019d0001-0000-7000-8000-{k:012}")
}

/// Item `i` of kitroom `k`, as one number.
pub(super) fn item_number(k: u64, i: u64) -> u64 {
    k * 1000 + i
}

/// Item `i` of kitroom `k`.
pub(super) fn item(k: u64, i: u64) -> String {
    format!("019d0002-0000-7000-8000-{:012}", item_number(k, i))
}

/// The first weighing of item `i` of kitroom `k`.
pub(super) fn first_weighing(k: u64, i: u64) -> String {
    format!("019d0003-0000-7000-8000-{:012}", item_number(k, i))
}

/// A fresh id of the runner's own.
pub(super) fn fresh(series: u64, n: u64) -> String {
    format!("019d0004-{:04}-7000-8000-{n:012}", series % 10_000)
}

/// The secret of account `k`'s device token.
pub(super) fn secret(k: u64) -> [u8; 32] {
    let mut secret = [0x5a; 32];
    secret[24..].copy_from_slice(&k.to_be_bytes());
    secret
}

/// The device token of account `k`.
pub(super) fn token(k: u64) -> String {
    api::platform::token::from_secret(api::platform::token::DEVICE, &secret(k))
}

/// Pseudo-random numbers (SplitMix64), cheap enough to be no part of what is measured.
pub(super) struct Dice(pub(super) u64);

impl Dice {
    /// From 1 to `most`.
    pub(super) fn roll(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % most + 1
    }
}
