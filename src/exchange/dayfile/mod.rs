//! The day file: what a truck's phone gives the office in the evening, in one file that any zip tool opens.
//!
//! Written by [`write::write`], sealed to the office's key by [`seal::seal`], opened by [`read::open`], which checks
//! everything before it hands out anything. The form is described, for other readers too, in `docs/dayfile.md`.

pub mod csv;
mod error;
pub mod geo;
pub mod lines;
pub mod manifest;
pub mod read;
pub mod seal;
pub mod sign;
pub mod write;

pub use error::{DayFileError, WriteError};
pub use manifest::{Digest, Manifest, Part, digest_of};

/// The form of day file this program writes, and the newest it reads.
pub const FORMAT: u32 = 1;

/// The name extension of day files, sealed or not.
pub const EXTENSION: &str = "lidmark";

/// The most entries a file may have. A zip of more must be of the zip64 kind, which some tools cannot open.
pub const MOST_ENTRIES: u64 = 65_535;

/// The most bytes a file may have, and the most its parts may have together.
pub const MOST_BYTES: u64 = 4 * 1024 * 1024 * 1024;

/// The most bytes the manifest may have: it is held in memory whole.
pub const MOST_MANIFEST_BYTES: u64 = 32 * 1024 * 1024;

/// The most bytes any other part may have.
pub const MOST_PART_BYTES: u64 = 512 * 1024 * 1024;

/// The most bytes a line of a part may have: a line is held in memory whole.
pub const MOST_LINE_BYTES: usize = 4 * 1024 * 1024;

/// How many bytes may come out of one packed byte. Records of a day pack about 20 to 1.
pub const MOST_RATIO: u64 = 200;

/// Up to this size a part is not asked how well it packs: short runs of the same text pack without limit.
pub const RATIO_FREE_BYTES: u64 = 1024 * 1024;
