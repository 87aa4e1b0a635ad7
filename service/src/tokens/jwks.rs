//! Another issuer's key set: read from a file or an address, kept, and read again when it may have changed.
//!
//! Issuers change their keys by putting the new one into the set before they sign with it. So a set is read again when
//! it is old, and at once for a key that it does not have. An attempt is made at most once a minute, whoever asks: callers
//! who make up key ids cannot turn this service against the issuer. While the set cannot be read the old one stays in use.

use std::sync::{Arc, RwLock};

use jsonwebtoken::{Algorithm, DecodingKey};
use rinsebook_proto::clock::Clock;
use tokio::sync::Mutex;

use super::fetch;
use super::keys::KeySet;
use crate::config::{JwksPlace, OutsideIssuer};
use crate::error::ServiceError;

/// Attempts to read a set are at least this far apart.
const ATTEMPTS_APART_MS: u64 = 60_000;
/// A set is a few kilobytes.
pub(super) const MAX_SET_BYTES: usize = 256 << 10;

/// A key set, kept fresh.
pub struct Jwks {
    place: JwksPlace,
    refresh_ms: u64,
    clock: Arc<dyn Clock>,
    known: RwLock<Arc<KeySet>>,
    /// Whoever reads the set holds this.
    read: Mutex<Read>,
}

/// When the set was read, by the boot clock, which nobody can set.
#[derive(Default)]
struct Read {
    tried_ms: Option<u64>,
    got_ms: Option<u64>,
}

impl Read {
    fn may_try(&self, now_ms: u64) -> bool {
        self.tried_ms.is_none_or(|tried| now_ms.saturating_sub(tried) >= ATTEMPTS_APART_MS)
    }

    fn is_old(&self, now_ms: u64, refresh_ms: u64) -> bool {
        self.got_ms.is_none_or(|got| now_ms.saturating_sub(got) >= refresh_ms)
    }
}

impl Jwks {
    /// Reads the set. A file that cannot be read is a mistake to be mended before the service starts; an address that does
    /// not answer is tried again later, and until then no token of this issuer is taken.
    pub async fn open(from: &OutsideIssuer, clock: Arc<dyn Clock>) -> Result<Jwks, ServiceError> {
        let jwks = Jwks {
            place: from.jwks.clone(),
            refresh_ms: from.refresh_ms,
            clock,
            known: RwLock::default(),
            read: Mutex::default(),
        };
        match (jwks.reload().await, &jwks.place) {
            (Err(error), JwksPlace::File(_)) => return Err(error),
            (Err(error), JwksPlace::Url { .. }) => {
                tracing::warn!(%error, "no token of this issuer is taken until its keys can be read");
            }
            (Ok(()), _) => {}
        }
        Ok(jwks)
    }

    /// Reads the set now.
    pub async fn reload(&self) -> Result<(), ServiceError> {
        let mut read = self.read.lock().await;
        self.refresh(&mut read).await
    }

    /// The key of this id for this algorithm.
    pub async fn key(&self, key_id: &str, algorithm: Algorithm) -> Option<DecodingKey> {
        // While somebody else reads the set, the old one is good enough for a key that it has.
        if let Ok(mut read) = self.read.try_lock() {
            let now_ms = self.clock.boot_ms();
            if read.is_old(now_ms, self.refresh_ms) && read.may_try(now_ms) {
                self.tried(&mut read).await;
            }
        }
        let known = || self.known.read().expect("no holder of this lock panics").get(key_id, algorithm);
        if let Some(key) = known() {
            return Some(key);
        }
        let mut read = self.read.lock().await;
        if known().is_none() && read.may_try(self.clock.boot_ms()) {
            self.tried(&mut read).await;
        }
        known()
    }

    async fn tried(&self, read: &mut Read) {
        if let Err(error) = self.refresh(read).await {
            tracing::warn!(%error, "the issuer's old keys stay in use");
        }
    }

    async fn refresh(&self, read: &mut Read) -> Result<(), ServiceError> {
        let now_ms = self.clock.boot_ms();
        read.tried_ms = Some(now_ms);
        let failed = |why: String| ServiceError::Key { what: format!("the key set {}", self.named()), why };
        let json = match &self.place {
            JwksPlace::File(file) => tokio::fs::read(file).await.map_err(|e| failed(e.to_string()))?,
            JwksPlace::Url { url, ca } => {
                fetch::get(url, ca.as_deref(), MAX_SET_BYTES).await.map_err(|e| failed(e.to_string()))?
            }
        };
        let set = KeySet::parse(&json).map_err(failed)?;
        tracing::info!(keys = set.len(), "read the key set of the tokens' issuer");
        *self.known.write().expect("no holder of this lock panics") = Arc::new(set);
        read.got_ms = Some(now_ms);
        Ok(())
    }

    fn named(&self) -> String {
        match &self.place {
            JwksPlace::File(file) => file.display().to_string(),
            // A query may hold a secret.
            JwksPlace::Url { url, .. } => format!("{}{}", url.host().unwrap_or_default(), url.path()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rinsebook_proto::clock::ScriptedClock;

    fn set(key_id: &str) -> String {
        let x = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
        format!(r#"{{"keys":[{{"kty":"OKP","crv":"Ed25519","kid":"{key_id}","x":"{x}"}}]}}"#)
    }

    async fn opened(file: &std::path::Path) -> (Jwks, Arc<ScriptedClock>) {
        let clock = Arc::new(ScriptedClock::at(1_000_000));
        let jwks = JwksPlace::File(file.to_owned());
        let from = OutsideIssuer { issuer: "x".to_owned(), jwks, refresh_ms: 900_000 };
        (Jwks::open(&from, clock.clone()).await.unwrap(), clock)
    }

    #[tokio::test]
    async fn an_unknown_key_is_looked_for_once_a_minute_and_an_old_set_is_read_again() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("jwks.json");
        std::fs::write(&file, set("a")).unwrap();
        let (jwks, clock) = opened(&file).await;
        std::fs::write(&file, set("b")).unwrap();
        assert!(jwks.key("b", Algorithm::EdDSA).await.is_none(), "the set was read a moment ago");
        assert!(jwks.key("a", Algorithm::EdDSA).await.is_some());
        clock.set(1_060_000);
        assert!(jwks.key("b", Algorithm::EdDSA).await.is_some());
        assert!(jwks.key("a", Algorithm::EdDSA).await.is_none(), "what the issuer took out is no longer good");
        std::fs::write(&file, set("c")).unwrap();
        clock.set(1_960_000);
        assert!(jwks.key("b", Algorithm::EdDSA).await.is_none(), "a key taken out is forgotten by age alone");
    }

    #[tokio::test]
    async fn the_old_set_stays_in_use_while_a_new_one_cannot_be_read() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("jwks.json");
        std::fs::write(&file, set("a")).unwrap();
        let (jwks, clock) = opened(&file).await;
        for bad in ["", "{\"keys\":[]}"] {
            std::fs::write(&file, bad).unwrap();
            clock.set(clock.wall_ms() + 2_000_000);
            assert!(jwks.key("a", Algorithm::EdDSA).await.is_some());
            assert!(jwks.reload().await.is_err());
        }
        std::fs::remove_file(&file).unwrap();
        assert!(jwks.reload().await.is_err());
        assert!(jwks.key("a", Algorithm::EdDSA).await.is_some());
        let none = JwksPlace::File(file);
        let from = OutsideIssuer { issuer: "x".to_owned(), jwks: none, refresh_ms: 900_000 };
        assert!(Jwks::open(&from, clock).await.is_err(), "a service does not start on a file that is not there");
    }
}
