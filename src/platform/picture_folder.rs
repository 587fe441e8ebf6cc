//! Picture files of a folder, the newest first. On a desktop a folder stands for the camera.

use crate::app::photos::PictureSource;
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Endings of files that may be pictures; what a file really is, its first bytes say. Those that cannot be read are listed
/// too, so that choosing one gives the reason instead of nothing.
const ENDINGS: [&str; 7] = ["jpg", "jpeg", "png", "webp", "heic", "heif", "avif"];

/// Returns the folder's picture files, the newest first.
///
/// # Errors
/// When the folder cannot be read.
pub fn newest_first(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found: Vec<(SystemTime, PathBuf)> = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let named = path
            .extension()
            .is_some_and(|ending| ENDINGS.iter().any(|known| ending.eq_ignore_ascii_case(known)));
        // A file that vanishes while the folder is read is simply not there.
        if let (true, Ok(about)) = (named, std::fs::metadata(&path))
            && about.is_file()
        {
            found.push((about.modified().unwrap_or(SystemTime::UNIX_EPOCH), path));
        }
    }
    found.sort_by(|one, other| other.cmp(one));
    Ok(found.into_iter().map(|(_, path)| path).collect())
}

/// Where pictures come from on a desktop.
///
/// * `camera`: a folder that stands for the camera: its newest file is the photo just taken
#[must_use]
pub fn source(camera: Option<PathBuf>) -> PictureSource {
    let files = camera
        .clone()
        .or_else(|| directories::UserDirs::new().and_then(|dirs| dirs.picture_dir().map(Path::to_owned)));
    PictureSource {
        camera: camera.map(|folder| Box::new(move || newest_first(&folder)) as _),
        files: Box::new(move || files.as_deref().map_or_else(|| Ok(Vec::new()), newest_first)),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn the_newest_picture_comes_first_and_other_files_do_not_count() {
        let folder = tempfile::tempdir().unwrap();
        for (age_s, name) in [(30, "old.JPG"), (10, "new.png"), (0, "notes.txt"), (20, "mid.webp")] {
            let file = std::fs::File::create(folder.path().join(name)).unwrap();
            file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000 - age_s))
                .unwrap();
        }
        std::fs::create_dir(folder.path().join("folder.jpg")).unwrap();
        let names = newest_first(folder.path())
            .unwrap()
            .into_iter()
            .map(|path| path.file_name().unwrap().to_owned())
            .collect::<Vec<_>>();
        assert_eq!(names, ["new.png", "mid.webp", "old.JPG"]);
        assert!(newest_first(&folder.path().join("nowhere")).is_err());
    }
}
