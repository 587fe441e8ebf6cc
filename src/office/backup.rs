//! `backup` and `restore`: a checked copy of the book with its photos, and the way back.

use super::context::{Call, cannot_write, of_store};
use super::files::{Kept, followed, is_database, is_no_book, same_file};
use super::{Answer, Refusal};
use crate::say::words::Words;
use crate::store::blobs::{Blobs, Turn, flush_folder, hash_of};
use crate::store::{NamedFile, Store, StoreError, with_end};
use serde_json::json;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

const PATIENCE: Duration = Duration::from_mins(1);

/// Copies the book and its photos to a new place, and checks the copy.
///
/// * `to`: the new file, or a folder in which it gets a name with the date and time
/// * `watch`: hears how far it is, in thousandths
///
/// # Errors
/// What was refused, and what to do; then there is no copy.
pub fn backup(call: &Call, to: &Path, watch: &dyn Fn(u64)) -> Result<Answer, Refusal> {
    call.needs_book()?;
    let words = call.words_of_book();
    let refuse = |error| of_store(&error, words);
    let to = if to.is_dir() {
        to.join(call.now.format("lidmark-%Y-%m-%d-%H%M%S.sqlite").to_string())
    } else {
        to.to_owned()
    };
    refuse_if_there(&to, words)?;
    let to = followed(&to).map_err(|error| cannot_write(&to, &error, words))?;
    Kept::of_book(&call.book).allow([to.as_path()], words)?;
    let store = Store::look(&call.book).map_err(refuse)?;
    let part = unfinished(&to);
    // Where nothing can be written it is the place that is wrong, and not the book.
    File::create(&part).map_err(|error| cannot_write(&to, &error, words))?;
    let copied = Store::copy(&call.book, &part, &|pages, left| watch(share(pages, left)))
        .map_err(refuse)
        .and_then(|()| {
            // Asked of the copy: another program may have taken in more since.
            let rows = Store::look(&part).and_then(|copy| copy.files_named()).map_err(refuse)?;
            copy_blobs(&rows, &Blobs::beside(&call.book), &Blobs::beside(&to), words)
        })
        .and_then(|photos| {
            put_in_place(&part, &to).map_err(|error| cannot_write(&to, &error, words))?;
            Ok(photos)
        });
    let photos = copied.inspect_err(|_| forget(&part))?;
    watch(1_000);
    let counts = store.counts().map_err(refuse)?;
    let place = to.display().to_string();
    Ok(Answer::from(if call.json {
        format!(
            "{:#}\n",
            json!({ "backup": place, "sha256": hash_of(&to).ok(), "records": counts, "photos_and_signatures": photos })
        )
    } else {
        words.f(
            "Copied and checked: {0}. Sites: {1}, stops: {2}, photos and signatures: {3}.",
            &[
                &place,
                &counts.get("site").copied().unwrap_or(0).to_string(),
                &counts.get("stop").copied().unwrap_or(0).to_string(),
                &photos.to_string(),
            ],
        ) + "\n"
    }))
}

/// Puts a copy in the place of the book, which is kept aside under another name.
///
/// # Errors
/// What was refused, and what to do; then the book is as it was.
pub fn restore(call: &Call, from: &Path, watch: &dyn Fn(u64)) -> Result<Answer, Refusal> {
    let words = call.words();
    let refuse = |error| of_store(&error, words);
    File::open(from).map_err(|error| super::key::unreadable(from, &error, words))?;
    if same_file(from, &call.book) {
        return Err(Refusal::refused(
            words.t("The copy is the book itself."),
            words.t("Name the file that backup has made."),
        ));
    }
    if is_no_book(from) {
        return Err(refuse(StoreError::NotOurs { path: from.to_owned() }));
    }
    // A book that is damaged goes aside; another program's database is none of ours to move.
    if is_database(&call.book) && is_no_book(&call.book) {
        return Err(refuse(StoreError::NotOurs {
            path: call.book.clone(),
        }));
    }
    if let Some(folder) = call.book.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        fs::create_dir_all(folder).map_err(|error| cannot_write(folder, &error, words))?;
    }
    let blobs = Blobs::beside(&call.book);
    let root = blobs.root().to_owned();
    let _hold = match blobs
        .hold(PATIENCE)
        .map_err(|error| cannot_write(&root, &error, words))?
    {
        Turn::Mine(hold) => hold,
        Turn::Taken => {
            return Err(refuse(StoreError::Busy {
                doing: "restore the book",
            }));
        }
    };
    // Where the name is a link, the file it leads to is the book.
    let book = followed(&call.book).map_err(|error| cannot_write(&call.book, &error, words))?;
    let part = unfinished(&book);
    let copied = (|| -> Result<_, Refusal> {
        Store::copy(from, &part, &|pages, left| watch(share(pages, left))).map_err(refuse)?;
        // A copy of an older form comes to this program's form here, where nothing can be lost by it.
        let copy = Store::open(&part).map_err(refuse)?;
        let (counts, rows) = (copy.counts().map_err(refuse)?, copy.files_named().map_err(refuse)?);
        copy.close().map_err(refuse)?;
        let photos = copy_blobs(&rows, &Blobs::beside(from), &blobs, words)?;
        Ok((counts, photos))
    })();
    let (counts, photos) = copied.inspect_err(|_| forget(&part))?;
    let aside = exchange(call, &book, &part, words).inspect_err(|_| forget(&part))?;
    watch(1_000);
    let (book, kept) = (
        call.book.display().to_string(),
        aside.map(|path| path.display().to_string()),
    );
    Ok(Answer::from(if call.json {
        format!(
            "{:#}\n",
            json!({ "book": book, "from": from.display().to_string(), "kept_aside": kept, "records": counts,
                    "photos_and_signatures": photos })
        )
    } else {
        let sites = counts.get("site").copied().unwrap_or(0).to_string();
        let stops = counts.get("stop").copied().unwrap_or(0).to_string();
        let mut text = words.f("Restored: {0}. Sites: {1}, stops: {2}.", &[&book, &sites, &stops]) + "\n";
        if let Some(kept) = kept {
            text += &words.f("The book as it was before lies in {0}.", &[&kept]);
            text.push('\n');
        }
        text
    }))
}

/// Keeps the book that is there under another name, and puts the checked copy in its place.
fn exchange(call: &Call, book: &Path, part: &Path, words: Words) -> Result<Option<PathBuf>, Refusal> {
    let failed = |error: io::Error| cannot_write(book, &error, words);
    if !book.exists() {
        put_in_place(part, book).map_err(failed)?;
        return Ok(None);
    }
    let stem = book.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let stamp = call.now.format("%Y-%m-%d-%H%M%S");
    let aside = (0..100)
        .map(|n| if n == 0 { String::new() } else { format!("-{n}") })
        .map(|n| book.with_file_name(format!("{stem}-before-restore-{stamp}{n}.sqlite")))
        .find(|path| !path.exists())
        .ok_or_else(|| failed(io::Error::from(io::ErrorKind::AlreadyExists)))?;
    match Store::settle_alone(book) {
        Ok(()) => {
            fs::rename(book, &aside).map_err(failed)?;
        }
        Err(error @ (StoreError::Busy { .. } | StoreError::TooNew { .. })) => return Err(of_store(&error, words)),
        // What cannot be opened any more is the reason to restore: it goes aside as it lies there, log and all.
        Err(_) => {
            for end in ["-wal", "-shm"] {
                let (log, log_aside) = (with_end(book, end), with_end(&aside, end));
                if log.exists() {
                    fs::rename(log, log_aside).map_err(failed)?;
                }
            }
            fs::rename(book, &aside).map_err(failed)?;
        }
    }
    if let Err(error) = put_in_place(part, book) {
        fs::rename(&aside, book).map_err(failed)?;
        return Err(failed(error));
    }
    Ok(Some(aside))
}

/// Copies every photo the copy names, with the thumbnails that are there.
///
/// One that came in and is missing or changed is an error, not a gap. One that only a record names, and that no day file
/// has brought yet, is none of the book's to lose.
fn copy_blobs(rows: &[NamedFile], from: &Blobs, into: &Blobs, words: Words) -> Result<u64, Refusal> {
    let mut count = 0;
    let mut new = Vec::new();
    for row in rows {
        let Some((source, target)) = from.file(&row.hash, &row.ending).zip(into.file(&row.hash, &row.ending)) else {
            continue;
        };
        if row.bytes.is_none() && !source.exists() {
            continue;
        }
        let unreadable = |error: &io::Error| super::key::unreadable(&source, error, words);
        if hash_of(&source).map_err(|error| unreadable(&error))? != row.hash {
            return Err(Refusal {
                code: 3,
                ..Refusal::refused(
                    words.f(
                        "{0} has been changed since it came in.",
                        &[&source.display().to_string()],
                    ),
                    words.t("Put the photo back from an older copy; doctor lists all that are damaged."),
                )
            });
        }
        let small = from.thumbnail(&row.hash).zip(into.thumbnail(&row.hash));
        let small = small.filter(|(small, _)| row.ending == "jpg" && small.exists());
        for (source, target) in std::iter::once((source.clone(), target)).chain(small) {
            let opened = File::open(&source).and_then(|file| Ok((file.metadata()?.len(), file)));
            let (bytes, file) = opened.map_err(|error| super::key::unreadable(&source, &error, words))?;
            if into
                .put(&target, bytes, file)
                .map_err(|error| cannot_write(&target, &error, words))?
            {
                new.push(target);
            }
        }
        count += 1;
    }
    into.flush_names(new.iter())
        .map_err(|error| cannot_write(into.root(), &error, words))?;
    Ok(count)
}

fn refuse_if_there(to: &Path, words: Words) -> Result<(), Refusal> {
    if to.exists() {
        return Err(Refusal::refused(
            words.f("{0} is there already.", &[&to.display().to_string()]),
            words.t("A copy is never written over another: give a new name, or a folder."),
        ));
    }
    Ok(())
}

/// How much of the pages is copied, in thousandths; the photos are the last tenth.
fn share(pages: u64, left: u64) -> u64 {
    pages.saturating_sub(left).saturating_mul(900) / pages.max(1)
}

/// Takes an unfinished copy away: half a copy is worse than none. The reason of the refusal is what matters by then.
fn forget(part: &Path) {
    for end in ["", "-wal", "-shm", "-journal"] {
        drop(fs::remove_file(with_end(part, end)));
    }
}

/// Flushes a finished file, gives it its name, and flushes the name.
fn put_in_place(part: &Path, to: &Path) -> io::Result<()> {
    File::open(part)?.sync_all()?;
    fs::rename(part, to)?;
    flush_folder(to.parent().unwrap_or(Path::new("")))
}

/// A name for an unfinished file, of its own for each process.
fn unfinished(path: &Path) -> PathBuf {
    with_end(path, &format!(".part-{}", std::process::id()))
}
