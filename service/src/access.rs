//! Who may make which call: one table, deny by default. What a *fact* may do is decided by its signer's authority on
//! the log, not here.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{Extensions, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum_server::tls::TlsInfo;

use crate::authority::tls_key_digest;
use crate::error::CallError;
use crate::projection::View;

/// The certificate (DER) that the caller showed in the handshake, signed by our authority.
pub fn peer_certificate(extensions: &Extensions) -> Option<&[u8]> {
    extensions.get::<Arc<TlsInfo>>()?.peer_certificates.first().map(Vec::as_slice)
}

/// What a call asks of its caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asks {
    /// TLS, and nothing more.
    Nothing,
    /// A certificate of our authority: the call itself looks at whose it is.
    Certificate,
    /// The certificate of a device that is enrolled and not retired.
    EnrolledDevice,
}

/// The table, by the beginning of the path.
const TABLE: &[(&str, Asks)] = &[
    ("/grpc.health.v1.Health/", Asks::Nothing),
    ("/grpc.reflection.v1.ServerReflection/", Asks::Nothing),
    ("/grpc.reflection.v1alpha.ServerReflection/", Asks::Nothing),
    ("/rinsebook.v1.Ledger/GetIdentity", Asks::Nothing),
    ("/rinsebook.v1.Intake/Deliver", Asks::Certificate),
    ("/rinsebook.v1.Ledger/", Asks::EnrolledDevice),
    ("/rinsebook.v1.OpenItems/", Asks::EnrolledDevice),
    ("/rinsebook.v1.Records/", Asks::EnrolledDevice),
    ("/rinsebook.v1.Roster/", Asks::EnrolledDevice),
    ("/log/checkpoint", Asks::EnrolledDevice),
    ("/log/tile/", Asks::EnrolledDevice),
];

fn asks(path: &str) -> Option<Asks> {
    TABLE.iter().find(|(prefix, _)| path.starts_with(prefix)).map(|(_, asks)| *asks)
}

/// Lets a call through or answers it with the reason why not.
pub async fn check(State(view): State<View>, request: Request, next: Next) -> Response {
    view.caught_up().await;
    match allowed(&view, &request) {
        Ok(()) => next.run(request).await,
        Err(error) => {
            tracing::warn!(path = request.uri().path(), %error, "a call was refused");
            refused(&request, error)
        }
    }
}

/// gRPC has its own way to say no; everybody else is told by HTTP's.
fn refused(request: &Request, error: CallError) -> Response {
    let asked = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok());
    if asked.is_some_and(|asked| asked.starts_with("application/grpc")) {
        return tonic::Status::from(error).into_http();
    }
    let status = match error {
        CallError::NoCertificate => StatusCode::UNAUTHORIZED,
        CallError::NotOffered(_) => StatusCode::NOT_FOUND,
        _ => StatusCode::FORBIDDEN,
    };
    (status, format!("{error}\n")).into_response()
}

fn allowed(view: &View, request: &Request) -> Result<(), CallError> {
    let asks = asks(request.uri().path()).ok_or(CallError::NotOffered("this call"))?;
    let certificate = peer_certificate(request.extensions());
    match (asks, certificate) {
        (Asks::Nothing, _) | (Asks::Certificate, Some(_)) => Ok(()),
        (_, None) => Err(CallError::NoCertificate),
        (Asks::EnrolledDevice, Some(certificate)) => {
            let digest = tls_key_digest(certificate).ok_or(CallError::UnknownCertificate)?;
            let history = view.history();
            let known = history.roster().device_by_tls_key(&digest).is_some();
            if known { Ok(()) } else { Err(CallError::UnknownCertificate) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_call_that_is_not_in_the_table_is_denied() {
        assert_eq!(asks("/rinsebook.v1.Nothing/Known"), None);
        assert_eq!(asks("/"), None);
        assert_eq!(asks("/rinsebook.v1.Ledger/GetIdentity"), Some(Asks::Nothing));
        assert_eq!(asks("/rinsebook.v1.Ledger/GetCheckpoint"), Some(Asks::EnrolledDevice));
    }
}
