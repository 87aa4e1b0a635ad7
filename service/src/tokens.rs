//! Tokens of people: signed JWTs (RFC 7519, RFC 7515) with EdDSA over Ed25519 (RFC 8037) or RS256 (RFC 7518).
//!
//! ```text
//! token ─► header: EdDSA or RS256, a key id ─► issuer: one that we know ─► its key of that id, for that algorithm
//!       ─► signature ─► audience, expiry, beginning ─► not revoked ─► Person
//! ```
//!
//! A key is found by its id *and* the algorithm that its kind allows, so that no token chooses how it is checked: neither
//! `none` nor a symmetric algorithm over a public key finds a key. Nothing of a token that did not pass is told on.

pub mod fetch;
pub mod jwks;
pub mod keys;
pub mod own;
pub mod revoked;

use std::sync::Arc;

use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jsonwebtoken::errors::ErrorKind;
use jsonwebtoken::{Algorithm, DecodingKey, Validation};
use rinsebook_proto::clock::Clock;
use serde::{Deserialize, Serialize};
use serde_json::Number;

use crate::caller::{Person, Role};
use crate::config::Config;
use crate::error::ServiceError;
use jwks::Jwks;
use keys::KeySet;
use own::OwnIssuer;
use revoked::Revoked;

/// A token is refused beyond this, before it is looked into; those with roles and names are far below it.
const MAX_TOKEN_BYTES: usize = 8 << 10;
/// The longest subject, name or token id.
const MAX_TEXT_CHARS: usize = 200;
/// An issuer's clock may be ahead of ours by this when it says from when on a token is good; common practice, no source.
const AHEAD_MS: u64 = 30_000;

/// Why a token is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TokenError {
    /// Not three parts, not JSON, or a claim is missing.
    #[error("the token cannot be read; copy it whole, or get a new one")]
    Malformed,
    /// `none`, a symmetric algorithm, or another that is not taken.
    #[error("the token is not signed with EdDSA or RS256; get one from an issuer that this service is set up for")]
    Algorithm,
    /// Another issuer.
    #[error("the token is from an issuer that this service is not set up for")]
    Issuer,
    /// No such key of this issuer for this algorithm.
    #[error("the issuer has no key of the token's id and algorithm; get a new token")]
    KeyUnknown,
    /// The signature does not hold.
    #[error("the token's signature does not hold; get a new token")]
    Signature,
    /// Meant for others.
    #[error("the token is meant for another audience than this service")]
    Audience,
    /// No longer good.
    #[error("the token has expired; get a new one")]
    Expired,
    /// Not good yet.
    #[error("the token is not good yet; check the issuer's clock, and this service's")]
    NotYet,
    /// Taken back.
    #[error("the token was revoked; ask the custodian for a new one")]
    Revoked,
}

impl TokenError {
    /// All of them.
    pub const ALL: [TokenError; 9] = [
        TokenError::Malformed,
        TokenError::Algorithm,
        TokenError::Issuer,
        TokenError::KeyUnknown,
        TokenError::Signature,
        TokenError::Audience,
        TokenError::Expired,
        TokenError::NotYet,
        TokenError::Revoked,
    ];

    /// The reason for programs; they never change.
    pub fn reason(self) -> &'static str {
        match self {
            TokenError::Malformed => "TOKEN_MALFORMED",
            TokenError::Algorithm => "TOKEN_ALGORITHM",
            TokenError::Issuer => "TOKEN_ISSUER",
            TokenError::KeyUnknown => "TOKEN_KEY_UNKNOWN",
            TokenError::Signature => "TOKEN_SIGNATURE",
            TokenError::Audience => "TOKEN_AUDIENCE",
            TokenError::Expired => "TOKEN_EXPIRED",
            TokenError::NotYet => "TOKEN_NOT_YET",
            TokenError::Revoked => "TOKEN_REVOKED",
        }
    }
}

/// What a token says (RFC 7519, section 4); `name` and `roles` are ours.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Claims {
    iss: String,
    sub: String,
    aud: Audience,
    exp: Number,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    nbf: Option<Number>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    iat: Option<Number>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    jti: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    #[serde(default)]
    roles: Vec<String>,
}

/// One or several (RFC 7519, section 4.1.3).
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(untagged)]
enum Audience {
    One(String),
    Several(Vec<String>),
}

impl Audience {
    fn names(&self, wanted: &str) -> bool {
        match self {
            Audience::One(one) => one == wanted,
            Audience::Several(list) => list.iter().any(|one| one == wanted),
        }
    }
}

/// Checks tokens; shared by all who do.
#[derive(Clone)]
pub struct Tokens(Arc<Inner>);

struct Inner {
    audience: String,
    own: Option<Own>,
    outside: Option<(String, Jwks)>,
    revoked: Revoked,
    clock: Arc<dyn Clock>,
}

/// The service as an issuer, as far as checking goes.
struct Own {
    issuer: String,
    keys: KeySet,
}

impl Tokens {
    /// Opens what the configuration names. A key set that is a file has to be there; one with an address may come later.
    pub async fn open(config: &Config, clock: Arc<dyn Clock>) -> Result<Tokens, ServiceError> {
        let own = match config.tokens.own {
            true => {
                let config = config.clone();
                let opened = crate::work::blocking(move || OwnIssuer::open(&config)).await;
                let issuer = opened.expect("opening a key does not panic")?;
                Some(Own { issuer: issuer.issuer().to_owned(), keys: issuer.public_keys() })
            }
            false => None,
        };
        let outside = match &config.tokens.outside {
            Some(outside) => Some((outside.issuer.clone(), Jwks::open(outside, clock.clone()).await?)),
            None => None,
        };
        let revoked = Revoked::open(&config.keys_dir())?;
        let audience = config.tokens.audience.clone();
        Ok(Tokens(Arc::new(Inner { audience, own, outside, revoked, clock })))
    }

    /// Whose token this is, if it is good now.
    pub async fn check(&self, token: &str) -> Result<Person, TokenError> {
        if token.len() > MAX_TOKEN_BYTES {
            return Err(TokenError::Malformed);
        }
        let (algorithm, key_id) = header(token)?;
        let key = self.key(&issuer(token)?, &key_id, algorithm).await?;
        let claims = signed_claims(token, &key, algorithm)?;
        self.person(claims)
    }

    /// Unix milliseconds, by the clock that tokens are judged by.
    pub fn now_ms(&self) -> u64 {
        self.0.clock.wall_ms()
    }

    /// Whether a person who was let in once still is: neither expired nor revoked.
    pub fn still_good(&self, person: &Person) -> Result<(), TokenError> {
        if person.expires_ms <= self.0.clock.wall_ms() {
            return Err(TokenError::Expired);
        }
        match &person.token_id {
            Some(id) if self.0.revoked.has(id) => Err(TokenError::Revoked),
            _ => Ok(()),
        }
    }

    /// Reads again what was revoked and the other issuer's keys. What cannot be read stays as it was.
    pub async fn reload(&self) -> Result<(), ServiceError> {
        let revoked = self.0.revoked.reload();
        if let Some((_, jwks)) = &self.0.outside {
            jwks.reload().await?;
        }
        revoked
    }

    async fn key(&self, issuer: &str, key_id: &str, algorithm: Algorithm) -> Result<DecodingKey, TokenError> {
        let found = match (&self.0.own, &self.0.outside) {
            (Some(own), _) if own.issuer == issuer => own.keys.get(key_id, algorithm),
            (_, Some((name, jwks))) if name == issuer => jwks.key(key_id, algorithm).await,
            _ => return Err(TokenError::Issuer),
        };
        found.ok_or(TokenError::KeyUnknown)
    }

    fn person(&self, claims: Claims) -> Result<Person, TokenError> {
        if !claims.aud.names(&self.0.audience) {
            return Err(TokenError::Audience);
        }
        if claims.nbf.as_ref().is_some_and(|from| ms(from) > self.0.clock.wall_ms() + AHEAD_MS) {
            return Err(TokenError::NotYet);
        }
        let texts = [Some(&claims.sub), claims.name.as_ref(), claims.jti.as_ref()];
        if claims.sub.is_empty() || texts.into_iter().flatten().any(|text| !is_plain(text)) {
            return Err(TokenError::Malformed);
        }
        let mut roles: Vec<Role> = claims.roles.iter().filter_map(|name| Role::named(name)).collect();
        roles.sort();
        roles.dedup();
        let name = claims.name.unwrap_or_else(|| claims.sub.clone());
        let expires_ms = ms(&claims.exp);
        let person = Person { subject: claims.sub, name, roles, token_id: claims.jti, expires_ms };
        self.still_good(&person).map(|()| person)
    }
}

/// A NumericDate, seconds with or without a fraction (RFC 7519, section 2), as Unix milliseconds.
fn ms(seconds: &Number) -> u64 {
    (seconds.as_f64().unwrap_or(0.0) * 1000.0) as u64
}

fn is_plain(text: &str) -> bool {
    text.chars().count() <= MAX_TEXT_CHARS && !text.chars().any(char::is_control)
}

#[derive(Deserialize)]
struct Header {
    alg: String,
    kid: Option<String>,
    crit: Option<serde_json::Value>,
}

/// Algorithm and key id that a token claims; only what is taken comes through.
fn header(token: &str) -> Result<(Algorithm, String), TokenError> {
    let header: Header = part(token, 0)?;
    let algorithm = match header.alg.as_str() {
        "EdDSA" => Algorithm::EdDSA,
        "RS256" => Algorithm::RS256,
        _ => return Err(TokenError::Algorithm),
    };
    // RFC 7515, section 4.1.11: what must be understood, and is not, makes the token bad.
    match (header.crit, header.kid) {
        (Some(_), _) => Err(TokenError::Malformed),
        (None, None) => Err(TokenError::KeyUnknown),
        (None, Some(key_id)) => Ok((algorithm, key_id)),
    }
}

/// The issuer that a token claims, before anything is proved: it only chooses whose key has to prove it.
fn issuer(token: &str) -> Result<String, TokenError> {
    #[derive(Deserialize)]
    struct Claimed {
        iss: String,
    }
    part::<Claimed>(token, 1).map(|claimed| claimed.iss)
}

fn part<T: serde::de::DeserializeOwned>(token: &str, at: usize) -> Result<T, TokenError> {
    let parts: Vec<&str> = token.split('.').collect();
    if parts.len() != 3 {
        return Err(TokenError::Malformed);
    }
    let json = BASE64_URL_SAFE_NO_PAD.decode(parts[at]).map_err(|_| TokenError::Malformed)?;
    serde_json::from_slice(&json).map_err(|_| TokenError::Malformed)
}

fn signed_claims(token: &str, key: &DecodingKey, algorithm: Algorithm) -> Result<Claims, TokenError> {
    // Signature and algorithm are checked there; what time and place say is judged here, by the service's clock.
    let mut validation = Validation::new(algorithm);
    validation.validate_exp = false;
    validation.validate_aud = false;
    validation.set_required_spec_claims(&["exp", "iss", "aud", "sub"]);
    let decoded = jsonwebtoken::decode::<Claims>(token, key, &validation).map_err(|error| match error.kind() {
        ErrorKind::InvalidSignature => TokenError::Signature,
        ErrorKind::InvalidAlgorithm | ErrorKind::InvalidKeyFormat => TokenError::Algorithm,
        _ => TokenError::Malformed,
    })?;
    Ok(decoded.claims)
}

#[cfg(test)]
mod tests;
