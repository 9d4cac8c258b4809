//! Saying that one has seen an alert, by a link in a message: one page, one button, no account and no script.
//!
//! A link is signed and ends (`token`); opening it changes nothing, since mail programs open links by themselves; the
//! button acknowledges in the name of the person to whom the link was sent. The server listens on this machine unless
//! the configuration says otherwise, and holds few connections for a short time: alerts never wait for it.

mod answer;
mod key;
mod page;
mod server;
mod token;

pub use answer::Door;
pub use key::{FILE, LENGTH, NoKey, key_in};
pub use server::{MOST_CONNECTIONS, serve};
pub use token::Signer;
