//! The token: who has it may drive the bench.

use std::fs;
use std::io::Write;
use std::path::Path;

use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom as _, SystemRandom};

use crate::base::{Error, Result, system};
use crate::journal::hexadecimal;

/// A secret of 256 random bits, in hexadecimal.
#[derive(Clone)]
pub struct Token(String);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Never in a log.
        f.write_str("Token")
    }
}

/// Random bytes from the operating system, in hexadecimal.
///
/// # Errors
/// `System` when the system gives none.
pub fn random_hex<const N: usize>() -> Result<String> {
    let mut bytes = [0u8; N];
    SystemRandom::new()
        .fill(&mut bytes)
        .map_err(|ring::error::Unspecified| Error::system("the system gives no random numbers"))?;
    Ok(hexadecimal(&bytes))
}

impl Token {
    /// Reads the token, or makes it where there is none.
    ///
    /// # Errors
    /// `Usage` when others may read or write the file, or it holds less than 32 characters; `System` when it cannot
    /// be made.
    pub fn load(path: &Path) -> Result<Self> {
        match system::others_may_read(path) {
            Ok(others) => {
                if others {
                    return Err(Error::usage("others may read or write the token")
                        .at(path)
                        .help(format!("chmod 600 {0}, or delete it: a new one is made", path.display())));
                }
                let text = fs::read_to_string(path)
                    .map_err(|error| Error::io("cannot read the token", path, error))?;
                let text = text.trim();
                if text.len() < 32 || !text.bytes().all(|b| b.is_ascii_alphanumeric()) {
                    return Err(Error::usage(
                        "this is not a valid token: it needs 32 letters and digits or more",
                    )
                    .at(path)
                    .help("delete the file: a new token is made"));
                }
                Ok(Self(text.to_owned()))
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Self::make(path),
            Err(error) => Err(Error::io("cannot look at the token", path, error)),
        }
    }

    /// What a browser is given instead of the token: it tells nothing of it, and holds for as long as the token does, so
    /// that a page finds its way back after the daemon was restarted.
    #[must_use]
    pub fn session(&self) -> Self {
        Self(hexadecimal(digest(&SHA256, format!("a page's session of {}", self.0).as_bytes()).as_ref()))
    }

    fn make(path: &Path) -> Result<Self> {
        let failed = |error| Error::system("cannot make the token").at(path).because(error);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(failed)?;
        }
        let token = random_hex::<32>()?;
        let mut file = system::make_private_file(path).map_err(failed)?;
        file.write_all(format!("{token}\n").as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
        Ok(Self(token))
    }

    /// Whether this is the token. Takes the same time wherever the first difference stands.
    pub fn is(&self, tried: &str) -> bool {
        let (own, tried) = (self.0.as_bytes(), tried.as_bytes());
        let differences = own.iter().zip(tried).fold(0u8, |sum, (a, b)| sum | (a ^ b));
        own.len() == tried.len() && differences == 0
    }

    /// The secret itself: for the link in the terminal, never for a log.
    pub fn secret(&self) -> &str {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::{MetadataExt, PermissionsExt};

    #[test]
    fn a_token_is_made_once_for_its_owner_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/token");
        let token = Token::load(&path).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        let again = Token::load(&path).unwrap();
        assert!(token.is(again.secret()) && token.secret().len() == 64);
        assert!(token.session().is(again.session().secret()) && !token.is(token.session().secret()));
        assert!(!token.is("") && !token.is(&token.secret()[..63]) && !token.is(&"0".repeat(64)));
        assert!(!format!("{token:?}").contains(token.secret()));
        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        assert!(Token::load(&path).unwrap_err().to_string().contains("chmod 600"));
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        fs::write(&path, "short").unwrap();
        assert!(Token::load(&path).is_err());
    }
}
