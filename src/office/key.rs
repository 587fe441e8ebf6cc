//! `office-key`: the office's own pair of keys. Phones seal day files to the public one; the secret one opens them here.

use super::context::{Call, cannot_write};
use super::files::{Kept, write_file};
use super::{Answer, Refusal};
use crate::exchange::dayfile::seal::OfficeSecret;
use crate::say::words::Words;
use image::{GrayImage, ImageFormat, Luma};
use qrcode::render::unicode::Dense1x2;
use qrcode::{EcLevel, QrCode};
use serde_json::json;
use std::fs::OpenOptions;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// What was asked of `office-key`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// Where the secret key lies or is to be put; beside the book when not given.
    pub file: Option<PathBuf>,
    /// Write the public key as a QR picture here.
    pub png: Option<PathBuf>,
    /// Print the public key alone, without the QR.
    pub quiet: bool,
}

/// The name of the secret key's file beside the book.
const NAME: &str = "office-key.txt";

/// Makes the office's keys when there are none, and shows the public one.
///
/// # Errors
/// When the key can be neither read nor made.
pub fn run(call: &Call, asked: &Asked) -> Result<Answer, Refusal> {
    let words = call.words();
    let path = asked.file.clone().unwrap_or_else(|| call.book.with_file_name(NAME));
    let kept = Kept::of_book(&call.book);
    if !path.exists() {
        kept.allow([path.as_path()], words)?;
    }
    kept.note(&path);
    kept.allow(asked.png.as_deref(), words)?;
    let (secret, is_new) = match std::fs::read_to_string(&path) {
        Ok(text) => (OfficeSecret::parse(&text).ok_or_else(|| no_key(&path, words))?, false),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let secret = OfficeSecret::generate();
            keep(&path, &secret).map_err(|error| cannot_write(&path, &error, words))?;
            (secret, true)
        }
        Err(error) => return Err(unreadable(&path, &error, words)),
    };
    let public = secret.public().to_string();
    // The capital letters make a smaller code; a key means the same in either (BIP 173, the form of these keys).
    let code = QrCode::with_error_correction_level(public.to_uppercase(), EcLevel::M).map_err(|error| {
        Refusal::file(
            words.f("The key cannot be drawn: {0}", &[&error.to_string()]),
            words.t("Paste the key as text instead."),
        )
    })?;
    if let Some(png) = &asked.png {
        let picture = draw(&code).map_err(|error| cannot_write(png, &error, words))?;
        write_file(png, &picture, &kept, words)?;
    }
    let text = if call.json {
        format!(
            "{:#}\n",
            json!({ "public_key": public, "secret_key_file": path.display().to_string(), "is_new": is_new })
        )
    } else if asked.quiet {
        format!("{public}\n")
    } else {
        let qr = code.render::<Dense1x2>().quiet_zone(true).build();
        let place = path.display().to_string();
        let head = if is_new {
            words.f("The office's secret key is new and lies in {0}. Copy it to a safe place: without it nobody can open what is sealed to it.", &[&place])
        } else {
            words.f("The office's secret key lies in {0}.", &[&place])
        };
        let what = words.t("This is the public key. Scan it with each phone, or paste it in the phone's Setup:");
        format!("{head}\n{what}\n\n{public}\n\n{qr}\n")
    };
    Ok(Answer::from(text))
}

/// Writes the secret for the eyes of its owner only, and never over a file that is there.
fn keep(path: &Path, secret: &OfficeSecret) -> io::Result<()> {
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder)?;
    }
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path)?;
    file.write_all(secret.to_text().as_bytes())?;
    file.sync_all()
}

/// Draws the code with eight pixels a module and the four modules of white around it that ISO/IEC 18004 asks for.
fn draw(code: &QrCode) -> io::Result<Vec<u8>> {
    const MODULE: u32 = 8;
    const QUIET: u32 = 4;
    let width = code.width();
    let side = (u32::try_from(width).unwrap_or(0) + 2 * QUIET) * MODULE;
    let colors = code.to_colors();
    let picture = GrayImage::from_fn(side, side, |x, y| {
        let module = |pixel: u32| (pixel / MODULE).checked_sub(QUIET).map(|n| n as usize);
        let dark = module(x)
            .zip(module(y))
            .filter(|(x, y)| *x < width && *y < width)
            .and_then(|(x, y)| colors.get(y * width + x))
            .is_some_and(|color| *color == qrcode::Color::Dark);
        Luma([if dark { 0 } else { 255 }])
    });
    let mut bytes = io::Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, ImageFormat::Png)
        .map_err(io::Error::other)?;
    Ok(bytes.into_inner())
}

/// Reads the secret keys beside the book: `office-key.txt`, and older ones named `office-key-….txt`.
pub(super) fn beside(book: &Path, words: Words) -> Result<Vec<OfficeSecret>, Refusal> {
    let folder = match book.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let Ok(entries) = std::fs::read_dir(folder) else {
        // No folder yet means no keys in it.
        return Ok(Vec::new());
    };
    let mut paths = entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            name == NAME || (name.starts_with("office-key-") && path.extension().is_some_and(|end| end == "txt"))
        })
        .collect::<Vec<_>>();
    paths.sort();
    paths
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path).map_err(|error| unreadable(path, &error, words))?;
            OfficeSecret::parse(&text).ok_or_else(|| no_key(path, words))
        })
        .collect()
}

pub(super) fn unreadable(path: &Path, error: &io::Error, words: Words) -> Refusal {
    Refusal::file(
        words.f(
            "{0} cannot be read: {1}",
            &[&path.display().to_string(), &error.to_string()],
        ),
        words.t("Check the path and its permissions."),
    )
}

pub(super) fn no_key(path: &Path, words: Words) -> Refusal {
    Refusal::refused(
        words.f("{0} holds no secret office key.", &[&path.display().to_string()]),
        words.t("Put the key file back from its safe copy, or move this file away."),
    )
}
