//! Who looks at a page: the person who signed in, or a browser that shows the certificate of an enrolled device. Whether
//! they may is decided before any page is asked, by the one table in [`crate::access`].

use std::convert::Infallible;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;

use super::Pages;
use crate::access;
use crate::caller::Caller;
use crate::session::{Session, Sessions};

/// Somebody who looks.
#[derive(Debug, Clone)]
pub(super) struct Viewer {
    caller: Caller,
    session: Option<Session>,
    /// What to call them; shown to them, written nowhere.
    pub(super) name: String,
}

impl FromRequestParts<Pages> for Viewer {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, pages: &Pages) -> Result<Viewer, Infallible> {
        let caller = Caller::of(&parts.extensions);
        let session = parts.extensions.get::<Session>().cloned();
        let name = match (&caller.person, &caller.device) {
            (Some(person), _) => person.name.clone(),
            (None, Some(device)) => {
                let history = pages.queries.view().history();
                let label = history.roster().device(device, u64::MAX).map(|known| known.label.clone());
                format!("device {}", label.unwrap_or_default())
            }
            (None, None) => String::new(),
        };
        Ok(Viewer { caller, session, name })
    }
}

impl Viewer {
    /// Whether they are shown what stands at that path.
    pub(super) fn may(&self, path: &str) -> bool {
        access::may(&self.caller, path)
    }

    /// What each form of theirs has to carry; none who did not sign in, whose forms nobody takes.
    pub(super) fn form_token(&self) -> Option<&str> {
        self.session.as_ref().map(Session::form_token)
    }

    /// As the log names whoever asked a question.
    pub(super) fn asked_by(&self) -> &str {
        self.caller.asked_by()
    }

    /// Whether they would still be let in: a page that is kept live asks at every beat.
    pub(super) fn is_still_known(&self, sessions: &Sessions, pages: &Pages) -> bool {
        let retired = |device| {
            let history = pages.queries.view().history();
            history.roster().device(device, u64::MAX).is_none_or(|known| known.retired_index.is_some())
        };
        match (&self.session, &self.caller.device) {
            (Some(session), _) => sessions.is_open(session),
            (None, Some(device)) => !retired(device),
            // A bearer token was shown with this one request.
            (None, None) => self.caller.person.as_ref().is_some_and(|p| p.expires_ms > pages.queries.now_ms()),
        }
    }
}
