//! `import`: takes day files into the book, each whole or not at all.
//!
//! A file is checked from its first byte to its last before the book is touched; then its photos are laid beside the
//! book, and in one transaction its records are merged and the file is noted. Whatever stops it on the way leaves the
//! book as it was.

use super::context::{Call, cannot_write, of_store};
use super::sentences::of_day_file;
use super::{Answer, Refusal};
use crate::domain::pack::Pack;
use crate::domain::record::{Cell as Kept, Photo, Record as _};
use crate::exchange::dayfile::lines::LoggedText;
use crate::exchange::dayfile::read::{self, DayFile as Reading, Trust};
use crate::exchange::dayfile::seal::OfficeSecret;
use crate::exchange::dayfile::{DayFileError, Part};
use crate::say::words::Words;
use crate::store::blobs::{Blobs, Turn};
use crate::store::{ActionRow, BlobRow, DayFile, Merged, PhoneKey, SequenceNote, Store, StoreError, TakenIn};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::Duration;
use uuid::Uuid;

/// How long to wait for another program that has the book.
const PATIENCE: Duration = Duration::from_mins(1);

/// What was asked of `import`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// The day files.
    pub files: Vec<PathBuf>,
    /// Take files in that no trusted phone has signed.
    pub accept_unsigned: bool,
    /// Trust the keys these files are signed with from now on.
    pub trust_new: bool,
    /// Files with secret office keys, besides those beside the book.
    pub keys: Vec<PathBuf>,
    /// Print nothing when all goes well.
    pub quiet: bool,
}

/// How far an import is.
#[derive(Clone, Copy, Debug)]
pub struct Progress<'a> {
    /// The file.
    pub name: &'a str,
    /// Its place among those asked for, from 1.
    pub number: usize,
    /// How many were asked for.
    pub of: usize,
    /// How much of its work is done, in thousandths.
    pub permille: u64,
}

/// Takes files into the book and says what became of each.
///
/// * `watch`: hears how far it is
///
/// # Errors
/// When there is nothing any file could be taken into; what is wrong with single files stands in the answer.
pub fn run(call: &Call, asked: &Asked, watch: &(dyn Fn(Progress<'_>) + Sync)) -> Result<Answer, Refusal> {
    let words = call.words_of_book();
    let secrets = secrets(call, asked)?;
    let mut import = Import {
        call,
        asked,
        words,
        secrets,
        store: None,
        blobs: Blobs::beside(&call.book),
    };
    let mut answer = Answer::default();
    let mut rows = Vec::new();
    for (index, path) in asked.files.iter().enumerate() {
        let name = path.display().to_string();
        let progress = |permille| {
            watch(Progress {
                name: &name,
                number: index + 1,
                of: asked.files.len(),
                permille,
            });
        };
        match import.file(path, &progress) {
            Ok(done) => {
                if !(call.json || asked.quiet && done.warnings.is_empty()) {
                    answer.text.push_str(&done.said(&name, words));
                }
                rows.push(done.json(&name));
            }
            Err((refusal, code)) => {
                let refusal = Refusal {
                    what: format!("{name}: {}", refusal.what),
                    ..refusal
                };
                rows.push(json!({
                    "file": name, "status": "refused", "code": code, "exit": refusal.code,
                    "what": refusal.what, "what_to_do": refusal.remedy,
                }));
                answer.refusals.push(refusal);
            }
        }
    }
    if let Some(Err(error)) = import.store.take().map(Store::close) {
        // What has been taken in is in the book all the same: a code that says otherwise would have it sent again.
        let left_open = words.f(
            "The book could not be closed in order ({0}). Nothing of it is lost; it is checked when it is opened next. Look at the disk.",
            &[&error.to_string()],
        );
        for row in &mut rows {
            warn_in(row, &left_open);
        }
        if !call.json {
            answer.text.push_str(&left_open);
            answer.text.push('\n');
        }
    }
    if call.json {
        answer.text = format!("{:#}\n", json!({ "files": rows }));
    }
    Ok(answer)
}

/// Adds a warning to what is said of a file that was taken in.
fn warn_in(row: &mut Value, warning: &str) {
    if let Some(warnings) = row.get_mut("warnings").and_then(Value::as_array_mut) {
        warnings.push(json!(warning));
    }
}

/// Reads the office's secret keys: those named, and those that lie beside the book.
fn secrets(call: &Call, asked: &Asked) -> Result<Vec<OfficeSecret>, Refusal> {
    let words = call.words();
    let mut secrets = Vec::new();
    for path in &asked.keys {
        let text = std::fs::read_to_string(path).map_err(|error| super::key::unreadable(path, &error, words))?;
        secrets.push(OfficeSecret::parse(&text).ok_or_else(|| super::key::no_key(path, words))?);
    }
    secrets.extend(super::key::beside(&call.book, words)?);
    Ok(secrets)
}

struct Import<'a> {
    call: &'a Call,
    asked: &'a Asked,
    words: Words,
    secrets: Vec<OfficeSecret>,
    /// Opened when there is something to write, so that a refused file leaves not even a note in the book.
    store: Option<Store>,
    blobs: Blobs,
}

/// What became of one file.
struct Done {
    file: DayFile,
    is_sealed: bool,
    is_trusted: bool,
    merged: Option<Merged>,
    photos: u64,
    notes: Vec<SequenceNote>,
    warnings: Vec<String>,
}

/// Why a file was not taken in, with a name for it that stays the same in every language.
type Refused = (Refusal, &'static str);

/// What can go wrong while a file is merged.
enum MergeError {
    Store(StoreError),
    File(DayFileError),
}

impl From<StoreError> for MergeError {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl From<DayFileError> for MergeError {
    fn from(error: DayFileError) -> Self {
        Self::File(error)
    }
}

impl Import<'_> {
    fn file(&mut self, path: &Path, progress: &(dyn Fn(u64) + Sync)) -> Result<Done, Refused> {
        let words = self.words;
        let of_file = |error: &DayFileError| (of_day_file(error, words), error.code());
        let of_book = |error: &StoreError| (of_store(error, words), "book");
        let said = Said::new(progress);
        let input = Counted::open(path, &said).map_err(|error| of_file(&DayFileError::Unreadable(error)))?;
        let mut reading = read::open(input, &self.secrets, Trust::Anyone).map_err(|error| of_file(&error))?;
        let file = ledger_line(&reading);
        let trusted = self.phones().map_err(|error| of_book(&error))?;
        let is_trusted = check_trust(&reading, &trusted);
        let is_trusted = match is_trusted {
            Ok(()) => true,
            Err(DayFileError::UnknownPhone { .. }) if self.asked.trust_new => true,
            Err(DayFileError::UnknownPhone { .. } | DayFileError::Unsigned) if self.asked.accept_unsigned => false,
            Err(error) => return Err(of_file(&error)),
        };
        let mut done = Done {
            file,
            is_sealed: reading.is_sealed(),
            is_trusted,
            merged: None,
            photos: 0,
            notes: Vec::new(),
            warnings: Vec::new(),
        };
        if self.has(&done.file.hash).map_err(|error| of_book(&error))? {
            progress(1_000);
            return Ok(done);
        }
        self.write(&mut reading, &mut done, &said)?;
        progress(1_000);
        Ok(done)
    }

    /// Does something with the book as it is, without writing to it; `None` when there is none yet.
    fn look<T>(&self, ask: impl FnOnce(&Store) -> Result<T, StoreError>) -> Result<Option<T>, StoreError> {
        match &self.store {
            Some(store) => ask(store).map(Some),
            None => self.call.look(ask),
        }
    }

    fn phones(&self) -> Result<Vec<PhoneKey>, StoreError> {
        Ok(self.look(Store::phone_keys)?.unwrap_or_default())
    }

    fn has(&self, hash: &str) -> Result<bool, StoreError> {
        Ok(self.look(|store| store.has_taken_in(hash))?.unwrap_or(false))
    }

    fn write<R: Read + Seek + Send>(
        &mut self,
        reading: &mut Reading<R>,
        done: &mut Done,
        said: &Said<'_>,
    ) -> Result<(), Refused> {
        let (words, call) = (self.words, self.call);
        let of_book = |error: &StoreError| (of_store(error, words), "book");
        let of_folder = |path: &Path, error: &io::Error| (cannot_write(path, error, words), "cannot-write");
        if let Some(folder) = call.book.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| of_folder(folder, &error))?;
        }
        let root = self.blobs.root();
        let _hold = match self.blobs.hold(PATIENCE).map_err(|error| of_folder(root, &error))? {
            Turn::Mine(hold) => hold,
            Turn::Taken => {
                let doing = "take in the file";
                return Err(of_book(&StoreError::Busy { doing }));
            }
        };
        let store = match &mut self.store {
            Some(store) => store,
            none => {
                call.may_be_written(words).map_err(|refusal| (refusal, "book"))?;
                let store = Store::open(&call.book).map_err(|error| of_book(&error))?;
                store.set_patience(PATIENCE).map_err(|error| of_book(&error))?;
                none.insert(store)
            }
        };
        let mut new = Vec::new();
        let result = lay_beside(&self.blobs, reading, &mut new)
            .map_err(|(path, error)| match error.downcast::<DayFileError>() {
                // Reading it failed, not writing.
                Ok(fault) => (of_day_file(&fault, words), fault.code()),
                Err(error) => of_folder(&path, &error),
            })
            .and_then(|()| {
                done.notes = store.sequence_notes(&done.file).map_err(|error| of_book(&error))?;
                if let (true, Some(key)) = (self.asked.trust_new, &done.file.signed_by) {
                    let known = store.phone_keys().map_err(|error| of_book(&error))?;
                    if !known.iter().any(|phone| phone.key == *key) {
                        store.trust(key, "", call.now).map_err(|error| of_book(&error))?;
                    }
                }
                take_in(store, reading, &done.file, call, said).map_err(|error| match error {
                    MergeError::Store(error) => of_book(&error),
                    MergeError::File(error) => (of_day_file(&error, words), error.code()),
                })
            });
        match result {
            Ok((TakenIn::Merged(merged), named)) => {
                done.photos = u64::try_from(new.len()).unwrap_or(u64::MAX);
                done.warnings = warnings(&done.file, &done.notes, &merged, words);
                let is_there = |hash: &String| self.blobs.picture(hash).is_some_and(|path| path.is_file());
                let missing = named.iter().filter(|hash| !is_there(hash)).count();
                if missing > 0 {
                    done.warnings.push(words.n(
                        "{0} photo it names was not on the phone any more; csv/photos.csv in the file says which.",
                        "{0} photos it names were not on the phone any more; csv/photos.csv in the file says which.",
                        missing,
                    ));
                }
                done.merged = Some(merged);
                Ok(())
            }
            // Another import brought it while this one waited.
            Ok((TakenIn::Already, _)) => Ok(()),
            Err(refused) => {
                // A book that refuses at the last moment may have kept the file all the same: its log may be whole where
                // the disk said otherwise. What the book says when it is opened anew is what counts.
                drop(self.store.take());
                if self.has(&done.file.hash).unwrap_or(false) {
                    done.photos = u64::try_from(new.len()).unwrap_or(u64::MAX);
                    done.warnings = vec![words.t(
                        "The disk refused a part of the work, and the book has the whole file all the same. Look at the disk.",
                    )];
                    return Ok(());
                }
                for path in &new {
                    // What stays behind is found by `doctor`; the reason of the refusal is what matters now.
                    drop(std::fs::remove_file(path));
                }
                Err(refused)
            }
        }
    }
}

/// Lays photos and signatures beside the book, and lists the ones that were not there before.
fn lay_beside<R: Read + Seek>(
    blobs: &Blobs,
    reading: &Reading<R>,
    new: &mut Vec<PathBuf>,
) -> Result<(), (PathBuf, io::Error)> {
    let mut all = Vec::new();
    for part in reading.blobs() {
        let Some(path) = blobs.file(&part.sha256.to_string(), extension(part)) else {
            // The reader has checked the name; one it lets through that leads elsewhere has no place here.
            continue;
        };
        let fail = |error| (path.clone(), error);
        let content = reading
            .open_part(&part.name)
            .map_err(|error| fail(io::Error::other(error)))?;
        if blobs.put(&path, part.bytes, content).map_err(fail)? {
            new.push(path.clone());
        }
        all.push(path);
    }
    blobs
        .flush_names(all.iter())
        .map_err(|error| (blobs.root().to_owned(), error))
}

/// The extension of a part's name, which the reader has checked to be plain letters and digits.
fn extension(part: &Part) -> &str {
    part.name.rsplit_once('.').map_or("bin", |(_, extension)| extension)
}

/// What is handed to the book.
enum Batch {
    Records(Arc<Pack>),
    Actions(Vec<LoggedText>),
}

/// How many actions are handed over at a time, and how many batches may wait: this bounds the memory.
const BATCH: usize = 32;
const WAITING: usize = 8;

/// Merges a checked file: one thread reads what was not kept in memory, this one writes. Says too which photos its records
/// name.
fn take_in<R: Read + Seek + Send>(
    store: &mut Store,
    reading: &mut Reading<R>,
    file: &DayFile,
    call: &Call,
    said: &Said<'_>,
) -> Result<(TakenIn, BTreeSet<String>), MergeError> {
    let blobs = reading.blobs().map(blob_row).collect::<Vec<_>>();
    let mut photos = Photos::default();
    let lines = reading
        .manifest()
        .parts
        .iter()
        .filter(|part| extension(part) == "jsonl");
    let (all, mut done) = (lines.map(|part| part.bytes).sum(), 0);
    let taken = std::thread::scope(|scope| {
        let (send, batches) = sync_channel(WAITING);
        scope.spawn(move || {
            // Nobody listens any more when the book has refused something: then there is nothing left to read for.
            if let Err(error) = read_batches(reading, &send) {
                drop(send.send(Err(error)));
            }
        });
        store.take_in(file, call.now, |merger| -> Result<(), MergeError> {
            for batch in batches {
                match batch? {
                    Batch::Records(pack) => {
                        photos.see(&pack);
                        for record in pack.records() {
                            merger.record(&record)?;
                            done += pack.read_bytes_each();
                            said.written(done, all);
                        }
                    }
                    Batch::Actions(actions) => {
                        for action in actions {
                            merger.action(file.phone, action_row(&action))?;
                            done += u64::try_from(action.changes.len()).unwrap_or(0);
                            said.written(done, all);
                        }
                    }
                }
            }
            blobs.iter().try_for_each(|blob| merger.blob(blob))?;
            Ok(())
        })
    })?;
    Ok((taken, photos.hashes()))
}

fn action_row(action: &LoggedText) -> ActionRow<'_> {
    ActionRow {
        id: action.id,
        stop: action.stop,
        at: action.at,
        label: &action.label,
        undoes: action.undoes,
        changes: &action.changes,
    }
}

/// The photos a file's records name, taken-away ones left out.
#[derive(Default)]
struct Photos {
    named: BTreeMap<Uuid, String>,
    removed: BTreeSet<Uuid>,
}

impl Photos {
    fn see(&mut self, pack: &Pack) {
        if pack.kind().table != Photo::TABLE {
            return;
        }
        for field in pack.records().flat_map(|record| record.stamped().collect::<Vec<_>>()) {
            match (field.field, field.value) {
                ("hash", Kept::Text(hash)) => {
                    self.named.insert(field.id, hash);
                }
                ("removed", Kept::Int(1)) => {
                    self.removed.insert(field.id);
                }
                _ => {}
            }
        }
    }

    fn hashes(self) -> BTreeSet<String> {
        let removed = self.removed;
        let kept = self.named.into_iter().filter(|(id, _)| !removed.contains(id));
        kept.map(|(_, hash)| hash).collect()
    }
}

/// Hands over everything the file holds; ends early, and in peace, when nobody listens.
fn read_batches<R: Read + Seek>(
    reading: &Reading<R>,
    send: &SyncSender<Result<Batch, DayFileError>>,
) -> Result<(), DayFileError> {
    for pack in reading.packs() {
        if send.send(Ok(Batch::Records(pack?))).is_err() {
            return Ok(());
        }
    }
    let mut log = reading.log_texts();
    loop {
        let batch = log.by_ref().take(BATCH).collect::<Result<Vec<_>, _>>()?;
        if batch.is_empty() || send.send(Ok(Batch::Actions(batch))).is_err() {
            return Ok(());
        }
    }
}

fn blob_row(part: &Part) -> BlobRow {
    BlobRow {
        hash: part.sha256.to_string(),
        name: part.name.clone(),
        media_type: part.media_type.clone(),
        bytes: part.bytes,
    }
}

fn ledger_line<R: Read + Seek>(reading: &Reading<R>) -> DayFile {
    let manifest = reading.manifest();
    DayFile {
        hash: reading.sha256().to_string(),
        phone: manifest.phone,
        truck: manifest.truck.clone(),
        day: manifest.day,
        sequence: manifest.sequence,
        follows: manifest.follows.map(|digest| digest.to_string()),
        partial: manifest.partial,
        made_at: manifest.created_at,
        signed_by: reading.signer().map(|key| key.to_string()),
    }
}

/// Whether a trusted phone has signed the file, and in its own name.
fn check_trust<R: Read + Seek>(reading: &Reading<R>, trusted: &[PhoneKey]) -> Result<(), DayFileError> {
    let key = reading.signer().ok_or(DayFileError::Unsigned)?;
    let phone = reading.manifest().phone;
    let text = key.to_string();
    let known = trusted
        .iter()
        .find(|known| known.key == text)
        .ok_or(DayFileError::UnknownPhone { phone, key })?;
    match known.phone {
        Some(signed) if signed != phone => Err(DayFileError::OtherPhone { says: phone, signed }),
        _ => Ok(()),
    }
}

fn warnings(file: &DayFile, notes: &[SequenceNote], merged: &Merged, words: Words) -> Vec<String> {
    let mut list = Vec::new();
    for note in notes {
        list.push(match note {
            SequenceNote::Reused { day } => words.f(
                "Another file of this phone, of {0}, has the same number {1}: the phone was put back to an older state, or copied. Both are in the book; look at conflicts.",
                &[&day.to_string(), &file.sequence.to_string()],
            ),
            SequenceNote::WentBack { higher } => words.f(
                "File {0} of this phone was made before this one, which has the lower number {1}: the phone was put back to an older state.",
                &[&higher.to_string(), &file.sequence.to_string()],
            ),
            SequenceNote::OtherBranch => words.t(
                "It follows a file the book does not know: the phone was put back to an older state, or a file was made and never sent.",
            ),
            SequenceNote::Missing { first, last } if first == last => {
                words.f("File {0} of this phone has not come yet.", &[&first.to_string()])
            }
            SequenceNote::Missing { first, last } => words.f(
                "Files {0} to {1} of this phone have not come yet.",
                &[&first.to_string(), &last.to_string()],
            ),
        });
    }
    if let Some((first, last)) = merged.doubtful_between {
        list.push(words.f(
            "{0} fields have a time that cannot be right ({1} to {2}): they are kept, and give way to any field with a sound time. Set the phone's clock.",
            &[
                &merged.doubtful.to_string(),
                &first.format("%Y-%m-%d %H:%M").to_string(),
                &last.format("%Y-%m-%d %H:%M").to_string(),
            ],
        ));
    }
    list
}

impl Done {
    fn said(&self, name: &str, words: Words) -> String {
        let mut text = match &self.merged {
            None => words.f("{0}: already in the book, nothing changed.", &[name]),
            Some(merged) => {
                let stops = merged.new.get("stop").copied().unwrap_or(0);
                let new: u64 = merged.new.values().sum();
                let changed: u64 = merged.changed.values().sum();
                words.f(
                    "{0}: taken in. New stops: {1}, other new records: {2}, changed: {3}, values set aside: {4}, photos and signatures: {5}.",
                    &[
                        name,
                        &stops.to_string(),
                        &new.saturating_sub(stops).to_string(),
                        &changed.to_string(),
                        &merged.lost.to_string(),
                        &self.photos.to_string(),
                    ],
                )
            }
        };
        text.push('\n');
        if self.merged.is_some() && !self.is_trusted {
            text.push_str("  ");
            text.push_str(&words.t("No phone you trust has signed it."));
            text.push('\n');
        }
        for warning in &self.warnings {
            text.push_str("  ");
            text.push_str(warning);
            text.push('\n');
        }
        text
    }

    fn json(&self, name: &str) -> Value {
        let mut row = json!({
            "file": name,
            "status": if self.merged.is_some() { "taken-in" } else { "already" },
            "phone": self.file.phone.to_string(),
            "truck": self.file.truck,
            "day": self.file.day.to_string(),
            "sequence": self.file.sequence,
            "partial": self.file.partial,
            "sha256": self.file.hash,
            "sealed": self.is_sealed,
            "signed_by": self.file.signed_by,
            "trusted": self.is_trusted,
            "warnings": self.warnings,
        });
        if let (Some(merged), Some(row)) = (&self.merged, row.as_object_mut()) {
            row.insert("new".to_owned(), json!(merged.new));
            row.insert("changed".to_owned(), json!(merged.changed));
            row.insert("set_aside".to_owned(), json!(merged.lost));
            row.insert("photos_and_signatures".to_owned(), json!(self.photos));
            row.insert("doubtful_times".to_owned(), json!(merged.doubtful));
        }
        row
    }
}

/// Tells how far the work on one file is: what is read counts up to nine tenths, what is written goes on from six tenths, so
/// that files of many photos and files of many records both go forward all the time.
struct Said<'a> {
    permille: AtomicU64,
    progress: &'a (dyn Fn(u64) + Sync),
}

impl<'a> Said<'a> {
    fn new(progress: &'a (dyn Fn(u64) + Sync)) -> Self {
        progress(0);
        Self {
            permille: AtomicU64::new(0),
            progress,
        }
    }

    /// A file is read twice before anything is written; its photos a third time.
    fn read(&self, done: u64, all: u64) {
        self.say((done.saturating_mul(300) / all.max(1)).min(900));
    }

    fn written(&self, done: u64, all: u64) {
        self.say((600 + done.saturating_mul(399) / all.max(1)).min(999));
    }

    fn say(&self, permille: u64) {
        if self.permille.fetch_max(permille, Ordering::Relaxed) < permille {
            (self.progress)(permille);
        }
    }
}

/// Reads a file and counts what it reads.
struct Counted<'a> {
    file: File,
    bytes: u64,
    read: u64,
    said: &'a Said<'a>,
}

impl<'a> Counted<'a> {
    fn open(path: &Path, said: &'a Said<'a>) -> io::Result<Self> {
        let file = File::open(path)?;
        let data = file.metadata()?;
        if data.is_dir() {
            return Err(io::Error::from(io::ErrorKind::IsADirectory));
        }
        Ok(Self {
            file,
            bytes: data.len(),
            read: 0,
            said,
        })
    }
}

impl Read for Counted<'_> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buf)?;
        self.read = self.read.saturating_add(u64::try_from(count).unwrap_or(0));
        self.said.read(self.read, self.bytes);
        Ok(count)
    }
}

impl Seek for Counted<'_> {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        self.file.seek(pos)
    }
}

/// Names a phone for a person: by the name given to its key, otherwise by the end of its id.
pub(super) fn phone_name(phone: Uuid, phones: &[PhoneKey], words: Words) -> String {
    if phone.is_nil() {
        return words.t("this book");
    }
    let named = phones
        .iter()
        .find(|known| known.phone == Some(phone) && !known.name.is_empty());
    named.map_or_else(
        || {
            let id = phone.simple().to_string();
            words.f("phone …{0}", &[id.get(24..).unwrap_or(&id)])
        },
        |known| known.name.clone(),
    )
}
