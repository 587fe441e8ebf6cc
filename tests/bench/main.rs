//! One command, one run, one table: how long things take, against the least they could take on the same machine.
//!
//! `cargo bench --bench performance`. The ratios compare two things measured in turn in the same run, so they mean the same
//! on a fast machine and on a slow one; docs/performance.md says how to read them. Words behind `--` choose parts:
//! `tap`, `frame`, `memory`, `search`, `drag`, `photo`, `figures`, `card`, `import`, `due`. Without the feature `ui` the
//! office's parts alone are measured, with no window system to build.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    clippy::print_stdout,
    reason = "a benchmark stops where it fails"
)]

#[cfg(feature = "ui")]
mod app;
#[cfg(feature = "ui")]
mod drag;
mod due;
mod import;
#[cfg(feature = "ui")]
mod photo;
mod report;

use std::path::Path;

fn main() {
    if import::is_child() {
        return;
    }
    #[cfg(feature = "ui")]
    if app::is_child() {
        return;
    }
    // What cargo itself adds begins with a dash.
    let parts = std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with('-'))
        .collect::<Vec<_>>();
    let wanted = |part: &str| parts.is_empty() || parts.iter().any(|own| own == part);
    // On the disk the build is on: a folder of the system for passing files may lie in memory, where a flush costs nothing.
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("performance-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let load = report::load();
    report::head();
    #[cfg(feature = "ui")]
    app::lines(&folder, &wanted);
    if wanted("import") {
        import::lines(&folder);
    }
    if wanted("due") {
        due::lines(&folder);
    }
    std::fs::remove_dir_all(&folder).unwrap();
    report::finish(&load);
}
