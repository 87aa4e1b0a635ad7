//! A set of public keys (JWK Set, RFC 7517), as far as tokens are checked with it.

use std::collections::HashMap;

use jsonwebtoken::jwk::{AlgorithmParameters, EllipticCurve, Jwk, KeyAlgorithm, PublicKeyUse};
use jsonwebtoken::{Algorithm, DecodingKey};

/// Keys by id and algorithm. What is no public key for EdDSA or RS256 is not in it, whatever the set says.
#[derive(Clone, Default)]
pub struct KeySet(HashMap<(String, Algorithm), DecodingKey>);

impl KeySet {
    /// One key.
    pub fn of(key_id: String, algorithm: Algorithm, key: DecodingKey) -> KeySet {
        KeySet(HashMap::from([((key_id, algorithm), key)]))
    }

    /// Reads a set. A key that is not for us is left aside (RFC 7517, section 5); a set with none for us, or with two
    /// of one id and algorithm, is not taken.
    pub fn parse(json: &[u8]) -> Result<KeySet, String> {
        #[derive(serde::Deserialize)]
        struct Written {
            keys: Vec<serde_json::Value>,
        }
        let written: Written =
            serde_json::from_slice(json).map_err(|_| "it is no JSON object with `keys`".to_owned())?;
        let mut set = HashMap::new();
        for (key_id, algorithm, key) in written.keys.into_iter().filter_map(usable) {
            if set.insert((key_id.clone(), algorithm), key).is_some() {
                return Err(format!("it has two keys {key_id:?} for {algorithm:?}"));
            }
        }
        if set.is_empty() {
            return Err("it has no Ed25519 or RSA key with an id, for signatures".to_owned());
        }
        Ok(KeySet(set))
    }

    /// The key of this id, if it is one for this algorithm.
    pub fn get(&self, key_id: &str, algorithm: Algorithm) -> Option<DecodingKey> {
        self.0.get(&(key_id.to_owned(), algorithm)).cloned()
    }

    /// How many keys.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

fn usable(written: serde_json::Value) -> Option<(String, Algorithm, DecodingKey)> {
    let jwk: Jwk = serde_json::from_value(written).ok()?;
    let algorithm = match &jwk.algorithm {
        AlgorithmParameters::OctetKeyPair(key) if key.curve == EllipticCurve::Ed25519 => Algorithm::EdDSA,
        AlgorithmParameters::RSA(_) => Algorithm::RS256,
        _ => return None,
    };
    let named = match (&jwk.common.key_algorithm, algorithm) {
        (None, _) | (Some(KeyAlgorithm::EdDSA), Algorithm::EdDSA) => true,
        (Some(KeyAlgorithm::RS256), Algorithm::RS256) => true,
        (Some(_), _) => false,
    };
    let signs = matches!(jwk.common.public_key_use, None | Some(PublicKeyUse::Signature));
    if !named || !signs {
        return None;
    }
    let key = DecodingKey::from_jwk(&jwk).ok()?;
    Some((jwk.common.key_id?, algorithm, key))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ED: &str = r#"{"kty":"OKP","crv":"Ed25519","kid":"a","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}"#;

    fn parse(keys: &[&str]) -> Result<KeySet, String> {
        KeySet::parse(format!("{{\"keys\":[{}]}}", keys.join(",")).as_bytes())
    }

    #[test]
    fn a_key_is_found_for_the_algorithm_of_its_kind_alone() {
        let set = parse(&[ED]).unwrap();
        assert!(set.get("a", Algorithm::EdDSA).is_some());
        assert!(set.get("a", Algorithm::RS256).is_none());
        assert!(set.get("a", Algorithm::HS256).is_none());
        assert!(set.get("b", Algorithm::EdDSA).is_none());
    }

    #[test]
    fn keys_that_are_not_for_signatures_of_ours_are_left_aside() {
        let encrypts = ED.replace("\"kid\":\"a\"", "\"kid\":\"e\",\"use\":\"enc\"");
        let nameless = ED.replace("\"kid\":\"a\",", "");
        let secret = r#"{"kty":"oct","kid":"s","k":"c2VjcmV0"}"#;
        let unheard = r#"{"kty":"NEW","kid":"n"}"#;
        let other = ED.replace("\"kid\":\"a\"", "\"kid\":\"o\",\"alg\":\"ES256\"");
        let set = parse(&[&encrypts, &nameless, secret, unheard, &other, ED]).unwrap();
        assert_eq!(set.len(), 1);
        assert!(parse(&[secret]).is_err());
    }

    #[test]
    fn a_set_that_is_none_or_is_ambiguous_is_not_taken() {
        assert!(KeySet::parse(b"[]").is_err());
        assert!(KeySet::parse(b"<html>").is_err());
        assert!(parse(&[]).is_err());
        assert!(parse(&[ED, ED]).err().unwrap().contains("two keys"));
    }
}
