//! A stream to a mail server from which only so much is read: its library reads answers without a bound.

use lettre::transport::smtp::client::AsyncTokioStream;
use std::fmt::Debug;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_rustls::client::TlsStream;

/// The most that is read in one talk: its answers are some hundred bytes, an encrypted one's certificates some thousand.
pub(super) const MOST_READ: usize = 256 * 1024;

/// A stream with a bound on what is read.
#[derive(Debug)]
pub(super) struct Bounded<S> {
    stream: S,
    left: usize,
}

impl<S> Bounded<S> {
    pub(super) fn new(stream: S) -> Self {
        Self { stream, left: MOST_READ }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Bounded<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = into.filled().len();
        let read = Pin::new(&mut self.stream).poll_read(context, into);
        match self.left.checked_sub(into.filled().len() - before) {
            Some(left) => {
                self.left = left;
                read
            }
            None => Poll::Ready(Err(io::Error::other("the server talks without end"))),
        }
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Bounded<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

impl AsyncTokioStream for Bounded<TcpStream> {
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        self.stream.peer_addr()
    }
}

impl AsyncTokioStream for Bounded<TlsStream<TcpStream>> {
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        self.stream.get_ref().0.peer_addr()
    }
}
