//! TLS of the page: its certificate, taken up anew when the files change, and a connection that may be in the clear or not.
//!
//! The handshake belongs to the connection, not to the listener: who connects and then says nothing holds up nobody, and is
//! let go after 10 s. A renewed certificate that cannot be read leaves the one before in force, which is told. Never panics.

use std::future::Future as _;
use std::io;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::{Duration, Instant, SystemTime};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_rustls::{Accept, TlsAcceptor, server::TlsStream};

use crate::tls::{TlsError, server_config};

/// How often the files are looked at.
const LOOK: Duration = Duration::from_secs(30);
/// Longest handshake.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// The page's certificate and key as they are now.
pub(super) struct Secure {
    certificate: PathBuf,
    key: PathBuf,
    held: Mutex<Held>,
}

struct Held {
    config: Arc<rustls::ServerConfig>,
    written: [Option<SystemTime>; 2],
    looked: Instant,
}

impl Secure {
    /// Reads certificate and key.
    ///
    /// # Errors
    /// When they cannot be used.
    pub(super) fn load(certificate: &Path, key: &Path) -> Result<Self, TlsError> {
        let written = written(certificate, key);
        let config = Arc::new(server_config(certificate, key)?);
        let held = Mutex::new(Held { config, written, looked: Instant::now() });
        Ok(Self { certificate: certificate.to_path_buf(), key: key.to_path_buf(), held })
    }

    /// A connection whose handshake begins with its first byte.
    pub(super) fn accept(&self, stream: TcpStream) -> Stream {
        self.accept_within(stream, HANDSHAKE)
    }

    fn accept_within(&self, stream: TcpStream, longest: Duration) -> Stream {
        let acceptor = TlsAcceptor::from(self.config(Instant::now()));
        Stream::Handshake(Box::new(acceptor.accept(stream)), Box::pin(tokio::time::sleep(longest)))
    }

    /// The settings in force; the files are looked at now and then.
    fn config(&self, now: Instant) -> Arc<rustls::ServerConfig> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if now.duration_since(held.looked) >= LOOK {
            held.looked = now;
            let written = written(&self.certificate, &self.key);
            if written != held.written {
                match server_config(&self.certificate, &self.key) {
                    Ok(config) => {
                        held.config = Arc::new(config);
                        held.written = written;
                        tracing::info!("the page shows its renewed certificate");
                    }
                    Err(error) => {
                        tracing::error!(%error, "the page's certificate has changed and cannot be used; the one before stays")
                    }
                }
            }
        }
        Arc::clone(&held.config)
    }
}

fn written(certificate: &Path, key: &Path) -> [Option<SystemTime>; 2] {
    [certificate, key].map(|path| std::fs::metadata(path).and_then(|about| about.modified()).ok())
}

/// A connection.
pub(super) enum Stream {
    /// In the clear.
    Plain(TcpStream),
    /// TLS, not yet agreed on, and when it is given up.
    Handshake(Box<Accept<TcpStream>>, Pin<Box<tokio::time::Sleep>>),
    /// TLS.
    Tls(Box<TlsStream<TcpStream>>),
}

impl Stream {
    /// Drives the handshake to its end, if there is one.
    fn agreed(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        if let Self::Handshake(accept, deadline) = self {
            let stream = match Pin::new(accept.as_mut()).poll(context) {
                Poll::Ready(stream) => stream?,
                Poll::Pending => {
                    ready!(deadline.as_mut().poll(context));
                    return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
                }
            };
            *self = Self::Tls(Box::new(stream));
        }
        Poll::Ready(Ok(()))
    }
}

impl AsyncRead for Stream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        ready!(self.agreed(context))?;
        match &mut *self {
            Self::Plain(stream) => Pin::new(stream).poll_read(context, buffer),
            Self::Tls(stream) => Pin::new(stream.as_mut()).poll_read(context, buffer),
            Self::Handshake(..) => Poll::Pending,
        }
    }
}

impl AsyncWrite for Stream {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        ready!(self.agreed(context))?;
        match &mut *self {
            Self::Plain(stream) => Pin::new(stream).poll_write(context, bytes),
            Self::Tls(stream) => Pin::new(stream.as_mut()).poll_write(context, bytes),
            Self::Handshake(..) => Poll::Pending,
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut *self {
            Self::Plain(stream) => Pin::new(stream).poll_flush(context),
            Self::Tls(stream) => Pin::new(stream.as_mut()).poll_flush(context),
            // Nothing has been written.
            Self::Handshake(..) => Poll::Ready(Ok(())),
        }
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut *self {
            Self::Plain(stream) => Pin::new(stream).poll_shutdown(context),
            Self::Tls(stream) => Pin::new(stream.as_mut()).poll_shutdown(context),
            Self::Handshake(..) => Poll::Ready(Ok(())),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use rustls::pki_types::ServerName;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::net::{TcpListener, TcpStream};

    use super::*;
    use crate::tls::{client_config, testing::Certificates};

    /// Serves one connection with an echo and answers what the client got back.
    async fn echoed(secure: &Arc<Secure>, authority: &Path) -> io::Result<Vec<u8>> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let address = listener.local_addr()?;
        let secure = Arc::clone(secure);
        let server = tokio::spawn(async move {
            let (stream, _) = listener.accept().await?;
            let mut stream = secure.accept(stream);
            let mut bytes = [0; 5];
            stream.read_exact(&mut bytes).await?;
            stream.write_all(&bytes).await?;
            stream.shutdown().await
        });
        let client = client_config(authority, None).expect("an authority");
        let connector = tokio_rustls::TlsConnector::from(Arc::new(client));
        let name = ServerName::try_from("127.0.0.1").expect("an address");
        let mut stream = connector.connect(name, TcpStream::connect(address).await?).await?;
        stream.write_all(b"hello").await?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).await?;
        let _ended = server.await;
        Ok(answer)
    }

    #[tokio::test]
    async fn a_client_that_trusts_the_authority_gets_through_and_no_other() {
        let (ours, theirs) = (Certificates::new("page"), Certificates::new("page-other"));
        let secure = Arc::new(Secure::load(&ours.file("server.pem"), &ours.file("server.key")).expect("made just now"));
        assert_eq!(echoed(&secure, &ours.authority()).await.expect("trusted"), b"hello");
        assert!(echoed(&secure, &theirs.authority()).await.is_err());
    }

    #[tokio::test]
    async fn what_speaks_no_tls_gets_an_error_and_no_answer() {
        let made = Certificates::new("page-plain");
        let secure = Secure::load(&made.file("server.pem"), &made.file("server.key")).expect("made just now");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let mut client = TcpStream::connect(listener.local_addr().expect("bound")).await.expect("it listens");
        let (stream, _) = listener.accept().await.expect("a client");
        let mut stream = secure.accept(stream);
        client.write_all(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").await.expect("sent");
        assert!(stream.read_u8().await.is_err());
        drop(stream);
        let mut answer = Vec::new();
        let _cut = client.read_to_end(&mut answer).await;
        assert!(!answer.starts_with(b"HTTP"), "{answer:?}");
    }

    #[tokio::test]
    async fn who_connects_and_says_nothing_is_let_go() {
        let made = Certificates::new("page-silent");
        let secure = Secure::load(&made.file("server.pem"), &made.file("server.key")).expect("made just now");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let _client = TcpStream::connect(listener.local_addr().expect("bound")).await.expect("it listens");
        let (stream, _) = listener.accept().await.expect("a client");
        let error = secure.accept_within(stream, Duration::from_millis(50)).read_u8().await.expect_err("given up");
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn a_renewed_certificate_is_taken_up_and_a_broken_one_is_not() {
        let (old, new) = (Certificates::new("page-old"), Certificates::new("page-new"));
        let (certificate, key) = (old.file("server.pem"), old.file("server.key"));
        let secure = Arc::new(Secure::load(&certificate, &key).expect("made just now"));
        let old_authority = std::fs::read(old.authority()).expect("made just now");
        std::fs::write(&certificate, "no certificate").expect("written");
        let later = Instant::now() + LOOK;
        let before = secure.config(Instant::now());
        assert!(Arc::ptr_eq(&before, &secure.config(later)), "a broken file leaves the one before");
        for name in ["server.pem", "server.key"] {
            std::fs::copy(new.file(name), old.file(name)).expect("copied");
        }
        assert!(Arc::ptr_eq(&before, &secure.config(later)), "not looked at again so soon");
        assert!(!Arc::ptr_eq(&before, &secure.config(later + LOOK)));
        assert_eq!(echoed(&secure, &new.authority()).await.expect("the new one"), b"hello");
        std::fs::write(old.authority(), old_authority).expect("written");
        assert!(echoed(&secure, &old.authority()).await.is_err(), "the old one is shown no more");
    }

    #[test]
    fn files_that_do_not_fit_are_refused_with_their_name() {
        let made = Certificates::new("page-wrong");
        let error = Secure::load(&made.file("nothing.pem"), &made.file("server.key")).err().expect("no such file");
        assert!(error.to_string().contains("nothing.pem"), "{error}");
        let error = Secure::load(&made.file("server.pem"), &made.file("client.key")).err();
        assert!(error.is_some(), "another's key is refused");
    }
}
