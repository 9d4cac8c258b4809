//! The key by which links are signed: made at the first start, kept in the store's folder, for its owner alone.

use ring::rand::{SecureRandom, SystemRandom};
use std::fs::{OpenOptions, Permissions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// Its name in the store's folder.
pub const FILE: &str = "links.key";
/// As long as what the signature is made of (RFC 2104, 3: a longer key adds nothing, a shorter one weakens it).
pub const LENGTH: usize = 32;

/// Why there is no key.
#[derive(Debug, thiserror::Error)]
pub enum NoKey {
    /// The file.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Others may read it.
    #[error(
        "{}: other users of this machine may read it, so links could be forged; remove it, and a new one is made at the next start (links that were sent then no longer work)",
        .0.display()
    )]
    OpenToOthers(PathBuf),
    /// It is no key.
    #[error(
        "{}: it holds no key of {LENGTH} bytes; remove it, and a new one is made at the next start (links that were sent then no longer work)",
        .0.display()
    )]
    Damaged(PathBuf),
    /// The machine has no randomness.
    #[error("this machine gives no random numbers, so no key can be made")]
    NoRandomness,
}

/// The key in this folder; a new one where there is none.
///
/// # Errors
/// See [`NoKey`].
pub fn key_in(folder: &Path) -> Result<[u8; LENGTH], NoKey> {
    let path = folder.join(FILE);
    match std::fs::File::open(&path) {
        Ok(file) => read(file, &path),
        Err(error) if error.kind() == io::ErrorKind::NotFound => make(folder, &path),
        Err(source) => Err(NoKey::File { path, source }),
    }
}

fn read(file: std::fs::File, path: &Path) -> Result<[u8; LENGTH], NoKey> {
    let failed = |source| NoKey::File { path: path.to_owned(), source };
    if file.metadata().map_err(failed)?.permissions().mode() & 0o077 != 0 {
        return Err(NoKey::OpenToOthers(path.to_owned()));
    }
    let mut bytes = Vec::new();
    file.take(LENGTH as u64 + 1).read_to_end(&mut bytes).map_err(failed)?;
    bytes.try_into().map_err(|_| NoKey::Damaged(path.to_owned()))
}

/// Makes a key: whole on the disk under its name, or not there at all.
fn make(folder: &Path, path: &Path) -> Result<[u8; LENGTH], NoKey> {
    let failed = |source| NoKey::File { path: path.to_owned(), source };
    let mut key = [0; LENGTH];
    SystemRandom::new().fill(&mut key).map_err(|_| NoKey::NoRandomness)?;
    let part = folder.join(format!("{FILE}.part"));
    let write = || -> io::Result<()> {
        let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&part)?;
        // One that an earlier start left may have been made by another hand.
        file.set_permissions(Permissions::from_mode(0o600))?;
        file.write_all(&key)?;
        file.sync_all()?;
        std::fs::rename(&part, path)?;
        std::fs::File::open(folder)?.sync_all()
    };
    write().map_err(failed)?;
    Ok(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Guards: the mode, the length.
    #[test]
    fn a_key_is_made_once_for_its_owner_alone_and_never_taken_from_what_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        let key = key_in(folder.path()).unwrap();
        assert_ne!(key, [0; LENGTH]);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(key_in(folder.path()).unwrap(), key, "the next start finds it");
        std::fs::set_permissions(&path, Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(key_in(folder.path()), Err(NoKey::OpenToOthers(_))));
        std::fs::set_permissions(&path, Permissions::from_mode(0o600)).unwrap();
        for bytes in [&b""[..], &key[1..], &[key.as_slice(), b"x"].concat()] {
            std::fs::write(&path, bytes).unwrap();
            assert!(matches!(key_in(folder.path()), Err(NoKey::Damaged(_))), "{bytes:?}");
        }
        assert!(matches!(key_in(&path), Err(NoKey::File { .. })), "the folder is a file");
    }
}
