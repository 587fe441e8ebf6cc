//! Opens a day file: checks everything first, and hands out records only after that.
//!
//! Whatever is read after the check is hashed once more as it is read, so that a file that changes under the reader is
//! noticed too. Memory holds the manifest and one line at a time.

use super::lines::{kind_of, part_of, read_logged, read_record};
use super::manifest::{Digest, MANIFEST, Manifest, Part, SIGNATURE, digest_of, is_part_name};
use super::seal::{OfficeSecret, Unsealed, unseal};
use super::sign::{PhoneKey, PhoneSignature, TrustedPhone};
use super::{
    DayFileError, FORMAT, MOST_BYTES, MOST_ENTRIES, MOST_LINE_BYTES, MOST_MANIFEST_BYTES, MOST_PART_BYTES, MOST_RATIO,
    RATIO_FREE_BYTES,
};
use crate::domain::record::{KINDS, Kind, Logged, Stamped};
use crate::store::SCHEMA_VERSION;
use flate2::read::DeflateDecoder;
use sha2::{Digest as _, Sha256};
use std::cell::RefCell;
use std::collections::{HashMap, VecDeque};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use uuid::Uuid;
use zip::{CompressionMethod, ZipArchive};

/// Whose files are read.
#[derive(Clone, Copy, Debug)]
pub enum Trust<'a> {
    /// Anyone's, signed or not; a signature that is there must fit all the same.
    Anyone,
    /// Signed by one of these phones.
    Only(&'a [TrustedPhone]),
}

/// Where in the file a part lies.
#[derive(Clone, Copy, Debug)]
struct Spot {
    start: u64,
    packed: u64,
    bytes: u64,
    deflated: bool,
}

/// A day file that has been checked whole.
#[derive(Debug)]
pub struct DayFile<R> {
    source: RefCell<Unsealed<R>>,
    spots: HashMap<String, Spot>,
    manifest: Manifest,
    signer: Option<PhoneKey>,
    sha256: Digest,
    is_sealed: bool,
}

/// Checks a day file, sealed or not, from its first byte to its last.
///
/// * `keys`: the office's secret keys, tried in turn on a sealed file
///
/// # Errors
/// [`DayFileError`] with the first fault found; then nothing of the file has been handed out.
pub fn open<R: Read + Seek>(input: R, keys: &[OfficeSecret], trust: Trust<'_>) -> Result<DayFile<R>, DayFileError> {
    let mut source = unseal(input, keys)?;
    let is_sealed = matches!(source, Unsealed::Sealed(_));
    let (sha256, bytes) = digest_whole(&mut source)?;
    count_entries(&mut source, bytes)?;
    let spots = directory(&mut source)?;
    let source = RefCell::new(source);
    let (manifest, signer) = check_manifest(&source, &spots, trust)?;
    let file = DayFile {
        source,
        spots,
        manifest,
        signer,
        sha256,
        is_sealed,
    };
    file.check_parts()?;
    Ok(file)
}

/// Reads the file once from end to end, which also checks every piece of a seal.
fn digest_whole<R: Read + Seek>(source: &mut Unsealed<R>) -> Result<(Digest, u64), DayFileError> {
    let sealed = matches!(source, Unsealed::Sealed(_));
    let read = source
        .seek(SeekFrom::Start(0))
        .and_then(|_| digest_of(source.take(MOST_BYTES + 1)));
    match read {
        Err(error) if sealed && error.raw_os_error().is_none() => Err(DayFileError::SealBroken(error.to_string())),
        Err(error) => Err(DayFileError::Unreadable(error)),
        Ok((_, bytes)) if bytes > MOST_BYTES => Err(DayFileError::TooLarge {
            what: "the file".to_owned(),
            bytes,
            most: MOST_BYTES,
        }),
        Ok(whole) => Ok(whole),
    }
}

const LOCAL_HEADER: &[u8] = b"PK\x03\x04";
const END: &[u8] = b"PK\x05\x06";
const END_64: &[u8] = b"PK\x06\x06";
const END_64_PLACE: &[u8] = b"PK\x06\x07";
/// The end record without its comment (APPNOTE.TXT 4.3.16).
const END_BYTES: usize = 22;

/// Reads how many entries the file says it has before a library makes a list of them.
fn count_entries(source: &mut (impl Read + Seek), bytes: u64) -> Result<(), DayFileError> {
    let mut start = Vec::new();
    read_at(source, 0, 4, &mut start)?;
    if start != LOCAL_HEADER {
        return Err(if start == END.get(..4).unwrap_or_default() {
            DayFileError::NoManifest
        } else {
            DayFileError::NotADayFile
        });
    }
    // The end record is the last thing in the file, but for a comment of at most 65,535 bytes.
    let tail_start = bytes.saturating_sub(65_535 + 22);
    let mut tail = Vec::new();
    read_at(source, tail_start, 65_535 + 22, &mut tail)?;
    let end = (0..tail.len().saturating_sub(END_BYTES - 1)).rev().find(|at| {
        let record = tail.get(*at..).unwrap_or_default();
        record.starts_with(END) && usize::from(u16_at(record, 20)) + END_BYTES == record.len()
    });
    let Some(end) = end else {
        return Err(DayFileError::CutOff);
    };
    let record = tail.get(end..).unwrap_or_default();
    let mut found = u64::from(u16_at(record, 10));
    let place = end.checked_sub(20).and_then(|at| tail.get(at..end)).unwrap_or_default();
    if place.starts_with(END_64_PLACE) {
        let mut record = Vec::new();
        read_at(source, u64_at(place, 8), 56, &mut record)?;
        if !record.starts_with(END_64) {
            return Err(DayFileError::Damaged(
                "its zip64 end record is not where it should be".to_owned(),
            ));
        }
        found = found.max(u64_at(&record, 32));
    }
    if found > MOST_ENTRIES {
        return Err(DayFileError::TooManyEntries { found });
    }
    Ok(())
}

fn read_at(source: &mut (impl Read + Seek), at: u64, most: u64, into: &mut Vec<u8>) -> Result<(), DayFileError> {
    source
        .seek(SeekFrom::Start(at))
        .and_then(|_| source.take(most).read_to_end(into))
        .map(|_| ())
        .map_err(DayFileError::Unreadable)
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    let two = bytes.get(at..at + 2).and_then(|two| two.try_into().ok());
    two.map_or(0, u16::from_le_bytes)
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    let eight = bytes.get(at..at + 8).and_then(|eight| eight.try_into().ok());
    eight.map_or(0, u64::from_le_bytes)
}

fn damaged(error: zip::result::ZipError) -> DayFileError {
    match error {
        zip::result::ZipError::Io(error) if error.raw_os_error().is_some() => DayFileError::Unreadable(error),
        other => DayFileError::Damaged(other.to_string()),
    }
}

/// Reads and checks the directory of the zip: names, kinds, sizes, places.
fn directory<R: Read + Seek>(source: &mut Unsealed<R>) -> Result<HashMap<String, Spot>, DayFileError> {
    let mut archive = ZipArchive::new(&mut *source).map_err(damaged)?;
    if archive.has_duplicate_names() {
        return Err(DayFileError::Duplicate {
            name: "one entry".to_owned(),
        });
    }
    let mut spots = HashMap::new();
    let mut twins = std::collections::HashSet::new();
    let mut total = 0_u64;
    let mut first = None;
    for index in 0..archive.len() {
        let entry = archive.by_index_raw(index).map_err(damaged)?;
        let printable = String::from_utf8_lossy(entry.name_raw())
            .chars()
            .flat_map(char::escape_default)
            .take(200)
            .collect::<String>();
        if entry.is_symlink() || entry.is_dir() {
            return Err(DayFileError::NotAFile { name: printable });
        }
        let name = match std::str::from_utf8(entry.name_raw()) {
            Ok(name) if is_part_name(name) => name.to_owned(),
            _ => return Err(DayFileError::BadName { name: printable }),
        };
        // On many systems two names that differ in capitals only are one file.
        if !twins.insert(name.to_ascii_lowercase()) {
            return Err(DayFileError::Duplicate { name });
        }
        let deflated = match entry.compression() {
            CompressionMethod::Stored => false,
            CompressionMethod::Deflated => true,
            _ => return Err(DayFileError::Packing { name }),
        };
        if entry.encrypted() {
            return Err(DayFileError::Packing { name });
        }
        let (packed, bytes) = (entry.compressed_size(), entry.size());
        let most = if name == MANIFEST {
            MOST_MANIFEST_BYTES
        } else {
            MOST_PART_BYTES
        };
        if bytes > most {
            return Err(DayFileError::TooLarge {
                what: format!("`{name}`"),
                bytes,
                most,
            });
        }
        if bytes > RATIO_FREE_BYTES && bytes > packed.saturating_mul(MOST_RATIO) {
            return Err(DayFileError::TooDense { name });
        }
        if !deflated && packed != bytes {
            return Err(DayFileError::WrongSize { name });
        }
        total = total.saturating_add(bytes);
        if entry.header_start() == 0 {
            first = Some(name.clone());
        }
        let start = entry
            .data_start()
            .ok_or_else(|| DayFileError::Damaged(format!("`{name}` has no place in it")))?;
        spots.insert(
            name,
            Spot {
                start,
                packed,
                bytes,
                deflated,
            },
        );
    }
    if total > MOST_BYTES {
        return Err(DayFileError::TooLarge {
            what: "what is in the file".to_owned(),
            bytes: total,
            most: MOST_BYTES,
        });
    }
    // Entries that overlap, or that only one of the two directories of a zip knows, show different tools different files.
    archive.validate_header_consistency().map_err(damaged)?;
    if first.as_deref() == Some(MANIFEST) {
        Ok(spots)
    } else {
        Err(DayFileError::NoManifest)
    }
}

/// What can be read of any manifest ever written.
#[derive(serde::Deserialize)]
struct AnyManifest {
    format: u32,
    #[serde(default)]
    needs: String,
    #[serde(default)]
    key: Option<String>,
}

fn check_manifest<R: Read + Seek>(
    source: &RefCell<Unsealed<R>>,
    spots: &HashMap<String, Spot>,
    trust: Trust<'_>,
) -> Result<(Manifest, Option<PhoneKey>), DayFileError> {
    let whole = |name: &str, most: u64| -> Result<Option<Vec<u8>>, DayFileError> {
        let Some(spot) = spots.get(name) else { return Ok(None) };
        let mut bytes = Vec::new();
        PartReader::new(source, name, *spot, None)
            .take(most)
            .read_to_end(&mut bytes)
            .map_err(from_io)?;
        Ok(Some(bytes))
    };
    let bytes = whole(MANIFEST, MOST_MANIFEST_BYTES)?.ok_or(DayFileError::NoManifest)?;
    let bad = |error: serde_json::Error| DayFileError::BadManifest(error.to_string());
    let any: AnyManifest = serde_json::from_slice(&bytes).map_err(bad)?;
    // The signature comes first, in every form to come: a changed manifest may say anything about its form.
    let signer = match (&any.key, whole(SIGNATURE, 1024)?) {
        (None, None) => None,
        (Some(key), Some(text)) => {
            let key = PhoneKey::parse(key).map_err(|error| DayFileError::BadManifest(error.to_string()))?;
            let signature = std::str::from_utf8(&text).ok().and_then(PhoneSignature::parse);
            if !signature.is_some_and(|signature| key.verify(&bytes, &signature)) {
                return Err(DayFileError::BadSignature);
            }
            Some(key)
        }
        // A key without a signature, or a signature nobody says is theirs: one of the two was taken away.
        _ => return Err(DayFileError::BadSignature),
    };
    let too_new = |needs: &str| DayFileError::TooNew {
        format: any.format,
        needs: needs.chars().filter(|c| !c.is_control()).take(40).collect(),
    };
    if any.format > FORMAT {
        return Err(too_new(&any.needs));
    }
    let manifest: Manifest = serde_json::from_slice(&bytes).map_err(bad)?;
    if let Trust::Only(phones) = trust {
        let key = signer.ok_or(DayFileError::Unsigned)?;
        let known = phones
            .iter()
            .find(|known| known.key == key)
            .ok_or(DayFileError::UnknownPhone {
                phone: manifest.phone,
                key,
            })?;
        if known.phone != manifest.phone {
            return Err(DayFileError::OtherPhone {
                says: manifest.phone,
                signed: known.phone,
            });
        }
    }
    if manifest.book_form > SCHEMA_VERSION {
        return Err(too_new(&manifest.needs));
    }
    Ok((manifest, signer))
}

fn from_io(error: io::Error) -> DayFileError {
    error.downcast().unwrap_or_else(DayFileError::Unreadable)
}

impl<R: Read + Seek> DayFile<R> {
    /// Returns the manifest.
    #[must_use]
    pub const fn manifest(&self) -> &Manifest {
        &self.manifest
    }

    /// Returns the key the file is signed with, `None` when it is not signed.
    #[must_use]
    pub const fn signer(&self) -> Option<PhoneKey> {
        self.signer
    }

    /// Returns the SHA-256 of the file before it was sealed, by which the phone's next file names it.
    #[must_use]
    pub const fn sha256(&self) -> Digest {
        self.sha256
    }

    /// Whether the file was sealed.
    #[must_use]
    pub const fn is_sealed(&self) -> bool {
        self.is_sealed
    }

    /// Returns the photos and signatures, each to be read with [`DayFile::open_part`].
    pub fn blobs(&self) -> impl Iterator<Item = &Part> {
        self.manifest
            .parts
            .iter()
            .filter(|part| part.name.starts_with("photos/") || part.name.starts_with("signatures/"))
    }

    /// Opens a part; reading fails at its end if it is not the one that was checked.
    ///
    /// # Errors
    /// [`DayFileError::Missing`] when the file has no such part.
    pub fn open_part(&self, name: &str) -> Result<PartReader<'_, R>, DayFileError> {
        let missing = || DayFileError::Missing { name: name.to_owned() };
        let part = self
            .manifest
            .parts
            .iter()
            .find(|part| part.name == name)
            .ok_or_else(missing)?;
        self.open_listed(part)
    }

    fn open_listed(&self, part: &Part) -> Result<PartReader<'_, R>, DayFileError> {
        let spot = self.spots.get(&part.name).ok_or_else(|| DayFileError::Missing {
            name: part.name.clone(),
        })?;
        Ok(PartReader::new(&self.source, &part.name, *spot, Some(part.sha256)))
    }

    /// Returns every field of every record with its stamp, records before those that refer to them.
    pub fn stamped(&self) -> impl Iterator<Item = Result<Stamped, DayFileError>> + '_ {
        KINDS.iter().flat_map(move |kind| {
            let name = part_of(kind);
            let part = self.manifest.parts.iter().find(|part| part.name == name);
            let mut lines = part.map(|part| self.lines(part));
            let mut fields = VecDeque::new();
            std::iter::from_fn(move || {
                if fields.is_empty() {
                    let line = lines.as_mut()?.next()?;
                    match line.and_then(|line| self.record(kind, &line)) {
                        Ok((_, list)) => fields = list.into(),
                        Err(error) => {
                            lines = None;
                            return Some(Err(error));
                        }
                    }
                }
                fields.pop_front().map(Ok)
            })
        })
    }

    /// Returns the actions of the log, in the order they were kept.
    pub fn log(&self) -> impl Iterator<Item = Result<Logged, DayFileError>> + '_ {
        let part = self.manifest.parts.iter().find(|part| part.name == LOG);
        part.map(|part| self.lines(part))
            .into_iter()
            .flatten()
            .map(|line| line.and_then(|line| read_logged(&line.bytes).map_err(|detail| line.bad(detail))))
    }

    fn record(&self, kind: &'static Kind, line: &Line) -> Result<(Uuid, Vec<Stamped>), DayFileError> {
        let whole = self.manifest.book_form == SCHEMA_VERSION;
        read_record(kind, self.manifest.phone, whole, &line.bytes).map_err(|detail| line.bad(detail))
    }

    fn lines(&self, part: &Part) -> Lines<'_, R> {
        Lines {
            name: part.name.clone(),
            number: 0,
            reader: Some(
                self.open_listed(part)
                    .map(|reader| BufReader::with_capacity(64 * 1024, reader)),
            ),
        }
    }

    /// The manifest and the file hold the same parts, each part is what the manifest says, and its lines can be read.
    fn check_parts(&self) -> Result<(), DayFileError> {
        let mut listed = std::collections::HashSet::new();
        for part in &self.manifest.parts {
            let spot = self.spots.get(&part.name).ok_or_else(|| DayFileError::Missing {
                name: part.name.clone(),
            })?;
            if !listed.insert(part.name.as_str()) {
                return Err(DayFileError::Duplicate {
                    name: part.name.clone(),
                });
            }
            if spot.bytes != part.bytes {
                return Err(DayFileError::WrongSize {
                    name: part.name.clone(),
                });
            }
        }
        let mut unlisted = self
            .spots
            .keys()
            .filter(|name| ![MANIFEST, SIGNATURE].contains(&name.as_str()) && !listed.contains(name.as_str()))
            .collect::<Vec<_>>();
        unlisted.sort();
        if let Some(name) = unlisted.first() {
            return Err(DayFileError::Unlisted { name: (*name).clone() });
        }
        for part in &self.manifest.parts {
            self.check_part(part)?;
        }
        Ok(())
    }

    fn check_part(&self, part: &Part) -> Result<(), DayFileError> {
        let whole = || io::copy(&mut self.open_listed(part)?, &mut io::sink()).map_err(from_io);
        if part.name != LOG && kind_of(&part.name).is_none() {
            whole()?;
        }
        // Lines are read to the end, where the part's hash is checked. Where one cannot be used, it is asked first
        // whether this is the right part at all: a changed byte is not a fault of who wrote it.
        self.check_content(part).or_else(|fault| {
            whole()?;
            Err(fault)
        })
    }

    fn check_content(&self, part: &Part) -> Result<(), DayFileError> {
        if part.name == LOG {
            let mut known = std::collections::HashSet::new();
            for line in self.lines(part) {
                let line = line?;
                let logged = read_logged(&line.bytes).map_err(|detail| line.bad(detail))?;
                if !known.insert(logged.op.id) {
                    return Err(line.bad(format!("the action {} stands there twice", logged.op.id)));
                }
            }
        } else if let Some(kind) = kind_of(&part.name) {
            let mut before = None;
            for line in self.lines(part) {
                let line = line?;
                let (id, _) = self.record(kind, &line)?;
                if before.is_some_and(|before| before >= id) {
                    return Err(line.bad(format!("{id} stands there twice or out of order")));
                }
                before = Some(id);
            }
        } else if part.name.starts_with("records/") {
            return Err(DayFileError::BadLine {
                name: part.name.clone(),
                line: 1,
                detail: "there is no such kind of record".to_owned(),
            });
        } else if let Some(file) = part.name.strip_prefix("photos/")
            && file.split('.').next() != Some(part.sha256.to_string().as_str())
        {
            return Err(DayFileError::BadName {
                name: part.name.clone(),
            });
        }
        Ok(())
    }
}

const LOG: &str = "log.jsonl";

/// One line with its place.
struct Line {
    part: String,
    number: u64,
    bytes: Vec<u8>,
}

impl Line {
    fn bad(&self, detail: String) -> DayFileError {
        DayFileError::BadLine {
            name: self.part.clone(),
            line: self.number,
            detail,
        }
    }
}

struct Lines<'a, R> {
    name: String,
    number: u64,
    /// Nothing after the end or a fault.
    reader: Option<Result<BufReader<PartReader<'a, R>>, DayFileError>>,
}

impl<R: Read + Seek> Iterator for Lines<'_, R> {
    type Item = Result<Line, DayFileError>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut reader = match self.reader.take()? {
            Ok(reader) => reader,
            Err(error) => return Some(Err(error)),
        };
        self.number += 1;
        let mut line = Line {
            part: self.name.clone(),
            number: self.number,
            bytes: Vec::new(),
        };
        let most = u64::try_from(MOST_LINE_BYTES).unwrap_or(u64::MAX);
        match reader.by_ref().take(most + 1).read_until(b'\n', &mut line.bytes) {
            Ok(0) => None,
            Ok(count) if count > MOST_LINE_BYTES => {
                Some(Err(line.bad(format!("it is longer than {MOST_LINE_BYTES} bytes"))))
            }
            Ok(_) => {
                self.reader = Some(Ok(reader));
                Some(Ok(line))
            }
            Err(error) => Some(Err(from_io(error))),
        }
    }
}

/// Reads one part, unpacked, and checks its size and hash when its end is reached.
pub struct PartReader<'a, R> {
    name: String,
    inner: Inner<'a, R>,
    left: u64,
    hasher: Sha256,
    expected: Option<Digest>,
    done: bool,
}

impl<R> std::fmt::Debug for PartReader<'_, R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PartReader")
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

enum Inner<'a, R> {
    Stored(Stretch<'a, R>),
    Deflated(Box<DeflateDecoder<Stretch<'a, R>>>),
}

impl<'a, R: Read + Seek> PartReader<'a, R> {
    fn new(source: &'a RefCell<Unsealed<R>>, name: &str, spot: Spot, expected: Option<Digest>) -> Self {
        let stretch = Stretch {
            source,
            at: spot.start,
            left: spot.packed,
        };
        Self {
            name: name.to_owned(),
            inner: if spot.deflated {
                Inner::Deflated(Box::new(DeflateDecoder::new(stretch)))
            } else {
                Inner::Stored(stretch)
            },
            left: spot.bytes,
            hasher: Sha256::new(),
            expected,
            done: false,
        }
    }
}

impl<R: Read + Seek> Read for PartReader<'_, R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        if self.done || buf.is_empty() {
            return Ok(0);
        }
        let name = || self.name.clone();
        let read = match &mut self.inner {
            Inner::Stored(reader) => reader.read(buf),
            Inner::Deflated(reader) => reader.read(buf),
        };
        let count = match read {
            Ok(count) => count,
            Err(error) if error.raw_os_error().is_some() => return Err(error),
            // What cannot be unpacked is not what was packed.
            Err(_) => return Err(io::Error::other(DayFileError::WrongHash { name: name() })),
        };
        let fresh = u64::try_from(count).unwrap_or(u64::MAX);
        if fresh > self.left || (count == 0 && self.left > 0) {
            return Err(io::Error::other(DayFileError::WrongSize { name: name() }));
        }
        self.left -= fresh;
        self.hasher.update(buf.get(..count).unwrap_or_default());
        if count == 0 {
            self.done = true;
            let found = Digest(self.hasher.clone().finalize().into());
            if self.expected.is_some_and(|expected| expected != found) {
                return Err(io::Error::other(DayFileError::WrongHash { name: name() }));
            }
        }
        Ok(count)
    }
}

/// A piece of the file, read at its own pace.
struct Stretch<'a, R> {
    source: &'a RefCell<Unsealed<R>>,
    at: u64,
    left: u64,
}

impl<R: Read + Seek> Read for Stretch<'_, R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let most = usize::try_from(self.left).unwrap_or(usize::MAX).min(buf.len());
        let Some(room) = buf.get_mut(..most).filter(|room| !room.is_empty()) else {
            return Ok(0);
        };
        let mut source = self.source.borrow_mut();
        source.seek(SeekFrom::Start(self.at))?;
        let count = source.read(room)?;
        let fresh = u64::try_from(count).unwrap_or(0);
        self.at = self.at.saturating_add(fresh);
        self.left = self.left.saturating_sub(fresh);
        Ok(count)
    }
}
