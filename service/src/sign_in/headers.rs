//! What every page's answer tells the browser: take scripts, styles and pictures from here alone, show this inside no other
//! page, guess no types, tell no other site where one was, keep no copy.

use axum::extract::Request;
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::Response;

use crate::access::is_call;

/// Content Security Policy, level 3. Nothing inline runs or styles: `default-src 'self'` allows neither.
pub const POLICY: &str = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; \
                          frame-ancestors 'none'";

const ALWAYS: [(HeaderName, &str); 5] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

/// Puts them on; gRPC calls have no use for them.
pub async fn put(request: Request, next: Next) -> Response {
    let call = is_call(request.uri().path());
    let mut answer = next.run(request).await;
    if !call {
        let headers = answer.headers_mut();
        for (name, value) in ALWAYS {
            headers.insert(name, HeaderValue::from_static(value));
        }
        // A page that may be kept says so itself.
        headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    }
    answer
}
