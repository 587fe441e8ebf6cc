//! Opens a day file: checks everything first, and hands out records only after that.
//!
//! One thread reads, unpacks and hashes while another looks at what the lines say. What has been checked stays in memory,
//! packed, up to [`MOST_KEPT_BYTES`]; what does not fit there is read anew when it is asked for, and hashed once more, so that
//! a file that changes under the reader is noticed too.

use super::lines::{LoggedText, kind_of, part_of, read_logged, read_logged_text, read_record};
use super::manifest::{Digest, MANIFEST, Manifest, Part, SIGNATURE, digest_of, is_part_name};
use super::seal::{OfficeSecret, Unsealed, unseal};
use super::sign::{PhoneKey, PhoneSignature, TrustedPhone};
use super::{
    DayFileError, FORMAT, MOST_BYTES, MOST_ENTRIES, MOST_LINE_BYTES, MOST_MANIFEST_BYTES, MOST_PART_BYTES, MOST_RATIO,
    RATIO_FREE_BYTES,
};
use crate::domain::pack::Pack;
use crate::domain::record::{KINDS, Logged, Stamped};
use crate::store::SCHEMA_VERSION;
use flate2::read::DeflateDecoder;
use sha2::{Digest as _, Sha256};
use std::cell::RefCell;
use std::collections::{HashMap, HashSet};
use std::io::{self, BufRead as _, Read, Seek, SeekFrom};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
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

/// How much of what has been checked is kept in memory, bytes: some 400,000 records, more than the days of many trucks.
pub const MOST_KEPT_BYTES: usize = 96 * 1024 * 1024;

/// A day file that has been checked whole.
#[derive(Debug)]
pub struct DayFile<R> {
    source: RefCell<Unsealed<R>>,
    spots: HashMap<String, Spot>,
    manifest: Manifest,
    signer: Option<PhoneKey>,
    sha256: Digest,
    is_sealed: bool,
    /// By table: the records that were kept when they were checked.
    kept: HashMap<&'static str, Arc<Pack>>,
}

/// Checks a day file, sealed or not, from its first byte to its last.
///
/// * `keys`: the office's secret keys, tried in turn on a sealed file
///
/// # Errors
/// [`DayFileError`] with the first fault found; then nothing of the file has been handed out.
pub fn open<R: Read + Seek + Send>(
    input: R,
    keys: &[OfficeSecret],
    trust: Trust<'_>,
) -> Result<DayFile<R>, DayFileError> {
    open_keeping(input, keys, trust, MOST_KEPT_BYTES)
}

/// The same, keeping so many bytes of records in memory at the most.
///
/// # Errors
/// As [`open`].
pub fn open_keeping<R: Read + Seek + Send>(
    input: R,
    keys: &[OfficeSecret],
    trust: Trust<'_>,
    most_kept_bytes: usize,
) -> Result<DayFile<R>, DayFileError> {
    let mut source = unseal(input, keys)?;
    let is_sealed = matches!(source, Unsealed::Sealed(_));
    let (sha256, bytes) = digest_whole(&mut source)?;
    count_entries(&mut source, bytes)?;
    let spots = directory(&mut source)?;
    let mut source = RefCell::new(source);
    let (manifest, signer) = check_manifest(&source, &spots, trust)?;
    check_list(&manifest, &spots)?;
    let kept = check_parts(&mut source, &spots, &manifest, most_kept_bytes)?;
    Ok(DayFile {
        source,
        spots,
        manifest,
        signer,
        sha256,
        is_sealed,
        kept,
    })
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

    /// Returns every record, records before those that refer to them: all of a kind at once where they were kept in memory,
    /// otherwise some at a time.
    pub fn packs(&self) -> impl Iterator<Item = Result<Arc<Pack>, DayFileError>> + '_ {
        let whole = is_whole(&self.manifest);
        KINDS.iter().flat_map(move |kind| {
            let kept = self.kept.get(kind.table).cloned().map(Ok);
            let name = part_of(kind);
            let part = self.manifest.parts.iter().find(|part| part.name == name);
            let blocks = part.filter(|_| kept.is_none()).map(|part| self.blocks(part));
            let read = blocks.into_iter().flatten().map(move |block| {
                let block = block?;
                let mut pack = Pack::of(kind);
                for (number, line) in block.lines() {
                    read_record(self.manifest.phone, whole, line, &mut pack)
                        .map_err(|detail| block.bad(number, detail))?;
                }
                Ok(Arc::new(pack))
            });
            kept.into_iter().chain(read)
        })
    }

    /// Returns every field of every record with its stamp, records before those that refer to them.
    pub fn stamped(&self) -> impl Iterator<Item = Result<Stamped, DayFileError>> + '_ {
        self.packs().flat_map(|pack| match pack {
            Ok(pack) => pack
                .records()
                .flat_map(|record| record.stamped().map(Ok).collect::<Vec<_>>())
                .collect(),
            Err(error) => vec![Err(error)],
        })
    }

    /// Returns the actions of the log, in the order they were kept.
    pub fn log(&self) -> impl Iterator<Item = Result<Logged, DayFileError>> + '_ {
        self.log_lines(read_logged)
    }

    /// Returns the actions of the log, their changes as they stand in the file.
    pub fn log_texts(&self) -> impl Iterator<Item = Result<LoggedText, DayFileError>> + '_ {
        self.log_lines(read_logged_text)
    }

    fn log_lines<T: 'static>(
        &self,
        read: fn(&[u8]) -> Result<T, String>,
    ) -> impl Iterator<Item = Result<T, DayFileError>> + '_ {
        let part = self.manifest.parts.iter().find(|part| part.name == LOG);
        part.map(|part| self.blocks(part))
            .into_iter()
            .flatten()
            .flat_map(move |block| match block {
                Ok(block) => block
                    .lines()
                    .map(|(number, line)| read(line).map_err(|detail| block.bad(number, detail)))
                    .collect(),
                Err(error) => vec![Err(error)],
            })
    }

    fn blocks(&self, part: &Part) -> Blocks<'_, R> {
        Blocks::new(part, self.open_listed(part))
    }
}

/// Whether every field of every record must be there: the file was made by a book of this program's own form.
const fn is_whole(manifest: &Manifest) -> bool {
    manifest.book_form == SCHEMA_VERSION
}

/// The manifest and the file hold the same parts, each of the size that the manifest says.
fn check_list(manifest: &Manifest, spots: &HashMap<String, Spot>) -> Result<(), DayFileError> {
    let mut listed = HashSet::new();
    for part in &manifest.parts {
        let spot = spots.get(&part.name).ok_or_else(|| DayFileError::Missing {
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
    let mut unlisted = spots
        .keys()
        .filter(|name| ![MANIFEST, SIGNATURE].contains(&name.as_str()) && !listed.contains(name.as_str()))
        .collect::<Vec<_>>();
    unlisted.sort();
    match unlisted.first() {
        Some(name) => Err(DayFileError::Unlisted { name: (*name).clone() }),
        None => Ok(()),
    }
}

/// What the thread that reads says to the one that looks.
enum Step {
    /// Lines of the part that is being read.
    Lines(Block),
    /// The part has been read to its end: whether it is the one the manifest names.
    End(Result<(), DayFileError>),
}

/// How many blocks may wait: this bounds the memory.
const WAITING: usize = 8;

/// Each part is what the manifest says, and its lines can be read. Returns records to be kept.
fn check_parts<R: Read + Seek + Send>(
    source: &mut RefCell<Unsealed<R>>,
    spots: &HashMap<String, Spot>,
    manifest: &Manifest,
    most_kept_bytes: usize,
) -> Result<HashMap<&'static str, Arc<Pack>>, DayFileError> {
    std::thread::scope(|scope| {
        let (send, steps) = sync_channel(WAITING);
        scope.spawn(move || {
            for part in &manifest.parts {
                let end = read_part(source, spots, part, &send);
                let is_over = end.is_err();
                // Nobody listens any more when a fault has been found.
                if send.send(Step::End(end)).is_err() || is_over {
                    return;
                }
            }
        });
        let mut kept = HashMap::new();
        let mut room = most_kept_bytes;
        for part in &manifest.parts {
            if let Some(pack) = check_part(manifest, part, &steps, room)? {
                room = room.saturating_sub(pack.weight());
                kept.insert(pack.kind().table, Arc::new(pack));
            }
        }
        Ok(kept)
    })
}

/// Reads one part to its end, where its hash is checked, and hands its lines over if it has any.
fn read_part<R: Read + Seek>(
    source: &RefCell<Unsealed<R>>,
    spots: &HashMap<String, Spot>,
    part: &Part,
    send: &SyncSender<Step>,
) -> Result<(), DayFileError> {
    let open = || {
        let spot = spots.get(&part.name).ok_or_else(|| DayFileError::Missing {
            name: part.name.clone(),
        })?;
        Ok(PartReader::new(source, &part.name, *spot, Some(part.sha256)))
    };
    let whole = || io::copy(&mut open()?, &mut io::sink()).map_err(from_io);
    if part.name != LOG && kind_of(&part.name).is_none() {
        return whole().map(|_| ());
    }
    for block in Blocks::new(part, open()) {
        match block {
            Ok(block) => {
                if send.send(Step::Lines(block)).is_err() {
                    return Ok(());
                }
            }
            // A line without an end: it is asked first whether this is the right part at all.
            Err(fault) => return whole().and(Err(fault)),
        }
    }
    Ok(())
}

/// Looks at what one part says, and returns its records when they are to be kept.
///
/// Where a line cannot be used, it is asked first whether this is the right part at all: a changed byte is not a fault of who
/// wrote it. So the first fault is held back until the part has been read to its end.
fn check_part(
    manifest: &Manifest,
    part: &Part,
    steps: &Receiver<Step>,
    room: usize,
) -> Result<Option<Pack>, DayFileError> {
    let mut look = Look::new(manifest, part, room);
    let mut fault = Ok(());
    // The other thread always sends the end; one that died would have ended this one too.
    for step in steps {
        match step {
            Step::Lines(block) if fault.is_ok() => fault = look.at(&block),
            Step::Lines(_) => {}
            Step::End(end) => {
                end?;
                fault?;
                check_name(part)?;
                return Ok(look.kept());
            }
        }
    }
    Err(DayFileError::CutOff)
}

/// What has been seen of the lines of one part.
struct Look<'a> {
    manifest: &'a Manifest,
    /// For a part with records: those to be kept, or those of one block.
    pack: Option<Pack>,
    room: usize,
    last: Option<Uuid>,
    actions: HashSet<Uuid>,
}

impl<'a> Look<'a> {
    fn new(manifest: &'a Manifest, part: &Part, room: usize) -> Self {
        Self {
            manifest,
            pack: kind_of(&part.name).map(Pack::of),
            room,
            last: None,
            actions: HashSet::new(),
        }
    }

    fn at(&mut self, block: &Block) -> Result<(), DayFileError> {
        let Some(pack) = &mut self.pack else {
            for (number, line) in block.lines() {
                let logged = read_logged(line).map_err(|detail| block.bad(number, detail))?;
                if !self.actions.insert(logged.op.id) {
                    return Err(block.bad(number, format!("the action {} stands there twice", logged.op.id)));
                }
            }
            return Ok(());
        };
        let whole = is_whole(self.manifest);
        for (number, line) in block.lines() {
            let id = read_record(self.manifest.phone, whole, line, pack).map_err(|detail| block.bad(number, detail))?;
            if self.last.is_some_and(|last| last >= id) {
                return Err(block.bad(number, format!("{id} stands there twice or out of order")));
            }
            self.last = Some(id);
        }
        if pack.weight() > self.room {
            self.room = 0;
            *pack = Pack::of(pack.kind());
        }
        Ok(())
    }

    fn kept(self) -> Option<Pack> {
        let mut pack = self.pack.filter(|_| self.room > 0)?;
        pack.shrink();
        Some(pack)
    }
}

/// Whether a part that has no lines of ours bears the name it ought to.
fn check_name(part: &Part) -> Result<(), DayFileError> {
    if part.name.starts_with("records/") && kind_of(&part.name).is_none() {
        return Err(DayFileError::BadLine {
            name: part.name.clone(),
            line: 1,
            detail: "there is no such kind of record".to_owned(),
        });
    }
    match part.name.strip_prefix("photos/") {
        Some(file) if file.split('.').next() != Some(part.sha256.to_string().as_str()) => Err(DayFileError::BadName {
            name: part.name.clone(),
        }),
        _ => Ok(()),
    }
}

const LOG: &str = "log.jsonl";

/// How much is read at a time, bytes.
const BLOCK_BYTES: usize = 256 * 1024;

/// Whole lines of one part.
struct Block {
    part: String,
    /// The number of its first line.
    first: u64,
    bytes: Vec<u8>,
}

impl Block {
    /// Returns each line with its number in the part.
    fn lines(&self) -> impl Iterator<Item = (u64, &[u8])> {
        let mut rest = self.bytes.as_slice();
        let lines = std::iter::from_fn(move || {
            let whole = rest;
            let length = rest.skip_until(b'\n').unwrap_or(whole.len());
            whole.get(..length).filter(|line| !line.is_empty())
        });
        (self.first..).zip(lines)
    }

    fn bad(&self, line: u64, detail: String) -> DayFileError {
        DayFileError::BadLine {
            name: self.part.clone(),
            line,
            detail,
        }
    }
}

/// Reads a part line by line, many lines at a time.
struct Blocks<'a, R> {
    part: String,
    /// Nothing after the end or a fault.
    reader: Option<Result<PartReader<'a, R>, DayFileError>>,
    /// The beginning of a line whose end has not been read yet.
    rest: Vec<u8>,
    next: u64,
}

impl<'a, R> Blocks<'a, R> {
    fn new(part: &Part, reader: Result<PartReader<'a, R>, DayFileError>) -> Self {
        Self {
            part: part.name.clone(),
            reader: Some(reader),
            rest: Vec::new(),
            next: 1,
        }
    }

    fn block(&mut self, bytes: Vec<u8>) -> Result<Block, DayFileError> {
        let block = Block {
            part: self.part.clone(),
            first: self.next,
            bytes,
        };
        // Only a block that is longer itself can hold a line that is too long.
        if block.bytes.len() > MOST_LINE_BYTES
            && let Some((number, _)) = block.lines().find(|(_, line)| line.len() > MOST_LINE_BYTES)
        {
            return Err(block.bad(number, format!("it is longer than {MOST_LINE_BYTES} bytes")));
        }
        self.next += u64::try_from(block.lines().count()).unwrap_or(0);
        Ok(block)
    }
}

impl<R: Read + Seek> Iterator for Blocks<'_, R> {
    type Item = Result<Block, DayFileError>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut reader = match self.reader.take()? {
            Ok(reader) => reader,
            Err(error) => return Some(Err(error)),
        };
        let mut bytes = std::mem::take(&mut self.rest);
        loop {
            let from = bytes.len();
            let most = u64::try_from(BLOCK_BYTES).unwrap_or(u64::MAX);
            match reader.by_ref().take(most).read_to_end(&mut bytes) {
                Err(error) => return Some(Err(from_io(error))),
                Ok(0) => return (!bytes.is_empty()).then(|| self.block(bytes)),
                Ok(_) => {}
            }
            let fresh = bytes.get(from..).unwrap_or_default();
            if let Some(end) = fresh.iter().rposition(|byte| *byte == b'\n') {
                self.rest = bytes.split_off(from + end + 1);
                let block = self.block(bytes);
                if block.is_ok() {
                    self.reader = Some(Ok(reader));
                }
                return Some(block);
            }
            if bytes.len() > MOST_LINE_BYTES {
                return Some(self.block(bytes));
            }
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
