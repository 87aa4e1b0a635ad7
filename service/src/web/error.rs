//! Why a page is not shown, and the page that says so.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};

use crate::error::CallError;

/// Why a page is not shown.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// Nothing by that name.
    #[error("there is no {what} {name} in this record; begin at the board")]
    Missing {
        /// Of which sort.
        what: &'static str,
        /// What was asked for.
        name: String,
    },
    /// A field of a form or an address.
    #[error("{field} does not fit: {why}")]
    Field {
        /// Which.
        field: &'static str,
        /// What is expected.
        why: String,
    },
    /// The service behind it.
    #[error("{0}")]
    Call(#[from] CallError),
    /// A part of the log that cannot be read back.
    #[error("entry {0} cannot be read back from the log; have the log folder verified")]
    Unreadable(u64),
    /// A template failed.
    #[error("the page could not be drawn; say so to whoever keeps the service")]
    Drawing,
}

impl PageError {
    fn status(&self) -> StatusCode {
        match self {
            PageError::Missing { .. } | PageError::Call(CallError::NotFound { .. }) => StatusCode::NOT_FOUND,
            PageError::Field { .. } | PageError::Call(CallError::Field { .. }) => StatusCode::BAD_REQUEST,
            PageError::Call(CallError::Stopping | CallError::DiskFull | CallError::DiskRefuses { .. }) => {
                StatusCode::SERVICE_UNAVAILABLE
            }
            PageError::Call(_) | PageError::Unreadable(_) | PageError::Drawing => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }
}

#[derive(Template)]
#[template(path = "said.html")]
struct Said {
    said: String,
}

impl IntoResponse for PageError {
    fn into_response(self) -> Response {
        let said = self.to_string();
        let page = Said { said: said.clone() }.render().unwrap_or(said);
        (self.status(), Html(page)).into_response()
    }
}
