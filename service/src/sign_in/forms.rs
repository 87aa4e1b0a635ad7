//! What a page's form has to show before anybody looks into it: that it came from a page of ours, and, once somebody is
//! signed in, that it came from a page of theirs. It stands before all pages, those to come as well.

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::access::is_call;
use crate::session::{FORM_TOKEN, Session};

/// The largest form.
const MAX_FORM_BYTES: usize = 64 << 10;

/// Lets reading through, and forms that are ours.
pub async fn check(request: Request, next: Next) -> Response {
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    if is_call(request.uri().path()) || reads {
        return next.run(request).await;
    }
    match ours(request).await {
        Ok(request) => next.run(request).await,
        Err((status, why)) => {
            tracing::warn!(why, "a form was refused");
            (status, format!("{why}\n")).into_response()
        }
    }
}

const FOREIGN: (StatusCode, &str) = (StatusCode::FORBIDDEN, "this form did not come from a page of this service");
const NOT_THEIRS: (StatusCode, &str) =
    (StatusCode::FORBIDDEN, "this form is not of this session; load the page again and send it from there");

async fn ours(request: Request) -> Result<Request, (StatusCode, &'static str)> {
    if *request.method() != Method::POST {
        return Err((StatusCode::METHOD_NOT_ALLOWED, "pages are read, or sent as forms"));
    }
    if !is_same_origin(request.headers(), request.uri().authority().map(|authority| authority.as_str())) {
        return Err(FOREIGN);
    }
    if request.uri().path() == "/sign-in" {
        return Ok(request);
    }
    let Some(session) = request.extensions().get::<Session>().cloned() else {
        return Err((StatusCode::UNAUTHORIZED, "nobody is signed in here any more; sign in again"));
    };
    let (parts, body) = request.into_parts();
    let too_large = |_| (StatusCode::PAYLOAD_TOO_LARGE, "the form is larger than 64 KiB, or broke off");
    let bytes = to_bytes(body, MAX_FORM_BYTES).await.map_err(too_large)?;
    let fields: Vec<(String, String)> = serde_urlencoded::from_bytes(&bytes).map_err(|_| NOT_THEIRS)?;
    let mut tokens = fields.iter().filter(|(name, _)| name == FORM_TOKEN);
    match (tokens.next(), tokens.next()) {
        (Some((_, token)), None) if session.is_ours(token) => Ok(Request::from_parts(parts, Body::from(bytes))),
        _ => Err(NOT_THEIRS),
    }
}

/// Whether a request came from a page of this very origin, as the browser says. `Sec-Fetch-Site` says it outright (Fetch
/// Metadata, section 2.3); a browser without it says `Origin`. Programs that are no browsers send neither, and no cookie
/// without being told to.
fn is_same_origin(headers: &HeaderMap, authority: Option<&str>) -> bool {
    let text = |name| headers.get(name).map(|value| value.to_str().unwrap_or("unreadable"));
    if let Some(site) = text(header::HeaderName::from_static("sec-fetch-site")) {
        return site == "same-origin";
    }
    // HTTP/2 has the host in the request's own authority, HTTP/1.1 in a header.
    let host = authority.or_else(|| text(header::HOST));
    match text(header::ORIGIN) {
        None => true,
        Some(origin) => origin.strip_prefix("https://").is_some_and(|from| Some(from) == host),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn same(pairs: &[(&'static str, &str)], authority: Option<&str>) -> bool {
        let headers = pairs.iter().map(|(name, value)| (name.parse().unwrap(), value.parse().unwrap())).collect();
        is_same_origin(&headers, authority)
    }

    #[test]
    fn a_form_from_another_site_is_told_by_what_the_browser_says() {
        assert!(same(&[("sec-fetch-site", "same-origin"), ("origin", "null")], None));
        for foreign in ["cross-site", "same-site", "none", ""] {
            assert!(!same(&[("sec-fetch-site", foreign)], None), "{foreign}");
        }
        assert!(same(&[("origin", "https://wash.invalid:7420"), ("host", "wash.invalid:7420")], None));
        assert!(same(&[("origin", "https://wash.invalid:7420")], Some("wash.invalid:7420")));
        for foreign in ["https://other.invalid", "null", "http://wash.invalid:7420", "https://wash.invalid"] {
            assert!(!same(&[("origin", foreign)], Some("wash.invalid:7420")), "{foreign}");
        }
        assert!(same(&[], Some("wash.invalid:7420")));
    }
}
