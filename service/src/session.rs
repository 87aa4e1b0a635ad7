//! Who is signed in at the pages: kept in memory alone, by the digest of a random id that the browser holds in a cookie.
//! A restart signs everybody out. A session ends when its token does, or when that is revoked.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use axum::http::HeaderMap;
use axum::http::header::COOKIE;
use rinsebook_proto::bytes::Hash;

use crate::caller::Person;
use crate::tokens::Tokens;

/// The cookie. `__Host-` binds it to this host, TLS and the whole site (RFC 6265bis, section 4.1.3.2).
pub const COOKIE_NAME: &str = "__Host-rinsebook";
/// The field in which a form gives its session's token back.
pub const FORM_TOKEN: &str = "form_token";
/// People signed in at once; beyond it those whose time ends first are signed out.
const MOST_SESSIONS: usize = 4096;

/// A person signed in.
#[derive(Clone)]
pub struct Session {
    /// Who.
    pub person: Person,
    form_token: String,
    key: Hash,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Session({:?})", self.person.subject)
    }
}

impl Session {
    /// What each form of a page has to send back, in the field [`FORM_TOKEN`]: another site cannot know it.
    pub fn form_token(&self) -> &str {
        &self.form_token
    }

    /// Whether a form was one of this session's.
    pub fn is_ours(&self, form_token: &str) -> bool {
        // Digests are compared: how long that takes says nothing about the token.
        Hash::of(form_token.as_bytes()) == Hash::of(self.form_token.as_bytes())
    }
}

/// All sessions.
#[derive(Clone)]
pub struct Sessions {
    open: Arc<Mutex<HashMap<Hash, Session>>>,
    tokens: Tokens,
}

/// A random text of 256 bits.
fn random_text() -> String {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).expect("the system gives random bytes");
    hex::encode(bytes)
}

impl Sessions {
    /// Nobody is signed in yet.
    pub fn new(tokens: Tokens) -> Sessions {
        Sessions { open: Arc::default(), tokens }
    }

    /// Signs a person in; gives the id for the cookie.
    pub fn begin(&self, person: Person) -> String {
        let id = random_text();
        let key = Hash::of(id.as_bytes());
        let mut open = self.open();
        open.retain(|_, session| self.tokens.still_good(&session.person).is_ok());
        while open.len() >= MOST_SESSIONS {
            let first = open.iter().min_by_key(|(_, session)| session.person.expires_ms).map(|(key, _)| *key);
            open.remove(&first.expect("it is not empty"));
        }
        open.insert(key, Session { person, form_token: random_text(), key });
        id
    }

    /// The session whose cookie these headers carry, if its token is still good.
    pub fn of(&self, headers: &HeaderMap) -> Option<Session> {
        let mut open = self.open();
        let key = ids(headers).map(|id| Hash::of(id.as_bytes())).find(|key| open.contains_key(key))?;
        if self.tokens.still_good(&open[&key].person).is_err() {
            open.remove(&key);
        }
        open.get(&key).cloned()
    }

    /// Whether it has not ended meanwhile, in any of the ways a session ends.
    pub fn is_open(&self, session: &Session) -> bool {
        self.open().contains_key(&session.key) && self.tokens.still_good(&session.person).is_ok()
    }

    /// Signs a person out.
    pub fn end(&self, session: &Session) {
        self.open().remove(&session.key);
    }

    fn open(&self) -> MutexGuard<'_, HashMap<Hash, Session>> {
        self.open.lock().expect("no holder of this lock panics")
    }
}

fn ids(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    let pairs = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok()).flat_map(|v| v.split(';'));
    pairs.filter_map(|pair| pair.trim().split_once('=')).filter(|(name, _)| *name == COOKIE_NAME).map(|(_, id)| id)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use rinsebook_proto::clock::ScriptedClock;

    fn cookie(id: &str) -> HeaderMap {
        let value = format!("theme=dark; {COOKIE_NAME}={id}");
        HeaderMap::from_iter([(COOKIE, value.parse().unwrap())])
    }

    fn person(expires_ms: u64) -> Person {
        let token_id = Some("j-1".to_owned());
        Person { subject: "mira".to_owned(), name: "mira".to_owned(), roles: vec![], token_id, expires_ms }
    }

    #[tokio::test]
    async fn a_session_lasts_until_its_token_expires_or_is_revoked_or_the_person_signs_out() {
        let dir = tempfile::tempdir().unwrap();
        let config = Config::local(dir.path());
        let clock = Arc::new(ScriptedClock::at(1000));
        let tokens = Tokens::open(&config, clock.clone()).await.unwrap();
        let sessions = Sessions::new(tokens.clone());
        let (short, long) = (sessions.begin(person(2000)), sessions.begin(person(9000)));
        assert!(sessions.of(&cookie(&short)).is_some() && sessions.of(&cookie("made up")).is_none());
        clock.set(2000);
        assert!(sessions.of(&cookie(&short)).is_none());
        let session = sessions.of(&cookie(&long)).unwrap();
        assert!(session.is_ours(session.form_token()) && !session.is_ours("") && !session.is_ours(&long));
        assert!(sessions.is_open(&session));
        sessions.end(&session);
        assert!(!sessions.is_open(&session));
        assert!(sessions.of(&cookie(&long)).is_none());

        let again = sessions.begin(person(9000));
        crate::tokens::revoked::revoke(&config.keys_dir(), "j-1").unwrap();
        tokens.reload().await.unwrap();
        assert!(sessions.of(&cookie(&again)).is_none());
    }

    #[test]
    fn a_session_shown_in_a_log_line_tells_no_secret() {
        let session = Session { person: person(1), form_token: "secret".to_owned(), key: Hash::of(b"id") };
        assert_eq!(format!("{session:?}"), "Session(\"mira\")");
    }
}
