//! The service as an issuer, for shops without another: an Ed25519 key of its own, made at the first start, encrypted at
//! rest like the others.

use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, DecodingKey};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::key::{self, SigningKey};

use super::keys::KeySet;
use super::{Audience, Claims, MAX_TEXT_CHARS, is_plain};
use crate::caller::Role;
use crate::config::Config;
use crate::error::ServiceError;
use crate::identity;

/// The longest that a token may be good: whoever keeps people's roles should be asked again now and then. Common practice,
/// no source.
pub const MAX_HOURS: u32 = 31 * 24;

/// Issues tokens.
pub struct OwnIssuer {
    issuer: String,
    audience: String,
    key: SigningKey,
}

/// A token, and what stands in it that one may tell.
pub struct Issued {
    /// The token: whoever has it is the person.
    pub token: String,
    /// By this it is revoked.
    pub token_id: String,
    /// Good until then, Unix milliseconds.
    pub expires_ms: u64,
}

impl std::fmt::Debug for Issued {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Issued({})", self.token_id)
    }
}

impl OwnIssuer {
    /// Opens the key below the data folder, or makes it.
    pub fn open(config: &Config) -> Result<OwnIssuer, ServiceError> {
        if !config.tokens.own {
            let why = "the configuration has `own = false`: this service takes tokens of another issuer".to_owned();
            return Err(ServiceError::Key { what: "issuing tokens".to_owned(), why });
        }
        let passphrase = identity::passphrase(config)?;
        let key = identity::signing_key(&config.keys_dir().join("token.pem"), &passphrase)?;
        Ok(OwnIssuer { issuer: config.origin_name.clone(), audience: config.tokens.audience.clone(), key })
    }

    /// What its tokens call it.
    pub fn issuer(&self) -> &str {
        &self.issuer
    }

    /// What its tokens are checked with.
    pub fn public_keys(&self) -> KeySet {
        let x = BASE64_URL_SAFE_NO_PAD.encode(self.key.verifying_key().as_bytes());
        let key = DecodingKey::from_ed_components(&x).expect("32 bytes, encoded a line above");
        KeySet::of(self.key_id(), Algorithm::EdDSA, key)
    }

    /// A token for this person with these roles, from `now_ms` on.
    pub fn issue(&self, person: &str, roles: &[Role], hours: u32, now_ms: u64) -> Result<Issued, ServiceError> {
        let bad = |why: String| ServiceError::Key { what: "the token".to_owned(), why };
        if person.is_empty() || !is_plain(person) {
            return Err(bad(format!("the person has to be named in 1 to {MAX_TEXT_CHARS} letters of one line")));
        }
        if !(1..=MAX_HOURS).contains(&hours) {
            return Err(bad(format!("{hours} hours are not from 1 to {MAX_HOURS}")));
        }
        if roles.is_empty() || roles.contains(&Role::Station) {
            return Err(bad("it needs a role of planner, quality, custodian; stations show certificates".to_owned()));
        }
        let token_id = Id::random().to_string();
        let begins = now_ms / 1000;
        let ends = begins + u64::from(hours) * 3600;
        let claims = Claims {
            iss: self.issuer.clone(),
            sub: person.to_owned(),
            aud: Audience::One(self.audience.clone()),
            exp: ends.into(),
            nbf: None,
            iat: Some(begins.into()),
            jti: Some(token_id.clone()),
            name: Some(person.to_owned()),
            roles: roles.iter().map(|role| role.name().to_owned()).collect(),
        };
        let token = self.sign(&claims).map_err(|e| bad(e.to_string()))?;
        Ok(Issued { token, token_id, expires_ms: ends * 1000 })
    }

    /// JWS, compact (RFC 7515, section 3.1), with EdDSA (RFC 8037, section 3.1). The key is used where it is: no copy of
    /// it is made in another library's form.
    fn sign(&self, claims: &Claims) -> Result<String, serde_json::Error> {
        let header = serde_json::json!({ "alg": "EdDSA", "typ": "JWT", "kid": self.key_id() });
        let header = BASE64_URL_SAFE_NO_PAD.encode(serde_json::to_vec(&header)?);
        let body = BASE64_URL_SAFE_NO_PAD.encode(serde_json::to_vec(claims)?);
        let signed = format!("{header}.{body}");
        let signature = BASE64_URL_SAFE_NO_PAD.encode(key::sign(&self.key, signed.as_bytes()));
        Ok(format!("{signed}.{signature}"))
    }

    fn key_id(&self) -> String {
        key::key_id(&self.key.verifying_key()).to_string()
    }
}
