//! The network between the machines: turmoil's, in plain streams. What TLS would have shown of the caller is told by which
//! machine the connection comes from; everything behind the handshake is the real service and the real client.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::connect_info::{ConnectInfo, Connected};
use axum::extract::{Request, State};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::Response;
use axum::serve::{IncomingStream, Listener};
use hyper_util::rt::TokioIo;
use rinsebook_client::dial::Dial;
use tonic::transport::Endpoint;
use turmoil::net::{TcpListener, TcpStream};

use crate::template::Template;

const PORT: u16 = 7420;
/// As the client has them for real networks.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);
const KEEPALIVE_EVERY: Duration = Duration::from_secs(5);
const KEEPALIVE_WITHIN: Duration = Duration::from_secs(3);

/// The way of every machine to the service.
pub(crate) fn dial() -> Dial {
    Dial::by(|| async {
        let stream = |_| async { Ok::<_, std::io::Error>(TokioIo::new(TcpStream::connect(("service", PORT)).await?)) };
        Endpoint::from_static("http://service")
            .connect_timeout(CONNECT_WITHIN)
            .http2_keep_alive_interval(KEEPALIVE_EVERY)
            .keep_alive_timeout(KEEPALIVE_WITHIN)
            .keep_alive_while_idle(true)
            .connect_with_connector(tower::service_fn(stream))
            .await
    })
}

/// Who is at the other end.
#[derive(Debug, Clone)]
struct From(Option<String>);

struct Net(TcpListener);

impl Listener for Net {
    type Io = TcpStream;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (TcpStream, SocketAddr) {
        loop {
            if let Ok(accepted) = self.0.accept().await {
                return accepted;
            }
        }
    }

    fn local_addr(&self) -> std::io::Result<SocketAddr> {
        self.0.local_addr()
    }
}

impl Connected<IncomingStream<'_, Net>> for From {
    fn connect_info(stream: IncomingStream<'_, Net>) -> From {
        From(turmoil::reverse_lookup(stream.remote_addr().ip()))
    }
}

async fn show(State(template): State<Arc<Template>>, mut request: Request, next: Next) -> Response {
    let from = request.extensions().get::<ConnectInfo<From>>().and_then(|ConnectInfo(From(name))| name.as_ref());
    let shown = from.and_then(|name| template.shown.get(name)).cloned();
    if let Some(shown) = shown {
        request.extensions_mut().insert(shown);
    }
    next.run(request).await
}

/// Serves until the machine stops.
pub(crate) async fn serve(template: Arc<Template>, router: axum::Router) -> std::io::Result<()> {
    let listener = Net(TcpListener::bind(("0.0.0.0", PORT)).await?);
    let router = router.layer(from_fn_with_state(template, show));
    axum::serve(listener, router.into_make_service_with_connect_info::<From>()).await
}
