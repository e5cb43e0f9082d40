//! Passwords: hashed with argon2id, no more at once than there are cores, and as slow for an unknown account as for a known
//! one.

use std::sync::{Arc, Mutex, PoisonError};

use argon2::password_hash::{Output, ParamsString, PasswordHash, SaltString};
use argon2::{Algorithm as Argon2Algorithm, Argon2, Block, Params, Version};
use rand::TryRngCore;
use rand::rngs::OsRng;

use super::error::ApiError;

/// Cost of hashing a password: argon2id with the parameters that OWASP ASVS 5.0 (appendix C) and the OWASP Password
/// Storage Cheat Sheet name as the minimum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PasswordCost {
    /// Memory in KiB.
    pub memory_kib: u32,
    /// Passes.
    pub passes: u32,
    /// Lanes.
    pub lanes: u32,
}

impl PasswordCost {
    /// What the service uses.
    pub const PRODUCTION: Self = Self { memory_kib: 19_456, passes: 2, lanes: 1 };
    /// The least that the algorithm takes, for tests.
    pub const CHEAP: Self = Self { memory_kib: 8, passes: 1, lanes: 1 };

    fn hasher(self) -> Result<Argon2<'static>, argon2::Error> {
        let params = Params::new(self.memory_kib, self.passes, self.lanes, Some(32))?;
        Ok(Argon2::new(Argon2Algorithm::Argon2id, Version::V0x13, params))
    }
}

/// Refuses a password that is too short, too long, or among the first that anybody guesses.
///
/// # Errors
/// `validation-failed` at the pointer.
pub fn check_password(pointer: &str, password: &str, about: &[&str]) -> Result<(), ApiError> {
    if !(PASSWORD_MIN..=PASSWORD_MAX).contains(&password.len()) {
        let words = format!(
            "has {} bytes; it takes {PASSWORD_MIN} to {PASSWORD_MAX}, and 15 or more are better",
            password.len()
        );
        return Err(ApiError::field(pointer, "out-of-range", words));
    }
    // The estimator looks at the first hundred characters only; longer ones are beyond guessing.
    if zxcvbn::zxcvbn(password, about).guesses() < GUESSES_MIN {
        return Err(ApiError::field(
            pointer,
            "too-common",
            "is among the first that anybody guesses; choose another",
        ));
    }
    Ok(())
}

/// A password that falls within so many guesses is refused: above the 3000 most common ones (OWASP ASVS 5.0, 6.2.4).
const GUESSES_MIN: u64 = 10_000;

/// Hashes and checks passwords, no more at once than there are cores, since each takes its memory.
pub struct Passwords {
    cost: PasswordCost,
    permits: Arc<tokio::sync::Semaphore>,
    /// The memory of those that are done, for the next ones: given back to the allocator it would stay with whichever
    /// thread had it, and there are many more of those than cores.
    memory: Arc<Mutex<Vec<Memory>>>,
    /// What an unknown account is checked against, so that its answer takes as long.
    nobody: String,
}

type Memory = Vec<Block>;

impl std::fmt::Debug for Passwords {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Passwords({:?})", self.cost)
    }
}

/// The least length of a password, in bytes (OWASP ASVS 5.0, 6.2.1).
pub const PASSWORD_MIN: usize = 8;
/// The most, so that hashing has a bound.
pub const PASSWORD_MAX: usize = 1024;

impl Passwords {
    /// With a cost.
    ///
    /// # Errors
    /// When the cost is none that the algorithm takes.
    pub fn new(cost: PasswordCost) -> Result<Self, String> {
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let mut memory = Memory::new();
        let nobody = hash_now(cost, "no account has this password", &mut memory)?;
        let permits = Arc::new(tokio::sync::Semaphore::new(cores));
        Ok(Self { cost, permits, memory: Arc::new(Mutex::new(vec![memory])), nobody })
    }

    /// The PHC string of a password.
    ///
    /// # Errors
    /// `internal` when hashing fails.
    pub async fn hash(&self, password: String) -> Result<String, ApiError> {
        let cost = self.cost;
        self.work(move |memory| hash_now(cost, &password, memory))
            .await?
            .map_err(|e| ApiError::internal("hashing failed", e))
    }

    /// Whether the password is that of the hash; without a hash, no, after as long.
    ///
    /// # Errors
    /// `internal` when the work cannot be done.
    pub async fn verify(&self, password: String, hash: Option<String>) -> Result<bool, ApiError> {
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.nobody.clone());
        let right =
            self.work(move |memory| verify_now(&hash, &password, memory).map_err(|error| error.to_string()));
        let right = right
            .await?
            .map_err(|error| ApiError::internal("a stored password hash cannot be read", error))?;
        Ok(right && known)
    }

    async fn work<T: Send + 'static>(
        &self,
        act: impl FnOnce(&mut Memory) -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let permit = Arc::clone(&self.permits).acquire_owned().await;
        let permit = permit.map_err(|error| ApiError::internal("the password workers are gone", error))?;
        let shelf = Arc::clone(&self.memory);
        tokio::task::spawn_blocking(move || {
            let _permit = permit;
            let taken = shelf.lock().unwrap_or_else(PoisonError::into_inner).pop();
            let mut memory = taken.unwrap_or_default();
            let done = act(&mut memory);
            shelf.lock().unwrap_or_else(PoisonError::into_inner).push(memory);
            done
        })
        .await
        .map_err(|error| ApiError::internal("a password worker failed", error))
    }
}

fn hash_now(cost: PasswordCost, password: &str, memory: &mut Memory) -> Result<String, String> {
    let mut salt = [0u8; 16];
    OsRng.try_fill_bytes(&mut salt).map_err(|error| error.to_string())?;
    let hasher = cost.hasher().map_err(|error| error.to_string())?;
    phc(&hasher, password, &salt, memory).map_err(|error| error.to_string())
}

fn phc(
    hasher: &Argon2<'_>,
    password: &str,
    salt: &[u8],
    memory: &mut Memory,
) -> Result<String, argon2::password_hash::Error> {
    let mut tag = [0u8; 32];
    fill(hasher, password, salt, &mut tag, memory)?;
    let text = SaltString::encode_b64(salt)?;
    let hash = PasswordHash {
        algorithm: Argon2Algorithm::Argon2id.ident(),
        version: Some(Version::V0x13.into()),
        params: ParamsString::try_from(hasher.params())?,
        salt: Some(text.as_salt()),
        hash: Some(Output::new(&tag)?),
    };
    Ok(hash.to_string())
}

/// Whether the password is that of the hash, with the parameters that the hash names. Tags are compared in constant time.
fn verify_now(hash: &str, password: &str, memory: &mut Memory) -> Result<bool, argon2::password_hash::Error> {
    use argon2::password_hash::Error;
    let hash = PasswordHash::new(hash)?;
    let (Some(salt), Some(expected)) = (hash.salt, hash.hash) else { return Err(Error::Password) };
    let algorithm = Argon2Algorithm::try_from(hash.algorithm)?;
    let version = Version::try_from(hash.version.ok_or(Error::Version)?)?;
    let hasher = Argon2::new(algorithm, version, Params::try_from(&hash)?);
    let mut buffer = [0u8; 64];
    let salt = salt.decode_b64(&mut buffer)?;
    let mut tag = vec![0u8; expected.len()];
    fill(&hasher, password, salt, &mut tag, memory)?;
    Ok(Output::new(&tag)? == expected)
}

fn fill(
    hasher: &Argon2<'_>,
    password: &str,
    salt: &[u8],
    tag: &mut [u8],
    memory: &mut Memory,
) -> Result<(), argon2::Error> {
    let blocks = hasher.params().block_count();
    if memory.len() < blocks {
        memory.resize(blocks, Block::default());
    }
    hasher.hash_password_into_with_memory(password.as_bytes(), salt, tag, &mut memory[..blocks])
}

#[cfg(test)]
mod tests {
    use argon2::password_hash::PasswordVerifier;

    use super::*;

    #[test]
    fn hash_production_cost_is_the_published_minimum() {
        let mut memory = Memory::new();
        let phc = hash_now(PasswordCost::PRODUCTION, "a kit check at five", &mut memory).unwrap();
        // OWASP Password Storage Cheat Sheet: Argon2id, m = 19456 (19 MiB), t = 2, p = 1.
        assert!(phc.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{phc}");
        let parsed = PasswordHash::new(&phc).unwrap();
        assert_eq!(parsed.hash.unwrap().len(), 32);
        assert_eq!(verify_now(&phc, "a kit check at five", &mut memory), Ok(true));
        assert_eq!(verify_now(&phc, "a kit check at six", &mut memory), Ok(false));
        // The crate's own verifier, with memory of its own, agrees.
        assert!(Argon2::default().verify_password(b"a kit check at five", &parsed).is_ok());
    }

    #[test]
    fn check_password_common_short_and_own_name_refused() {
        for bad in ["short", "password", "12345678", "qwertyuiop", "runner@example.org"] {
            assert!(check_password("/password", bad, &["runner@example.org"]).is_err(), "{bad}");
        }
        check_password("/password", "four wet socks at dawn", &[]).unwrap();
        assert!(check_password("/password", &"x9 ".repeat(400), &[]).is_err());
    }

    #[test]
    fn verify_known_answer_of_the_reference_implementation() {
        // The argon2 reference implementation's test.c, version 0x13 of Argon2id: t = 2, m = 2^16 KiB, p = 1.
        let phc = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
        let mut memory = Memory::new();
        // Memory that was used before, and more of it than is needed.
        memory.resize(1 << 17, Block::default());
        for _ in 0..2 {
            assert_eq!(verify_now(phc, "password", &mut memory), Ok(true));
        }
        assert_eq!(verify_now(phc, "Password", &mut memory), Ok(false));
        assert!(verify_now("!", "password", &mut memory).is_err());
    }
}
