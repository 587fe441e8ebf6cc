//! The manifest: what a day file is, and the size and SHA-256 of each of its parts.

use chrono::{DateTime, FixedOffset, NaiveDate};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::io::{self, Write};
use uuid::Uuid;

/// The name of the manifest, which is the first entry of the file.
pub const MANIFEST: &str = "manifest.json";
/// The name of the manifest's signature, which the manifest does not list.
pub const SIGNATURE: &str = "manifest.sig";

/// A SHA-256 (FIPS 180-4), written as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// Hashes bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// Reads 64 lower-case hexadecimal digits.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        from_hex(text).map(Self)
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&to_hex(&self.0))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).ok_or_else(|| serde::de::Error::custom("not 64 lower-case hexadecimal digits"))
    }
}

/// Writes bytes as lower-case hexadecimal digits.
#[must_use]
pub(super) fn to_hex(bytes: &[u8]) -> String {
    use fmt::Write as _;
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
    }
    text
}

/// Reads exactly `N` bytes of lower-case hexadecimal digits.
#[must_use]
pub(super) fn from_hex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let well_formed = text.len() == 2 * N && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    if !well_formed {
        return None;
    }
    let mut bytes = [0; N];
    for (index, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * index..2 * index + 2)?, 16).ok()?;
    }
    Some(bytes)
}

/// Counts and hashes what is written through it.
pub(super) struct Hashing<W> {
    /// Where it goes.
    pub inner: W,
    /// How much there has been.
    pub bytes: u64,
    hasher: Sha256,
}

impl<W> Hashing<W> {
    pub fn new(inner: W) -> Self {
        Self {
            inner,
            bytes: 0,
            hasher: Sha256::new(),
        }
    }

    pub fn digest(self) -> Digest {
        Digest(self.hasher.finalize().into())
    }
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let count = self.inner.write(buf)?;
        self.hasher.update(buf.get(..count).unwrap_or_default());
        self.bytes = self.bytes.saturating_add(u64::try_from(count).unwrap_or(u64::MAX));
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Hashes everything that can be read, and counts it.
///
/// # Errors
/// When it cannot be read.
pub fn digest_of(mut input: impl io::Read) -> io::Result<(Digest, u64)> {
    let mut hashing = Hashing::new(io::sink());
    let bytes = io::copy(&mut input, &mut hashing)?;
    Ok((hashing.digest(), bytes))
}

/// What a day file is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// The form of the file, [`super::FORMAT`] for those of this program.
    pub format: u32,
    /// The first version of the program that reads this form, for the sentence an older one says.
    pub needs: String,
    /// The program that wrote it.
    pub program: String,
    /// The phone.
    pub phone: Uuid,
    /// What the crew calls the truck; empty when it has no name.
    pub truck: String,
    /// The day.
    pub day: NaiveDate,
    /// The day was not over when the file was made.
    pub partial: bool,
    /// Larger in each file of a phone than in any before it.
    pub sequence: u64,
    /// The SHA-256 of the phone's file before this one, before it was sealed; nothing in the first.
    pub follows: Option<Digest>,
    /// When it was made.
    pub created_at: DateTime<FixedOffset>,
    /// The form of the book the records come from.
    pub book_form: u32,
    /// The phone's public key, when the file is signed.
    pub key: Option<super::sign::PhoneKey>,
    /// Every part but the manifest and its signature, in the order of the file.
    pub parts: Vec<Part>,
}

/// One part of the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// Its name in the zip.
    pub name: String,
    /// Its media type.
    pub media_type: String,
    /// Its size, unpacked.
    pub bytes: u64,
    /// Its SHA-256, unpacked.
    pub sha256: Digest,
}

/// Whether a part may have this name: a file name, with at most one folder before it.
///
/// Letters, digits, `-` and `_`, one dot before the extension, at most 100 characters; and no name that means a device
/// on some system.
#[must_use]
pub fn is_part_name(name: &str) -> bool {
    let word = |text: &str| {
        !text.is_empty()
            && text
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    let (folder, file) = name
        .split_once('/')
        .map_or((None, name), |(folder, file)| (Some(folder), file));
    let Some((stem, extension)) = file.split_once('.') else {
        return false;
    };
    let is_device = |text: &str| {
        let text = text.to_ascii_lowercase();
        ["con", "prn", "aux", "nul"].contains(&text.as_str())
            || ["com", "lpt"].iter().any(|port| {
                text.strip_prefix(port)
                    .is_some_and(|rest| rest.len() == 1 && rest.bytes().all(|b| b.is_ascii_digit()))
            })
    };
    name.len() <= 100
        && folder.is_none_or(|folder| word(folder) && !is_device(folder))
        && word(stem)
        && !is_device(stem)
        && word(extension)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn names_are_one_file_in_at_most_one_folder() {
        for good in ["manifest.json", "records/site.jsonl", "README.txt", "photos/0a.jpg"] {
            assert!(is_part_name(good), "{good}");
        }
        // The usual ways out of a folder, and names that some system takes for something else.
        for bad in [
            "",
            "a",
            "a/",
            "/a.txt",
            "../a.txt",
            "a/../b.txt",
            "a/b/c.txt",
            "a\\b.txt",
            "C:a.txt",
            "a.b.txt",
            ".a",
            "a.",
            "a/.txt",
            "nul.txt",
            "CON/a.txt",
            "com1.txt",
            "a\0.txt",
            "á.txt",
            "a b.txt",
        ] {
            assert!(!is_part_name(bad), "{bad:?}");
        }
        assert!(!is_part_name(&format!("{}.txt", "a".repeat(97))));
    }

    #[test]
    fn hashes_are_those_of_the_standard() {
        // FIPS 180-4, example SHA256, one block: "abc".
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Digest::of(b"abc").to_string(), abc);
        assert_eq!(Digest::parse(abc), Some(Digest::of(b"abc")));
        assert_eq!(Digest::parse(&abc.to_uppercase()), None);
        let mut hashing = Hashing::new(io::sink());
        hashing.write_all(b"a").unwrap();
        hashing.write_all(b"bc").unwrap();
        assert_eq!(hashing.bytes, 3);
        assert_eq!(hashing.digest(), Digest::of(b"abc"));
    }
}
