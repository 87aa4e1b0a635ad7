//! Signing in at the pages: a person gives their token once, and the browser holds a session from then on.
//!
//! | path | what |
//! |---|---|
//! | `GET /sign-in` | the form; or who is signed in, and the way out |
//! | `POST /sign-in` | field `token` → cookie |
//! | `POST /sign-out` | ends the session |
//!
//! [`forms`] stands before every page and [`headers`] behind every answer to one; both go on all pages in `run`.

pub mod forms;
pub mod headers;

use askama::Template;
use axum::Extension;
use axum::Router;
use axum::extract::{Form, State};
use axum::http::header::{CONTENT_TYPE, SET_COOKIE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use serde::Deserialize;

use crate::access;
use crate::caller::{Caller, Person, names};
use crate::session::{COOKIE_NAME, Session, Sessions};
use crate::tokens::Tokens;

/// Where people land who have just signed out, or whom their roles let see no board.
const LANDING: &str = "/sign-in";

/// What the pages of signing in need.
#[derive(Clone)]
pub struct SignIn {
    /// Checks the token given.
    pub tokens: Tokens,
    /// Keeps who is signed in.
    pub sessions: Sessions,
}

/// The pages of signing in and out.
pub fn router(state: SignIn) -> Router {
    Router::new()
        .route("/sign-in", get(show).post(sign_in))
        .route("/sign-out", post(sign_out))
        .route("/assets/sign-in.css", get(style))
        .with_state(state)
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct Page<'a> {
    session: Option<&'a Session>,
    roles: String,
    until: String,
    error: Option<String>,
}

impl<'a> Page<'a> {
    fn of(session: Option<&'a Session>, error: Option<String>) -> Page<'a> {
        let person = session.map(|session| &session.person);
        let roles = person.map(|person| names(&person.roles)).unwrap_or_default();
        Page { session, roles, until: person.map(until).unwrap_or_default(), error }
    }

    fn answer(&self, status: StatusCode) -> Response {
        match self.render() {
            Ok(text) => (status, Html(text)).into_response(),
            Err(error) => {
                tracing::error!(%error, "a page cannot be written");
                StatusCode::INTERNAL_SERVER_ERROR.into_response()
            }
        }
    }
}

fn until(person: &Person) -> String {
    let ms = i64::try_from(person.expires_ms).unwrap_or(i64::MAX);
    let time = chrono::DateTime::from_timestamp_millis(ms);
    time.map(|time| time.format("%Y-%m-%d %H:%M UTC").to_string()).unwrap_or_default()
}

async fn show(session: Option<Extension<Session>>) -> Response {
    Page::of(session.as_ref().map(|session| &session.0), None).answer(StatusCode::OK)
}

#[derive(Deserialize)]
struct Given {
    #[serde(default)]
    token: String,
}

async fn sign_in(State(state): State<SignIn>, Form(given): Form<Given>) -> Response {
    match state.tokens.check(given.token.trim()).await {
        Ok(person) => {
            let landing = access::may(&Caller { device: None, person: Some(person.clone()) }, "/");
            tracing::info!(subject = ?person.subject, roles = names(&person.roles), "signed in");
            let seconds = person.expires_ms.saturating_sub(state.tokens.now_ms()) / 1000;
            let id = state.sessions.begin(person);
            let to = if landing { "/" } else { LANDING };
            with_cookie(&format!("{id}; Max-Age={seconds}"), to)
        }
        Err(error) => {
            tracing::warn!(path = "/sign-in", reason = error.reason(), "signing in was refused");
            Page::of(None, Some(error.to_string())).answer(StatusCode::UNAUTHORIZED)
        }
    }
}

async fn sign_out(State(state): State<SignIn>, Extension(session): Extension<Session>) -> Response {
    state.sessions.end(&session);
    with_cookie("; Max-Age=0", LANDING)
}

fn with_cookie(value: &str, to: &str) -> Response {
    let cookie = format!("{COOKIE_NAME}={value}; Path=/; Secure; HttpOnly; SameSite=Strict");
    let mut cookie = HeaderValue::try_from(cookie).expect("hex digits and our own words");
    cookie.set_sensitive(true);
    ([(SET_COOKIE, cookie)], Redirect::to(to)).into_response()
}

async fn style() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/css; charset=utf-8")], include_str!("../templates/sign_in.css"))
}
