//! Secrets that are handed out once and kept only as hashes: a prefix that scanners know, 256 random bits in base 62,
//! and a checksum, so that a mistyped token is told from a revoked one without asking the database.

use rand::TryRngCore;
use rand::rngs::OsRng;
use sha2::{Digest, Sha256};

/// The prefix of device tokens.
pub const DEVICE: &str = "tbd_";
/// The prefix of refresh tokens.
pub const REFRESH: &str = "tbr_";
/// The prefix of invitations.
pub const INVITATION: &str = "tbi_";

const DIGITS: &[u8; 62] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz";
/// 62^43 is above 2^256, 62^6 above 2^32.
const SECRET_DIGITS: usize = 43;
const CHECK_DIGITS: usize = 6;

/// A new token with this prefix.
///
/// # Errors
/// When the system gives no randomness.
pub fn mint(prefix: &str) -> Result<String, rand::rand_core::OsError> {
    let mut secret = [0u8; 32];
    OsRng.try_fill_bytes(&mut secret)?;
    Ok(from_secret(prefix, &secret))
}

/// The token with this prefix and this secret.
#[must_use]
pub fn from_secret(prefix: &str, secret: &[u8; 32]) -> String {
    let body = format!("{prefix}{}", base62(secret, SECRET_DIGITS));
    let check = base62(&crc32fast::hash(body.as_bytes()).to_be_bytes(), CHECK_DIGITS);
    body + &check
}

/// Whether a text has the shape of a token with this prefix.
#[must_use]
pub fn is_well_formed(prefix: &str, token: &str) -> bool {
    if token.len() != prefix.len() + SECRET_DIGITS + CHECK_DIGITS
        || !token.starts_with(prefix)
        || !token.is_ascii()
    {
        return false;
    }
    let (body, check) = token.split_at(prefix.len() + SECRET_DIGITS);
    check == base62(&crc32fast::hash(body.as_bytes()).to_be_bytes(), CHECK_DIGITS)
}

/// What is stored of a token. A fast hash is enough for 256 random bits (OWASP ASVS 5.0, 6.5.2).
#[must_use]
pub fn hash(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

fn base62(bytes: &[u8], digits: usize) -> String {
    let mut number = bytes.to_vec();
    let mut out = vec![b'0'; digits];
    for slot in out.iter_mut().rev() {
        let mut rest = 0u32;
        for byte in &mut number {
            let value = rest * 256 + u32::from(*byte);
            *byte = (value / 62) as u8;
            rest = value % 62;
        }
        *slot = DIGITS[rest as usize];
    }
    String::from_utf8(out).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mint_one_changed_letter_is_noticed() {
        let token = mint(DEVICE).unwrap();
        assert!(is_well_formed(DEVICE, &token));
        assert!(!is_well_formed(REFRESH, &token));
        let mut wrong = token.clone().into_bytes();
        wrong[10] = if wrong[10] == b'x' { b'y' } else { b'x' };
        assert!(!is_well_formed(DEVICE, std::str::from_utf8(&wrong).unwrap()));
        assert_ne!(mint(DEVICE).unwrap(), token);
    }

    #[test]
    fn base62_known_numbers() {
        assert_eq!(base62(&[0, 0, 0, 61], 6), "00000z");
        assert_eq!(base62(&[0, 0, 0, 62], 6), "000010");
        let digits = base62(&[255; 4], 6);
        let value =
            digits.bytes().fold(0u64, |n, d| n * 62 + DIGITS.iter().position(|x| *x == d).unwrap() as u64);
        assert_eq!(value, u64::from(u32::MAX));
    }
}
