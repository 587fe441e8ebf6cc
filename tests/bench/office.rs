//! The office's part of the benchmarks alone: it needs no window system.
//!
//! `cargo bench --no-default-features --bench office`; docs/benchmarks.md says how to read the lines.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::print_stdout,
    reason = "a benchmark stops where it fails"
)]

use std::path::Path;

mod due;
mod import;

fn main() {
    if import::is_child() {
        return;
    }
    // On the disk the build is on: a folder of the system for passing files may lie in memory.
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("office-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    println!("| What | Lidmark | The least it could take | Ratio |");
    println!("|---|---|---|---|");
    import::lines(&folder);
    due::lines(&folder);
    std::fs::remove_dir_all(&folder).unwrap();
}
