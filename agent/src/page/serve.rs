//! Serves the routes on a thread and runtime of their own, and ends with the agent.
//!
//! An address that cannot be bound does not keep the agent from judging: it is told and tried again. Connections are
//! bounded; one beyond the bound waits. Never panics.

use std::net::SocketAddr;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};

use super::secure::{Secure, Stream};
use super::trouble::Trouble;
use super::{Current, Shared, routes};
use crate::tls::TlsError;

/// Connections at once.
const CONNECTIONS: usize = 256;
/// Wait before an address is tried again.
const AGAIN: Duration = Duration::from_secs(10);

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The address is taken or not ours.
    #[error("the page cannot be served at {address}: {source}; free the address or change `listen` under [http]")]
    Bind {
        /// Address.
        address: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// The host gave no thread or runtime.
    #[error("the host gave no thread or event loop for the page: {0}")]
    Host(#[from] std::io::Error),
}

/// The page while it is served.
#[derive(Debug)]
pub struct Page {
    stop: watch::Sender<bool>,
    thread: JoinHandle<()>,
}

impl Page {
    /// Binds an address, so that it is known before anything is served.
    ///
    /// # Errors
    /// When the address cannot be had.
    pub fn bind(address: SocketAddr) -> Result<std::net::TcpListener, PageError> {
        let failed = |source| PageError::Bind { address, source };
        let listener = std::net::TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        Ok(listener)
    }

    /// Serves on a bound address, or tries `address` again and again when it could not be bound.
    ///
    /// # Errors
    /// When the host gives no thread or runtime.
    pub fn start(
        current: Current,
        address: SocketAddr,
        bound: Option<std::net::TcpListener>,
    ) -> Result<Self, PageError> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(4).build()?;
        let (stop, stopped) = watch::channel(false);
        let thread = std::thread::Builder::new().name("page".into()).spawn(move || {
            runtime.block_on(serve(current, address, bound, stopped));
            // A stream that nobody reads must not keep the agent from ending.
            runtime.shutdown_background();
        })?;
        Ok(Self { stop, thread })
    }

    /// Ends it; open streams are cut.
    pub fn stop(self) {
        let _ended = self.stop.send(true);
        if self.thread.join().is_err() {
            tracing::error!("the page's thread ended by a panic; please report this");
        }
    }
}

/// The certificate and key the page is to show, if it is served by TLS.
fn secured(shared: &Shared) -> Result<Option<Arc<Secure>>, TlsError> {
    let files = shared.plan.http.tls.as_ref();
    files.map(|(certificate, key)| Secure::load(certificate, key).map(Arc::new)).transpose()
}

async fn serve(
    current: Current,
    address: SocketAddr,
    mut bound: Option<std::net::TcpListener>,
    mut stopped: watch::Receiver<bool>,
) {
    let router = routes::router(current.clone());
    let serving = async {
        loop {
            let secure = match secured(&current.get()) {
                Ok(secure) => secure,
                Err(error) => {
                    tracing::error!(%error, "no page; its certificate is tried again in 10 s");
                    tokio::time::sleep(AGAIN).await;
                    continue;
                }
            };
            match bound.take().map_or_else(|| Page::bind(address), Ok).map(TcpListener::from_std) {
                Ok(Ok(listener)) => {
                    let bounded = Bounded { listener, places: Arc::new(Semaphore::new(CONNECTIONS)), secure };
                    let app = router.clone().into_make_service_with_connect_info::<From>();
                    if let Err(error) = axum::serve(bounded, app).await {
                        tracing::error!(%error, "the page is not served any more; it is tried again");
                    }
                }
                Ok(Err(error)) => tracing::error!(%error, "the page's address was bound and is not usable"),
                Err(error) => tracing::warn!(%error, "the page is tried again in 10 s"),
            }
            tokio::time::sleep(AGAIN).await;
        }
    };
    tokio::select! {
        () = serving => {}
        _ = stopped.wait_for(|stop| *stop) => {}
    }
}

/// Runs what may wait for the disk on the blocking pool.
pub(super) async fn blocking<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Trouble> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|_panicked| Trouble::Unavailable("The agent failed at this; its log says how.".into()))
}

/// A listener that holds at most so many connections.
struct Bounded {
    listener: TcpListener,
    places: Arc<Semaphore>,
    secure: Option<Arc<Secure>>,
}

impl Listener for Bounded {
    type Io = Held;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        loop {
            let Ok(place) = Arc::clone(&self.places).acquire_owned().await else {
                // The semaphore is never closed.
                std::future::pending::<()>().await;
                continue;
            };
            let (stream, address) = Listener::accept(&mut self.listener).await;
            // What a person does should not wait for more to send.
            let _best_effort = stream.set_nodelay(true);
            let stream = match &self.secure {
                Some(secure) => secure.accept(stream),
                None => Stream::Plain(stream),
            };
            return (Held { stream, _place: place }, address);
        }
    }

    fn local_addr(&self) -> std::io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

/// Where a request comes from.
#[derive(Clone, Copy, Debug)]
pub(super) struct From(pub(super) SocketAddr);

impl Connected<IncomingStream<'_, Bounded>> for From {
    fn connect_info(stream: IncomingStream<'_, Bounded>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// A connection and its place.
struct Held {
    stream: Stream,
    _place: OwnedSemaphorePermit,
}

impl tokio::io::AsyncRead for Held {
    fn poll_read(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
        buffer: &mut tokio::io::ReadBuf<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl tokio::io::AsyncWrite for Held {
    fn poll_write(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
        bytes: &[u8],
    ) -> std::task::Poll<std::io::Result<usize>> {
        std::pin::Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(
        mut self: std::pin::Pin<&mut Self>,
        context: &mut std::task::Context<'_>,
    ) -> std::task::Poll<std::io::Result<()>> {
        std::pin::Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
