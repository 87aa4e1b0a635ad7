//! Who looks at a page. Whoever signs people in puts a [`Viewer`] into the request's extensions; a browser that shows the
//! certificate of an enrolled device sees what that device may read over gRPC.

use std::collections::BTreeSet;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, header};
use axum::middleware::Next;
use axum::response::Response;

use super::PageError;
use crate::access::peer_certificate;
use crate::authority::tls_key_digest;
use crate::projection::View;

/// What somebody may look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// What is open before a departure.
    Planner,
    /// The records, and how they come about.
    Quality,
    /// Everything.
    Custodian,
}

/// Somebody who looks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Viewer {
    /// As the log names whoever asked a question.
    pub name: String,
    /// What they may look at.
    pub roles: BTreeSet<Role>,
    /// What a form of theirs has to carry, where their session asks for one.
    pub form_token: String,
}

impl Viewer {
    /// Whether they have one of the roles.
    pub fn may(&self, roles: &[Role]) -> bool {
        roles.iter().any(|role| self.roles.contains(role))
    }
}

/// Lets through who has one of the roles.
pub(super) async fn asks(
    State(roles): State<&'static [Role]>,
    request: Request,
    next: Next,
) -> Result<Response, PageError> {
    let viewer = request.extensions().get::<Viewer>().ok_or(PageError::Unknown)?;
    if !viewer.may(roles) {
        tracing::warn!(path = request.uri().path(), viewer = viewer.name, "a page was refused");
        return Err(PageError::NotAllowed);
    }
    Ok(next.run(request).await)
}

/// Knows an enrolled device by its certificate, where nobody signed in.
pub(super) async fn from_certificate(State(view): State<View>, mut request: Request, next: Next) -> Response {
    view.caught_up().await;
    if request.extensions().get::<Viewer>().is_none()
        && let Some(viewer) = device(&view, &request)
    {
        request.extensions_mut().insert(viewer);
    }
    next.run(request).await
}

fn device(view: &View, request: &Request) -> Option<Viewer> {
    let digest = tls_key_digest(peer_certificate(request.extensions())?)?;
    let history = view.history();
    let device = history.roster().device_by_tls_key(&digest)?;
    let label = history.roster().device(&device, u64::MAX).map(|d| d.label.clone()).unwrap_or_default();
    let roles = BTreeSet::from([Role::Planner, Role::Quality, Role::Custodian]);
    Some(Viewer { name: format!("device {label}"), roles, form_token: String::new() })
}

/// A form has to come from a page of ours: browsers say where it comes from, and no page can forge that.
pub(super) fn is_own_form(headers: &HeaderMap, uri_host: Option<&str>) -> bool {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    let Some(host) = text(header::HOST).or(uri_host) else { return false };
    let origin = text(header::ORIGIN).and_then(|origin| origin.split_once("://")).map(|(_, authority)| authority);
    origin == Some(host)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(header::HeaderName, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.clone(), value.parse().unwrap())).collect()
    }

    #[test]
    fn a_form_is_taken_from_our_own_page_and_from_no_other() {
        let of = |origin| headers(&[(header::HOST, "localhost:7420"), (header::ORIGIN, origin)]);
        assert!(is_own_form(&of("https://localhost:7420"), None));
        assert!(!is_own_form(&of("https://localhost:7421"), None));
        assert!(!is_own_form(&of("null"), None));
        assert!(!is_own_form(&headers(&[(header::HOST, "localhost:7420")]), None), "a browser always says it");
        assert!(
            is_own_form(&headers(&[(header::ORIGIN, "https://h:1")]), Some("h:1")),
            "HTTP/2 names the host otherwise"
        );
    }

    #[test]
    fn one_of_the_roles_is_enough_and_none_is_not() {
        let planner = Viewer { name: "P".to_owned(), roles: [Role::Planner].into(), form_token: String::new() };
        assert!(planner.may(super::super::READERS));
        assert!(!planner.may(super::super::AUDITORS));
    }
}
