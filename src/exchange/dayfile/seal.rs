//! Sealing to the office's key, in the age format (age-encryption.org/v1) with X25519 recipients.

use super::DayFileError;
use age::secrecy::ExposeSecret;
use age::x25519;
use std::fmt;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::str::FromStr;

/// How every sealed file begins.
pub const SEALED: &[u8] = b"age-encryption.org/v1\n";

/// The most bytes before the sealed content: one office key takes about 200.
const MOST_HEADER_BYTES: u64 = 64 * 1024;

/// The office's public key, `age1…`: whoever has it can seal, and nobody can open with it.
#[derive(Clone, PartialEq, Eq)]
pub struct OfficeKey(x25519::Recipient);

impl fmt::Display for OfficeKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for OfficeKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

/// Why a text is no office key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadOfficeKey {
    /// Nothing in it.
    #[error("there is no key in it")]
    Empty,
    /// The secret key.
    #[error("this is the office's secret key; the phone needs the other one, which begins with age1")]
    Secret,
    /// Something else.
    #[error("an office key begins with age1")]
    NotAKey,
    /// Another kind of key of the same format.
    #[error("this is another kind of age key; the office key has 62 letters and digits")]
    OtherKind,
    /// Letters are missing or wrong.
    #[error("the key is incomplete or has a wrong letter: copy or scan it again")]
    Damaged,
}

impl OfficeKey {
    /// Reads a key as it was pasted, typed or scanned: spaces, line breaks and capitals do not matter.
    ///
    /// # Errors
    /// [`BadOfficeKey`] with a sentence that says what is wrong.
    pub fn parse(text: &str) -> Result<Self, BadOfficeKey> {
        let text: String = text
            .chars()
            .filter(|c| !c.is_whitespace())
            .map(|c| c.to_ascii_lowercase())
            .collect();
        if text.is_empty() {
            return Err(BadOfficeKey::Empty);
        }
        if text.starts_with("age-secret-key-") {
            return Err(BadOfficeKey::Secret);
        }
        if !text.starts_with("age1") {
            return Err(BadOfficeKey::NotAKey);
        }
        // The kinds of key have their name and a `1` between `age1` and their data (age's plugin recipients).
        if text.bytes().filter(|b| *b == b'1').count() > 1 {
            return Err(BadOfficeKey::OtherKind);
        }
        x25519::Recipient::from_str(&text)
            .map(Self)
            .map_err(|_| BadOfficeKey::Damaged)
    }
}

/// The office's secret key, which opens what was sealed to its public key.
pub struct OfficeSecret(x25519::Identity);

impl fmt::Debug for OfficeSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("OfficeSecret").field(&self.public()).finish()
    }
}

impl OfficeSecret {
    /// Makes a pair of keys from the system's source of randomness.
    #[must_use]
    pub fn generate() -> Self {
        Self(x25519::Identity::generate())
    }

    /// Returns the key to give to the phones.
    #[must_use]
    pub fn public(&self) -> OfficeKey {
        OfficeKey(self.0.to_public())
    }

    /// Reads a key file: the first line that is no remark and not empty, as `age-keygen` writes it too.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        text.lines()
            .map(str::trim)
            .find(|line| !line.is_empty() && !line.starts_with('#'))
            .and_then(|line| x25519::Identity::from_str(line).ok())
            .map(Self)
    }

    /// Writes the key file, in the form `age -d -i` reads.
    #[must_use]
    pub fn to_text(&self) -> String {
        format!(
            "# public key: {}\n{}\n",
            self.public(),
            self.0.to_string().expose_secret()
        )
    }
}

/// Begins to seal what is written from now on; [`Sealing::finish`] must be called at the end.
///
/// # Errors
/// When the output cannot be written.
pub fn seal<W: Write>(office: &OfficeKey, output: W) -> io::Result<Sealing<W>> {
    let recipients = std::iter::once(&office.0 as &dyn age::Recipient);
    let encryptor = age::Encryptor::with_recipients(recipients).map_err(io::Error::other)?;
    encryptor.wrap_output(output).map(Sealing)
}

/// Seals what is written to it.
pub struct Sealing<W: Write>(age::stream::StreamWriter<W>);

impl<W: Write> fmt::Debug for Sealing<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sealing").finish_non_exhaustive()
    }
}

impl<W: Write> Sealing<W> {
    /// Marks the end, without which the file counts as cut off, and returns the output.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn finish(self) -> io::Result<W> {
        self.0.finish()
    }
}

impl<W: Write> Write for Sealing<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        self.0.write(buf)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// A file as it lies there: plain, or seen through its seal.
pub enum Unsealed<R> {
    /// Not sealed.
    Plain(R),
    /// Sealed; each piece is checked as it is read.
    Sealed(Box<age::stream::StreamReader<R>>),
}

impl<R> fmt::Debug for Unsealed<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Plain(_) => "Plain",
            Self::Sealed(_) => "Sealed",
        })
    }
}

/// Looks whether a file is sealed, and opens its seal when it is.
///
/// # Errors
/// [`DayFileError::Sealed`] without a key, [`DayFileError::WrongKey`] with another, [`DayFileError::SealBroken`] when
/// its beginning is damaged.
pub fn unseal<R: Read + Seek>(mut input: R, keys: &[OfficeSecret]) -> Result<Unsealed<R>, DayFileError> {
    let mut start = Vec::new();
    input.seek(SeekFrom::Start(0)).map_err(DayFileError::Unreadable)?;
    (&mut input)
        .take(MOST_HEADER_BYTES)
        .read_to_end(&mut start)
        .map_err(DayFileError::Unreadable)?;
    input.seek(SeekFrom::Start(0)).map_err(DayFileError::Unreadable)?;
    if !start.starts_with(SEALED) {
        return Ok(Unsealed::Plain(input));
    }
    // The header ends with its line of authentication; one that goes on without end is not worth reading.
    if !start.windows(5).any(|window| window == b"\n--- ") {
        return Err(DayFileError::SealBroken("it has no end of its header".to_owned()));
    }
    let broken = |error: age::DecryptError| match error {
        age::DecryptError::NoMatchingKeys => DayFileError::WrongKey,
        other => DayFileError::SealBroken(other.to_string()),
    };
    let decryptor = age::Decryptor::new(input).map_err(broken)?;
    if keys.is_empty() {
        return Err(DayFileError::Sealed);
    }
    decryptor
        .decrypt(keys.iter().map(|key| &key.0 as &dyn age::Identity))
        .map(|reader| Unsealed::Sealed(Box::new(reader)))
        .map_err(broken)
}

impl<R: Read> Read for Unsealed<R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Plain(reader) => reader.read(buf),
            Self::Sealed(reader) => reader.read(buf),
        }
    }
}

impl<R: Read + Seek> Seek for Unsealed<R> {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        match self {
            Self::Plain(reader) => reader.seek(pos),
            Self::Sealed(reader) => reader.seek(pos),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_read_however_it_was_pasted() {
        let key = OfficeSecret::generate().public();
        let text = key.to_string();
        assert_eq!(OfficeKey::parse(&text), Ok(key.clone()));
        assert_eq!(
            OfficeKey::parse(&format!("  {}\n", text.to_uppercase())),
            Ok(key.clone())
        );
        let (a, b) = text.split_at(30);
        assert_eq!(OfficeKey::parse(&format!("{a}\n {b}")), Ok(key));
    }

    #[test]
    fn a_wrong_key_says_what_is_wrong() {
        let secret = OfficeSecret::generate();
        assert_eq!(OfficeKey::parse(" \n"), Err(BadOfficeKey::Empty));
        assert_eq!(OfficeKey::parse("hello"), Err(BadOfficeKey::NotAKey));
        let secret_line = secret.to_text().lines().last().unwrap().to_owned();
        assert_eq!(OfficeKey::parse(&secret_line), Err(BadOfficeKey::Secret));
        let text = secret.public().to_string();
        assert_eq!(OfficeKey::parse(&text[..60]), Err(BadOfficeKey::Damaged));
        let last = if text.ends_with('q') { "p" } else { "q" };
        assert_eq!(
            OfficeKey::parse(&format!("{}{last}", &text[..61])),
            Err(BadOfficeKey::Damaged)
        );
        assert_eq!(OfficeKey::parse("age1other1qqqqqq"), Err(BadOfficeKey::OtherKind));
    }

    #[test]
    fn a_key_file_survives_its_text() {
        let secret = OfficeSecret::generate();
        assert_eq!(
            OfficeSecret::parse(&secret.to_text()).unwrap().public(),
            secret.public()
        );
        assert!(OfficeSecret::parse("# nothing\n").is_none());
        assert!(!format!("{secret:?}").contains("SECRET"));
    }
}
