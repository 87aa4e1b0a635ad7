//! The witness over HTTP. It speaks no TLS: put it behind what does, or on the loopback address.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, FromRequest, Request, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::post;

use super::{Answer, Witness};
use crate::ClientError;

/// The longest body: the longest note, 63 hashes, the old size.
const MAX_BODY_BYTES: usize = 65_535 + 63 * 45 + 32;
/// A request that is not there whole by then is given up.
const READ_WITHIN: Duration = Duration::from_secs(20);
/// Requests get this long to finish when the witness stops.
const DRAIN: Duration = Duration::from_secs(3);

/// A witness that runs.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    witness: Arc<Witness>,
    handle: axum_server::Handle<SocketAddr>,
    server: tokio::task::JoinHandle<std::io::Result<()>>,
}

/// Listens; port 0 takes a free one.
///
/// # Errors
/// An address that cannot be listened on.
pub fn serve(witness: Witness, listen: SocketAddr) -> Result<Running, ClientError> {
    let failed = || ClientError::file(format!("cannot listen on {listen}"));
    let listener = std::net::TcpListener::bind(listen).map_err(failed())?;
    listener.set_nonblocking(true).map_err(failed())?;
    let address = listener.local_addr().map_err(failed())?;
    let witness = Arc::new(witness);
    let router = Router::new()
        .route("/add-checkpoint", post(add_checkpoint))
        .layer(DefaultBodyLimit::max(MAX_BODY_BYTES))
        .with_state(witness.clone());
    let handle = axum_server::Handle::new();
    let server = axum_server::from_tcp(listener)
        .map_err(failed())?
        .first_request_timeout(READ_WITHIN)
        .handle(handle.clone())
        .serve(router.into_make_service());
    Ok(Running { address, witness, handle, server: tokio::spawn(server) })
}

impl Running {
    /// The witness.
    pub fn witness(&self) -> &Witness {
        &self.witness
    }

    /// Waits until it can listen no more, which nothing but a failure makes it do before [`Running::stop`].
    pub async fn failed(&mut self) -> ClientError {
        let source = match (&mut self.server).await {
            Ok(Err(source)) => source,
            _ => std::io::Error::other("without a reason"),
        };
        ClientError::File { what: "the witness ended".to_owned(), source }
    }

    /// Takes no new request, lets those under way finish, and gives its state up.
    pub async fn stop(self) {
        self.handle.graceful_shutdown(Some(DRAIN));
        // How the listener ended changes nothing of what was cosigned.
        let _ = self.server.await;
        let given_up = Arc::downgrade(&self.witness);
        drop(self.witness);
        let last = async {
            while given_up.strong_count() > 0 {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        let _ = tokio::time::timeout(DRAIN, last).await;
    }
}

async fn add_checkpoint(State(witness): State<Arc<Witness>>, request: Request) -> Response {
    let body = match tokio::time::timeout(READ_WITHIN, Bytes::from_request(request, &())).await {
        Ok(Ok(body)) => body,
        // Among these: 413, where it is too long.
        Ok(Err(rejected)) => return rejected.into_response(),
        Err(_) => return StatusCode::REQUEST_TIMEOUT.into_response(),
    };
    // It waits for the disk.
    let answered = tokio::task::spawn_blocking(move || witness.add_checkpoint(&body)).await;
    respond(answered.unwrap_or_else(|e| Answer::Failed(e.to_string())))
}

fn respond(answer: Answer) -> Response {
    let (status, content_type, body) = match answer {
        Answer::Cosigned(line) => (StatusCode::OK, TEXT, line),
        Answer::Malformed(why) => (StatusCode::BAD_REQUEST, TEXT, why + "\n"),
        Answer::Untrusted(why) => (StatusCode::FORBIDDEN, TEXT, why + "\n"),
        Answer::UnknownOrigin(why) => (StatusCode::NOT_FOUND, TEXT, why + "\n"),
        Answer::Conflict(size) => (StatusCode::CONFLICT, "text/x.tlog.size", format!("{size}\n")),
        Answer::BadProof(why) => (StatusCode::UNPROCESSABLE_ENTITY, TEXT, why + "\n"),
        Answer::Failed(why) => {
            tracing::error!("nothing was cosigned: {why}");
            (StatusCode::INTERNAL_SERVER_ERROR, TEXT, "this witness cannot write its state\n".to_owned())
        }
    };
    (status, [(CONTENT_TYPE, content_type)], body).into_response()
}

const TEXT: &str = "text/plain; charset=utf-8";
