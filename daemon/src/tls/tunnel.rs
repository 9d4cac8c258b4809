//! A socket in our own folder, behind which every connection goes on encrypted to the other side.
//!
//! A client library that knows nothing of TLS connects to the socket. What goes wrong behind it is kept in words, since
//! the library sees only a connection that ends.

use super::ends::{Ends, end_of};
use super::{Client, words};
use crate::world::Dial;
use std::cell::RefCell;
use std::io;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;
use tokio::io::copy_bidirectional;
use tokio::net::{UnixListener, UnixStream};
use tokio::task::{JoinHandle, JoinSet};
use tokio::time::{Instant, timeout_at};
use tokio_rustls::rustls::Error;

/// How long it may take to connect and agree on keys: a little less than clients wait for the whole, so that the reason
/// is known before they give up.
pub const SHAKE_DEADLINE: Duration = Duration::from_secs(4);
/// An accept that failed is tried again after so long.
const ACCEPT_AGAIN: Duration = Duration::from_secs(1);

/// The tunnel. Dropping it ends its connections.
#[derive(Debug)]
pub struct Tunnel {
    path: PathBuf,
    said: Rc<RefCell<Option<String>>>,
    task: JoinHandle<()>,
}

struct Inside {
    client: Client,
    address: String,
    dial: Rc<dyn Dial>,
    said: Rc<RefCell<Option<String>>>,
    ends: Rc<Ends>,
    /// Whose processes may come in: who owns the socket.
    owner: u32,
}

impl Tunnel {
    /// Opens the socket `name` in `folder`, for `host:port` behind it, on this thread's local set.
    ///
    /// # Errors
    /// When the socket can't be made.
    pub fn open(
        client: Client,
        address: &str,
        folder: &Path,
        name: &str,
        dial: Rc<dyn Dial>,
        ends: Rc<Ends>,
    ) -> io::Result<Self> {
        let path = folder.join(name);
        // The store's lock is held, so a socket that is there was left by a daemon that is gone.
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let listener = UnixListener::bind(&path)?;
        std::fs::set_permissions(&path, PermissionsExt::from_mode(0o600))?;
        let owner = std::fs::metadata(&path)?.uid();
        let said = Rc::new(RefCell::new(None));
        let inside =
            Inside { client, address: address.to_owned(), dial, said: Rc::clone(&said), ends, owner };
        let task = tokio::task::spawn_local(Rc::new(inside).accept(listener));
        Ok(Self { path, said, task })
    }

    /// The socket.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What went wrong with the latest connection, once.
    pub fn take_words(&self) -> Option<String> {
        self.said.borrow_mut().take()
    }
}

impl Drop for Tunnel {
    fn drop(&mut self) {
        self.task.abort();
        // Nobody answers there any more; if it is gone already, all the better.
        let _ = std::fs::remove_file(&self.path);
    }
}

impl Inside {
    async fn accept(self: Rc<Self>, listener: UnixListener) {
        let mut connections = JoinSet::new();
        loop {
            let stream = match listener.accept().await {
                Ok((stream, _)) => stream,
                Err(error) => {
                    tracing::warn!(%error, "the socket of the encrypted link can't accept its client");
                    tokio::time::sleep(ACCEPT_AGAIN).await;
                    continue;
                }
            };
            // The link is ours alone: it bears our name and our certificate.
            if stream.peer_cred().map_or(true, |peer| peer.uid() != self.owner) {
                tracing::warn!("someone else came to the socket of the encrypted link and was turned away");
                continue;
            }
            // One client comes again and again; whatever is left of its last connection is of no use.
            connections.abort_all();
            while connections.try_join_next().is_some() {}
            let inside = Rc::clone(&self);
            connections.spawn_local(async move { inside.carry(stream).await });
        }
    }

    async fn carry(&self, mut stream: UnixStream) {
        self.said.borrow_mut().take();
        if let Err(why) = self.carry_to_the_end(&mut stream).await {
            *self.said.borrow_mut() = Some(why);
        }
    }

    async fn carry_to_the_end(&self, stream: &mut UnixStream) -> Result<(), String> {
        let until = Instant::now() + SHAKE_DEADLINE;
        let wire = timeout_at(until, self.dial.dial(&self.address)).await;
        let wire = wire.map_err(|_| "no connection in time")?.map_err(|error| reason(&error))?;
        let shaken = timeout_at(until, self.client.connector.connect(self.client.name.clone(), wire)).await;
        let mut secured = shaken
            .map_err(|_| "no agreement on an encrypted link in time")?
            .map_err(|error| reason(&error))?;
        self.ends.shown(secured.get_ref().1.peer_certificates().and_then(|shown| end_of(shown.first()?)));
        copy_bidirectional(stream, &mut secured).await.map(drop).map_err(|error| reason(&error))
    }
}

/// An error of a wire, in words.
pub fn reason(error: &io::Error) -> String {
    match error.get_ref().and_then(|inner| inner.downcast_ref::<Error>()) {
        Some(error) => words(error),
        None if error.kind() == io::ErrorKind::UnexpectedEof => "the other side hung up".to_owned(),
        None => error.to_string(),
    }
}
