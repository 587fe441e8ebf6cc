//! What the targets share: a sound day file taken apart, so that it can be put together again with one fault.

use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;
use std::io::{Cursor, Read as _, Write as _};
use std::sync::OnceLock;

/// The vector of the tests that nobody has signed, so that a changed part needs no key.
const SOUND: &[u8] = include_bytes!("../../vectors/dayfile/good-unsigned.lidmark");

/// The parts of the sound file, the manifest left out.
fn parts() -> &'static (serde_json::Value, Vec<(String, Vec<u8>)>) {
    static PARTS: OnceLock<(serde_json::Value, Vec<(String, Vec<u8>)>)> = OnceLock::new();
    PARTS.get_or_init(|| {
        let mut zip = zip::ZipArchive::new(Cursor::new(SOUND)).expect("the vector is sound");
        let mut manifest = None;
        let mut parts = Vec::new();
        for place in 0..zip.len() {
            let mut entry = zip.by_index(place).expect("the vector is sound");
            let mut bytes = Vec::new();
            entry.read_to_end(&mut bytes).expect("the vector is sound");
            if entry.name() == "manifest.json" {
                manifest = serde_json::from_slice(&bytes).ok();
            } else {
                parts.push((entry.name().to_owned(), bytes));
            }
        }
        (manifest.expect("the vector has a manifest"), parts)
    })
}

/// Changes text at places: three bytes say where and how, the fourth what.
fn change(bytes: &mut Vec<u8>, edits: &[u8]) {
    for edit in edits.chunks_exact(4) {
        let length = bytes.len().max(1);
        let at = (usize::from(edit[0]) << 8 | usize::from(edit[1])) % length;
        match edit[2] % 5 {
            0 if at < bytes.len() => bytes[at] = edit[3],
            1 => bytes.insert(at.min(bytes.len()), edit[3]),
            2 if at < bytes.len() => drop(bytes.remove(at)),
            3 => {
                // A line told twice.
                let lines = bytes.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect::<Vec<_>>();
                if let Some(line) = lines.get(at % lines.len().max(1)) {
                    bytes.extend_from_slice(line);
                }
            }
            4 => bytes.truncate(bytes.len() - usize::from(edit[3]).min(bytes.len())),
            _ => {}
        }
    }
}

/// The sound day file with one part changed, its manifest fitting again; or with its manifest changed.
pub fn with_a_fault(data: &[u8]) -> Option<Vec<u8>> {
    let (selector, edits) = data.split_first()?;
    let (manifest, sound) = parts();
    let mut manifest = manifest.clone();
    let mut parts = sound.clone();
    let which = usize::from(*selector & 0x7f) % (parts.len() + 1);
    if let Some((name, bytes)) = parts.get_mut(which) {
        if *selector & 0x80 == 0 {
            change(bytes, edits);
        } else {
            // A whole line of the fuzzer's own.
            bytes.extend_from_slice(edits);
            bytes.push(b'\n');
        }
        let mut hex = String::new();
        for byte in Sha256::digest(&*bytes) {
            write!(hex, "{byte:02x}").ok()?;
        }
        let listed = manifest["parts"].as_array_mut()?.iter_mut().find(|part| part["name"] == name.as_str())?;
        listed["bytes"] = bytes.len().into();
        listed["sha256"] = hex.into();
    }
    let mut manifest = serde_json::to_vec(&manifest).ok()?;
    if which == parts.len() {
        change(&mut manifest, edits);
    }
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    for (name, bytes) in std::iter::once(("manifest.json", &manifest)).chain(parts.iter().map(|(name, bytes)| (name.as_str(), bytes))) {
        zip.start_file(name, stored).ok()?;
        zip.write_all(bytes).ok()?;
    }
    Some(zip.finish().ok()?.into_inner())
}
