//! Everything checked from outside the modules, in one binary so that it links once.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::float_cmp,
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    clippy::print_stdout,
    clippy::too_many_lines, // a case told from its beginning to its end reads best in one piece
    clippy::format_push_string
)]

mod android;
mod card;
mod checks;
mod cloud;
mod dayfile;
mod diagnose;
mod documents;
#[path = "../fuzz/src/entries.rs"]
mod entries;
mod fixture;
mod forecast;
mod forms;
mod geojson;
mod gpx;
mod hostile;
mod import;
mod killed;
mod layering;
mod lifecycle;
mod locate;
mod locate_file;
#[cfg(feature = "ui")]
mod look;
mod merge;
mod model;
mod nmea;
mod office;
#[cfg(feature = "ui")]
mod pages_look;
mod photos;
mod plan_files;
mod plan_sheet;
mod position;
#[cfg(target_os = "linux")]
mod power;
mod probing;
mod rules;
mod schema;
#[cfg(target_os = "linux")]
mod season;
mod stops;
mod store;
mod threats;
mod truck;
#[cfg(feature = "ui")]
mod window;
mod wipe;
mod words;
mod work;
mod yard;

/// Compares the text between `<!-- name -->` and `<!-- /name -->` in a document with what the code makes.
///
/// `LIDMARK_UPDATE_DOCS=1 cargo test` writes it instead.
fn check_generated_block(document: &str, name: &str, made: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(document);
    let text = std::fs::read_to_string(&path).unwrap();
    let (open, close) = (format!("<!-- {name} -->\n"), format!("<!-- /{name} -->"));
    let start = text.find(&open).unwrap_or_else(|| panic!("{document} has no {open}")) + open.len();
    let end = text[start..]
        .find(&close)
        .unwrap_or_else(|| panic!("{document} has no {close}"))
        + start;
    if std::env::var_os("LIDMARK_UPDATE_DOCS").is_some() {
        std::fs::write(&path, format!("{}{made}{}", &text[..start], &text[end..])).unwrap();
        return;
    }
    assert!(
        text[start..end] == *made,
        "{document}, block {name}, is not what the code makes; run LIDMARK_UPDATE_DOCS=1 cargo test --no-default-features --test all and look at the change"
    );
}
