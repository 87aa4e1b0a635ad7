//! `station page`: what the technician holds. It runs on the tablet, listens on loopback alone, and works without a
//! network: what is open is derived here, what is noted and signed is kept here, and a loop in the background sends it.
//!
//! ```text
//! form ─► cards::facts ─► drafts (on disk) ─► sign: shown whole, one act ─► Card ─► Station::sign_linked ─► outbox
//! History (mirror + own) ─► view ─► progress, next ─► pages
//! ```
//!
//! There is one way in: what is signed here is a card as `rinsebook fact` reads it.

mod cards;
mod clock;
mod desk;
mod drafts;
mod events;
mod guard;
mod handover;
mod motor;
mod next;
mod pass_on;
mod people;
mod progress;
mod shown;
mod sign;
mod step;
mod view;
mod wash;
mod washes;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use axum::Router;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::clock::Clock;
use tokio::net::TcpListener;

use crate::ClientError;
use crate::home::Home;
use desk::Desk;
use guard::Guard;

/// Where the page is served, and from what.
#[derive(Debug, Clone, clap::Args)]
pub struct Args {
    /// The station's folder. Key files of whoever signs here lie in its folder keys, as NAME.pem.
    #[arg(long, value_name = "DIR")]
    pub station: PathBuf,
    /// Where to listen; loopback only.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7421")]
    pub listen: SocketAddr,
}

/// The page, listening.
pub struct Page {
    /// The whole address, its secret included.
    pub url: String,
    desk: Arc<Desk>,
    listener: TcpListener,
    router: Router,
}

/// What every handler is given.
#[derive(Clone)]
struct App {
    desk: Arc<Desk>,
    base: Arc<str>,
}

impl Page {
    /// Opens the station and listens.
    pub async fn open(args: &Args, clock: Arc<dyn Clock>) -> Result<Page, ClientError> {
        if !args.listen.ip().is_loopback() {
            let why = format!("{} is not on loopback: the page is for this device alone", args.listen);
            return Err(ClientError::Usage(why));
        }
        let desk = Arc::new(Desk::open(Home::open(&args.station)?, clock)?);
        let unusable = || ClientError::file(format!("cannot listen on {}", args.listen));
        let listener = TcpListener::bind(args.listen).await.map_err(unusable())?;
        let address = listener.local_addr().map_err(unusable())?;
        let guard = Guard::open(&desk.home, address.port())?;
        let app = App { desk: desk.clone(), base: guard.base().into() };
        let url = format!("http://{address}{}", guard.base());
        Ok(Page { url, desk, listener, router: router(app, guard) })
    }

    /// Serves, sends and copies until the task is dropped.
    pub async fn serve(self) -> Result<(), ClientError> {
        let Page { desk, listener, router, .. } = self;
        tokio::select! {
            served = axum::serve(listener, router) => served.map_err(ClientError::file("the page cannot be served")),
            () = desk.keep_up() => Ok(()),
        }
    }
}

fn router(app: App, guard: Guard) -> Router {
    let pages = Router::new()
        .route("/", get(washes::list))
        .route("/open", get(washes::opening).post(washes::open))
        .route("/lock", post(sign::lock))
        .route("/scan", get(pass_on::scan).post(pass_on::take))
        .route("/events", get(events::stream))
        .route("/page.css", get(|| file("text/css; charset=utf-8", include_str!("../templates/page.css"))))
        .route("/page.js", get(|| file("text/javascript; charset=utf-8", include_str!("../templates/page.js"))))
        .route("/wash/{wash}", get(wash::show))
        .route("/wash/{wash}/undo", post(step::undo))
        .route("/wash/{wash}/step/{step}", get(step::show).post(step::note))
        .route("/wash/{wash}/sign/{group}", get(sign::show).post(sign::sign))
        .route("/wash/{wash}/motor/{engine}", get(motor::show).post(motor::tap))
        .route("/wash/{wash}/handover", get(handover::show).post(handover::note))
        .route("/wash/{wash}/codes", get(pass_on::show))
        .with_state(app.clone());
    let nowhere = || async { (StatusCode::NOT_FOUND, "There is no such page at this station.") };
    Router::new()
        .nest(&app.base, pages)
        .fallback(nowhere)
        .layer(axum::middleware::from_fn_with_state(guard, guard::check))
}

async fn file(kind: &'static str, content: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], content).into_response()
}

impl App {
    /// The answer, or the reason why there is none.
    fn told(&self, answer: Result<Response, ClientError>) -> Response {
        match answer {
            Ok(answer) => answer,
            Err(error) => {
                let status = match &error {
                    ClientError::Usage(_) => StatusCode::UNPROCESSABLE_ENTITY,
                    _ => StatusCode::INTERNAL_SERVER_ERROR,
                };
                (status, shown::sorry(self, &error.to_string())).into_response()
            }
        }
    }

    fn here(&self, wash: &Id) -> String {
        format!("{}/wash/{wash}", self.base)
    }

    /// Elsewhere, once something was done: a reload does not do it again.
    fn go(to: &str) -> Response {
        Redirect::to(to).into_response()
    }
}

fn wash_id(text: &str) -> Result<Id, ClientError> {
    Id::from_hex(text).ok_or_else(|| ClientError::Usage("the address names no wash".to_owned()))
}
