//! An issuer of tokens somewhere else, good and bad: it signs whatever it is told to, in whatever way, by means that are
//! not the service's.

use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD as BASE64;
use ed25519_dalek::Signer;
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use rinsebook_proto::key::{self, SigningKey};
use serde_json::{Value, json};

/// What it calls itself.
pub const ISSUER: &str = "https://sign-in.invalid";
/// Whom its tokens are for.
pub const AUDIENCE: &str = "rinsebook";

/// See the module.
pub struct Issuer {
    /// Its Ed25519 key, under the id `ed-1`.
    pub ed: SigningKey,
    rsa: EncodingKey,
}

impl Default for Issuer {
    fn default() -> Issuer {
        let rsa = rcgen::KeyPair::generate_rsa_for(&rcgen::PKCS_RSA_SHA256, rcgen::RsaKeySize::_2048);
        let pem = rsa.expect("a key is made").serialize_pem();
        let rsa = EncodingKey::from_rsa_pem(pem.as_bytes()).expect("the key made above");
        Issuer { ed: key::generate(), rsa }
    }
}

impl Issuer {
    /// Its key set: `ed-1` and `rsa-1`.
    pub fn jwks(&self) -> String {
        let mut rsa = Jwk::from_encoding_key(&self.rsa, Algorithm::RS256).expect("an RSA key");
        rsa.common.key_id = Some("rsa-1".to_owned());
        json!({ "keys": [ed_jwk("ed-1", &self.ed), rsa] }).to_string()
    }

    /// A token signed with EdDSA under `ed-1`.
    pub fn token(&self, claims: &Value) -> String {
        ed_token(&json!({ "alg": "EdDSA", "kid": "ed-1" }), claims, &self.ed)
    }

    /// A token signed with RS256 under `rsa-1`.
    pub fn rs256(&self, claims: &Value) -> String {
        let header = Header { kid: Some("rsa-1".to_owned()), ..Header::new(Algorithm::RS256) };
        jsonwebtoken::encode(&header, claims, &self.rsa).expect("a key for this algorithm")
    }

    /// A token signed with nothing (RFC 7519, section 6.1).
    pub fn unsigned(&self, claims: &Value) -> String {
        format!("{}.", signed_part(&json!({ "alg": "none", "kid": "ed-1" }), claims))
    }

    /// A token whose MAC is over a public key, as if that were a secret.
    pub fn hs256(&self, claims: &Value) -> String {
        let header = Header { kid: Some("ed-1".to_owned()), ..Header::new(Algorithm::HS256) };
        let public = EncodingKey::from_secret(self.ed.verifying_key().as_bytes());
        jsonwebtoken::encode(&header, claims, &public).expect("a key for this algorithm")
    }
}

/// A public key as a set has it.
pub fn ed_jwk(key_id: &str, key: &SigningKey) -> Value {
    let x = BASE64.encode(key.verifying_key().as_bytes());
    json!({ "kty": "OKP", "crv": "Ed25519", "use": "sig", "alg": "EdDSA", "kid": key_id, "x": x })
}

/// A token with this header, signed with Ed25519 whatever the header says.
pub fn ed_token(header: &Value, claims: &Value, key: &SigningKey) -> String {
    let signed = signed_part(header, claims);
    let signature = BASE64.encode(key.sign(signed.as_bytes()).to_bytes());
    format!("{signed}.{signature}")
}

fn signed_part(header: &Value, claims: &Value) -> String {
    format!("{}.{}", BASE64.encode(header.to_string()), BASE64.encode(claims.to_string()))
}

/// What a good token says: good for an hour from `now_ms`, for this person with these roles.
pub fn claims(person: &str, roles: &[&str], now_ms: u64) -> Value {
    let now = now_ms / 1000;
    json!({
        "iss": ISSUER, "aud": AUDIENCE, "sub": person, "name": format!("{person} (invented)"), "roles": roles,
        "jti": format!("token of {person}"), "iat": now, "nbf": now, "exp": now + 3600,
    })
}

/// These claims but for one.
pub fn but(claims: &Value, name: &str, value: impl Into<Value>) -> Value {
    let mut changed = claims.clone();
    changed[name] = value.into();
    changed
}
