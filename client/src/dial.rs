//! Another way to the service than TLS over TCP, for a home that is given one: its connections are made by whoever runs
//! both ends, as a test of the two in one process does.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

use tonic::transport::{Channel, Error};

/// See the module.
#[derive(Clone)]
pub struct Dial(Arc<dyn Fn() -> Dialling + Send + Sync>);

/// A connection that is being made.
pub type Dialling = Pin<Box<dyn Future<Output = Result<Channel, Error>> + Send>>;

impl Dial {
    /// This way.
    pub fn by<F>(dial: impl Fn() -> F + Send + Sync + 'static) -> Dial
    where
        F: Future<Output = Result<Channel, Error>> + Send + 'static,
    {
        Dial(Arc::new(move || Box::pin(dial())))
    }

    /// Makes one connection.
    pub fn connect(&self) -> Dialling {
        (self.0)()
    }
}

impl std::fmt::Debug for Dial {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Dial")
    }
}
