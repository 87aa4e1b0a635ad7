//! What a caller shows. It is taken out of the request, so that nothing behind the gate can tell a secret on.

use std::sync::Arc;

use axum::extract::Request;
use axum::http::HeaderMap;
use axum::http::header::{AUTHORIZATION, COOKIE};
use axum_server::tls::TlsInfo;

use crate::session::{Session, Sessions};
use crate::tokens::TokenError;

/// What a caller shows, not checked yet but for the session.
pub(super) struct Credentials {
    /// Signed by our authority, which the handshake has checked; DER.
    pub(super) certificate: Option<Vec<u8>>,
    /// The token, where the header is one that can be read.
    pub(super) bearer: Option<Result<String, TokenError>>,
    /// Pages only: a cookie is sent by the browser without anybody's doing, and no call takes it.
    pub(super) session: Option<Session>,
}

impl Credentials {
    pub(super) fn take(request: &mut Request, sessions: &Sessions, is_call: bool) -> Credentials {
        let info = request.extensions().get::<Arc<TlsInfo>>();
        let certificate = info.and_then(|info| info.peer_certificates.first()).cloned();
        let session = if is_call { None } else { sessions.of(request.headers()) };
        let bearer = bearer(request.headers());
        request.headers_mut().remove(AUTHORIZATION);
        request.headers_mut().remove(COOKIE);
        Credentials { certificate, bearer, session }
    }
}

/// RFC 6750, section 2.1; the scheme's name in any case (RFC 9110, section 11.1).
fn bearer(headers: &HeaderMap) -> Option<Result<String, TokenError>> {
    let mut values = headers.get_all(AUTHORIZATION).iter();
    let value = values.next()?;
    let token = || {
        let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
        scheme.eq_ignore_ascii_case("bearer").then(|| token.trim().to_owned())
    };
    Some(if values.next().is_some() { Err(TokenError::Malformed) } else { token().ok_or(TokenError::Malformed) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(values: &[&str]) -> Option<Result<String, TokenError>> {
        bearer(&values.iter().map(|value| (AUTHORIZATION, value.parse().unwrap())).collect())
    }

    #[test]
    fn one_bearer_token_is_read_and_anything_else_is_no_token() {
        assert_eq!(shown(&[]), None);
        assert_eq!(shown(&["Bearer a.b.c"]), Some(Ok("a.b.c".to_owned())));
        assert_eq!(shown(&["bearer a.b.c"]), Some(Ok("a.b.c".to_owned())));
        for bad in [&["Basic YTpi"][..], &["Bearer"], &["Bearer a.b.c", "Bearer d.e.f"]] {
            assert_eq!(shown(bad), Some(Err(TokenError::Malformed)), "{bad:?}");
        }
    }
}
