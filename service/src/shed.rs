//! Calls that are too many, or too slow: sent back with the time after which it is worth trying again, before they cost
//! anything.

use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use axum::body::{Body, HttpBody};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum_server::tls::TlsInfo;
use hyper::body::{Frame, SizeHint};
use rinsebook_proto::bytes::Hash;

use crate::access::is_call;
use crate::caller::Caller;
use crate::doorkeeper::counted;
use crate::error::CallError;
use crate::limits::{Limits, Place, Places, Rates};

/// Whose calls are counted together.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Key {
    Certificate(Hash),
    Person(String),
    Address(IpAddr),
}

/// See the module.
#[derive(Clone)]
pub struct Shed {
    rates: Rates<Key>,
    under_way: Places<Key>,
    answer_wait: Duration,
}

impl Shed {
    /// With these limits.
    pub fn new(limits: &Limits) -> Shed {
        Shed {
            rates: Rates::new(limits.calls_a_second, limits.calls_burst),
            under_way: Places::new(u32::MAX, limits.calls_a_caller),
            answer_wait: limits.answer_wait(),
        }
    }

    fn take(&self, key: Key) -> Result<(), CallError> {
        self.rates
            .take(key, 1, Instant::now())
            .map_err(|wait| CallError::Busy { what: "there are more calls than one caller may make", wait })
    }
}

fn address(request: &Request) -> IpAddr {
    let info = request.extensions().get::<ConnectInfo<SocketAddr>>();
    counted(info.map_or(IpAddr::from([0, 0, 0, 0]), |ConnectInfo(address)| address.ip()))
}

fn certificate(request: &Request) -> Option<Hash> {
    let info = request.extensions().get::<Arc<TlsInfo>>()?;
    info.peer_certificates.first().map(|certificate| Hash::of(certificate))
}

/// The certificate, or the address: what a caller shows before anything is checked.
fn shown(request: &Request) -> Key {
    certificate(request).map_or_else(|| Key::Address(address(request)), Key::Certificate)
}

/// Before anything is looked at, so that no flood of refusals fills the log or keeps the checks of tokens busy.
pub async fn early(State(shed): State<Shed>, request: Request, next: Next) -> Response {
    match shed.take(shown(&request)) {
        Ok(()) => next.run(request).await,
        Err(error) => refused(&request, error),
    }
}

/// Behind the gate, where it is known who calls.
pub async fn late(State(shed): State<Shed>, request: Request, next: Next) -> Response {
    let person = Caller::of(request.extensions()).person.map(|person| Key::Person(person.subject));
    if let Some(person) = person.clone()
        && let Err(error) = shed.take(person)
    {
        return refused(&request, error);
    }
    let key = person.unwrap_or_else(|| shown(&request));
    let Some(place) = shed.under_way.take(key) else {
        let wait = Duration::from_secs(1);
        return refused(&request, CallError::Busy { what: "one caller has too many calls under way", wait });
    };
    let call = is_call(request.uri().path());
    match tokio::time::timeout(shed.answer_wait, next.run(request)).await {
        Ok(response) => response.map(|body| Body::new(Held { body, _place: place })),
        Err(_) if call => tonic::Status::from(CallError::NotInTime).into_http(),
        Err(_) => (StatusCode::REQUEST_TIMEOUT, format!("{}\n", CallError::NotInTime)).into_response(),
    }
}

fn refused(request: &Request, error: CallError) -> Response {
    let path = request.uri().path();
    tracing::debug!(?path, %error, "a call was sent back");
    if is_call(path) {
        return tonic::Status::from(error).into_http();
    }
    // Whole seconds, and never the instant itself (RFC 9110, section 10.2.3).
    let after = error.retry_after().map_or(1, |wait| wait.as_secs() + 1).to_string();
    (StatusCode::TOO_MANY_REQUESTS, [(header::RETRY_AFTER, after)], format!("{error}\n")).into_response()
}

/// An answer that counts as under way until it is sent or its reader is gone.
struct Held {
    body: Body,
    _place: Place<Key>,
}

impl HttpBody for Held {
    type Data = <Body as HttpBody>::Data;
    type Error = <Body as HttpBody>::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}
