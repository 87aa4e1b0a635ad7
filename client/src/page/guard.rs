//! Who gets an answer. The listener is on loopback, yet any program of the machine can reach it, and any web page can
//! make the browser send something there. So every address holds a secret that is printed at the start; the Host must be
//! ours (a name that was pointed at loopback is not); and whatever changes something must come from a page of ours.

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use rinsebook_proto::bytes::Id;

use crate::ClientError;
use crate::home::{Home, write_new};

const FILE: &str = "page-secret";

/// What is asked of every request.
#[derive(Debug, Clone)]
pub(crate) struct Guard {
    secret: String,
    port: u16,
}

/// No script, style, picture or frame from elsewhere; none written into the page itself.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

impl Guard {
    /// Reads the folder's secret, or makes one: 256 random bits. It stays, so that a page that was open goes on working
    /// when the program was started anew; whoever can read the folder holds the station anyway.
    pub(crate) fn open(home: &Home, port: u16) -> Result<Guard, ClientError> {
        if home.text(FILE)?.is_none() {
            write_new(&home.path(FILE), format!("{}{}", Id::random(), Id::random()).as_bytes())?;
        }
        let secret = home.text(FILE)?.unwrap_or_default().trim().to_owned();
        let fits = secret.len() == 64 && secret.bytes().all(|b| b.is_ascii_hexdigit());
        let bad = || ClientError::Key { what: FILE.to_owned(), why: "it has not 64 hex digits; remove it".to_owned() };
        if fits { Ok(Guard { secret, port }) } else { Err(bad()) }
    }

    /// What every address begins with.
    pub(crate) fn base(&self) -> String {
        format!("/{}", self.secret)
    }

    fn refuses(&self, request: &Request) -> Option<&'static str> {
        let text = |name: HeaderName| request.headers().get(name).and_then(|value| value.to_str().ok());
        let hosts = ["127.0.0.1", "localhost", "[::1]"].map(|host| format!("{host}:{}", self.port));
        let Some(host) = text(header::HOST).filter(|host| hosts.iter().any(|own| own == host)) else {
            return Some("This address is not this station's.");
        };
        let given = request.uri().path().split('/').nth(1).unwrap_or_default();
        if !same(given.as_bytes(), self.secret.as_bytes()) {
            return Some("The address lacks the station's secret. Open the whole address that the program printed.");
        }
        let safe = matches!(*request.method(), Method::GET | Method::HEAD);
        let own = format!("http://{host}");
        if !safe && text(header::ORIGIN) != Some(own.as_str()) {
            return Some("This did not come from a page of this station, so nothing was done.");
        }
        let site = text(HeaderName::from_static("sec-fetch-site"));
        if site.is_some_and(|site| site == "cross-site" || (!safe && site != "same-origin")) {
            return Some("Another web page asked for this, so nothing was done.");
        }
        None
    }
}

/// Takes as long whatever is wrong.
fn same(given: &[u8], secret: &[u8]) -> bool {
    let differs = given.iter().zip(secret).fold(0, |all, (a, b)| all | (a ^ b));
    given.len() == secret.len() && differs == 0
}

/// Lets a request through, or says why not; and puts on every answer what the browser has to hold to.
pub(crate) async fn check(State(guard): State<Guard>, request: Request<Body>, next: Next) -> Response {
    let mut answer = match guard.refuses(&request) {
        None => next.run(request).await,
        Some(why) => (StatusCode::FORBIDDEN, why).into_response(),
    };
    let put = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // With no referrer at all a browser would not say where a form comes from either.
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::CACHE_CONTROL, "no-store"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ];
    for (name, value) in put {
        answer.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard() -> Guard {
        Guard { secret: "a".repeat(64), port: 7421 }
    }

    fn asked(method: Method, path: &str, headers: &[(&str, &str)]) -> Option<&'static str> {
        let mut request = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        guard().refuses(&request.body(Body::empty()).unwrap())
    }

    #[test]
    fn only_the_whole_secret_on_our_own_host_is_answered() {
        let (right, host) = (format!("/{}/wash", "a".repeat(64)), ("host", "127.0.0.1:7421"));
        assert_eq!(asked(Method::GET, &right, &[host]), None);
        assert!(asked(Method::GET, &right, &[("host", "elsewhere.example:7421")]).is_some());
        assert!(asked(Method::GET, &right, &[]).is_some());
        assert!(asked(Method::GET, &format!("/{}", "a".repeat(63)), &[host]).is_some());
        assert!(asked(Method::GET, &format!("/{}b", "a".repeat(63)), &[host]).is_some());
        assert!(asked(Method::GET, "/", &[host]).is_some());
    }

    #[test]
    fn a_change_must_come_from_a_page_of_this_station() {
        let (right, host) = (format!("/{}/lock", "a".repeat(64)), ("host", "127.0.0.1:7421"));
        let post = |headers: &[(&str, &str)]| asked(Method::POST, &right, &[&[host], headers].concat());
        assert_eq!(post(&[("origin", "http://127.0.0.1:7421")]), None);
        assert!(post(&[]).is_some());
        assert!(post(&[("origin", "null")]).is_some());
        assert!(post(&[("origin", "http://127.0.0.1:8080")]).is_some());
        assert!(post(&[("origin", "http://localhost:7421")]).is_some(), "the page was asked for under another name");
        assert!(post(&[("origin", "http://127.0.0.1:7421"), ("sec-fetch-site", "same-site")]).is_some());
    }
}
