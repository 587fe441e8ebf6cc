//! Photos against pictures made by other programs (`ImageMagick`, `ExifTool`), hostile files, kills, and a thousand of them.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use image::RgbImage;
use lidmark::app::photos::{Picture, PictureSource, Tool};
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::domain::record::{Photo, PhotoId, PhotoPart, Station, StopId, changes};
use lidmark::exchange::photo::{
    LONG_SIDE_PX, MAX_FILE_BYTES, PhotoError, Prepared, THUMB_SIDE_PX, decode_kept, hash_of, prepare,
};
use lidmark::store::blobs::{Agreement, Blobs};
use proptest::prelude::any;
use proptest::test_runner::{Config, TestRunner};
use uuid::Uuid;

use crate::fixture::{Dice, app_at_a_stop, app_on, now};

/// Runs a program that these tests need.
fn run(tool: &str, arguments: &[&str]) -> String {
    let done = Command::new(tool).args(arguments).output().unwrap_or_else(|error| {
        panic!(
            "`{tool}`: {error}; install the packages imagemagick and libimage-exiftool-perl, then run this test again"
        )
    });
    assert!(
        done.status.success(),
        "{tool} {arguments:?}: {}",
        String::from_utf8_lossy(&done.stderr)
    );
    String::from_utf8_lossy(&done.stdout).into_owned()
}

/// Makes a picture with `ImageMagick` and returns where it lies; `how` stands between the source and the file's name.
fn made(folder: &Path, name: &str, how: &[&str]) -> PathBuf {
    let path = folder.join(name);
    let mut arguments = how.to_vec();
    arguments.push(path.to_str().unwrap());
    run("convert", &arguments);
    path
}

/// Four corners of four colours, so that no turn and no mirror looks like another.
const CORNERS: [&str; 13] = [
    "-size", "300x200", "xc:red", "xc:lime", "+append", "(", "xc:blue", "xc:white", "+append", ")", "-append",
    "-depth", "8",
];

fn prepared(path: &Path) -> Result<Prepared, PhotoError> {
    prepare(&std::fs::read(path).unwrap(), false)
}

/// The colours a sixth of a side away from each corner, and the size.
fn corners(picture: &RgbImage) -> ((u32, u32), [[u8; 3]; 4]) {
    let (width, height) = picture.dimensions();
    let at = |x: u32, y: u32| picture.get_pixel(x, y).0;
    let (left, right) = (width / 6, width - width / 6);
    let (up, down) = (height / 6, height - height / 6);
    (
        (width, height),
        [at(left, up), at(right, up), at(left, down), at(right, down)],
    )
}

fn close(one: &RgbImage, other: &RgbImage, most: u8) {
    let ((size, ours), (wanted_size, theirs)) = (corners(one), corners(other));
    assert_eq!(size, wanted_size);
    for (our, their) in ours.iter().flatten().zip(theirs.iter().flatten()) {
        assert!(our.abs_diff(*their) <= most, "{ours:?} in place of {theirs:?}");
    }
}

/// `ImageMagick`'s own reading of a file, upright and at the size a photo is kept at.
fn by_imagemagick(path: &Path) -> RgbImage {
    let out = path.with_extension("reference.png");
    let size = format!("{LONG_SIDE_PX}x{LONG_SIDE_PX}>");
    run(
        "convert",
        &[
            path.to_str().unwrap(),
            "-auto-orient",
            "+repage",
            "-background",
            "white",
            "-flatten",
            "-colorspace",
            "sRGB",
            "-resize",
            &size,
            "-depth",
            "8",
            &format!("PNG24:{}", out.display()),
        ],
    );
    image::open(&out).unwrap().to_rgb8()
}

// --- what comes in -------------------------------------------------------------------------------

#[test]
fn all_eight_orientations_come_out_upright() {
    let folder = tempfile::tempdir().unwrap();
    let mut seen = std::collections::BTreeSet::new();
    for orientation in 1..=8 {
        let path = made(folder.path(), &format!("{orientation}.jpg"), &CORNERS);
        // ExifTool writes the tag; ImageMagick's -auto-orient is the reading of it to agree with.
        run(
            "exiftool",
            &[
                "-q",
                "-overwrite_original",
                "-n",
                &format!("-Orientation={orientation}"),
                path.to_str().unwrap(),
            ],
        );
        let ours = prepared(&path).unwrap();
        let picture = decode_kept(&ours.jpeg).unwrap();
        assert_eq!((picture.width(), picture.height()), (ours.width_px, ours.height_px));
        close(&picture, &by_imagemagick(&path), 12);
        let thumbnail = decode_kept(&ours.thumbnail).unwrap();
        assert_eq!(thumbnail.width().max(thumbnail.height()), THUMB_SIDE_PX);
        seen.insert(format!("{:?}", corners(&picture)));
    }
    assert_eq!(seen.len(), 8, "two orientations look alike: {seen:?}");
}

#[test]
fn a_picture_is_turned_after_it_is_made_smaller() {
    let folder = tempfile::tempdir().unwrap();
    let mut how = CORNERS.to_vec();
    how.extend(["-resize", "3000x2000!"]);
    let path = made(folder.path(), "large.jpg", &how);
    run(
        "exiftool",
        &[
            "-q",
            "-overwrite_original",
            "-n",
            "-Orientation=6",
            path.to_str().unwrap(),
        ],
    );
    let ours = prepared(&path).unwrap();
    assert_eq!((ours.width_px, ours.height_px), (1_067, 1_600));
    close(&decode_kept(&ours.jpeg).unwrap(), &by_imagemagick(&path), 12);
}

#[test]
fn every_form_of_picture_reads_as_imagemagick_reads_it() {
    let folder = tempfile::tempdir().unwrap();
    let with = |more: &[&'static str]| {
        let mut how = CORNERS.to_vec();
        how.extend(more);
        how
    };
    for (name, how) in [
        ("plain.jpg", with(&[])),
        ("progressive.jpg", with(&["-interlace", "Plane"])),
        ("444.jpg", with(&["-sampling-factor", "4:4:4"])),
        ("410.jpg", with(&["-sampling-factor", "4x2,1x1,1x1"])),
        ("grey.jpg", with(&["-colorspace", "Gray"])),
        ("cmyk.jpg", with(&["-colorspace", "CMYK"])),
        ("plain.png", with(&[])),
        ("16bit.png", with(&["-depth", "16"])),
        ("palette.png", with(&["-type", "Palette"])),
        ("grey.png", with(&["-colorspace", "Gray"])),
        ("interlaced.png", with(&["-interlace", "PNG"])),
        (
            "see-through.png",
            with(&["-alpha", "set", "-channel", "A", "-evaluate", "set", "50%"]),
        ),
        ("lossy.webp", with(&["-quality", "90"])),
        ("lossless.webp", with(&["-define", "webp:lossless=true"])),
        (
            "see-through.webp",
            with(&["-alpha", "set", "-channel", "A", "-evaluate", "set", "50%"]),
        ),
    ] {
        let path = made(folder.path(), name, &how);
        let ours = prepared(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        println!("{name}");
        close(&decode_kept(&ours.jpeg).unwrap(), &by_imagemagick(&path), 14);
        assert_eq!(ours.hash, hash_of(&ours.jpeg));
        assert_eq!(
            prepared(&path).unwrap(),
            ours,
            "{name}: the same file gives another photo"
        );
    }
}

#[test]
fn time_and_place_are_kept_and_the_rest_of_the_cameras_data_only_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["a.jpg", "a.png", "a.webp"] {
        let path = made(folder.path(), name, &CORNERS);
        run(
            "exiftool",
            &[
                "-q",
                "-overwrite_original",
                "-Model=Secret Camera",
                "-SerialNumber=12345",
                "-EXIF:DateTimeOriginal=2026:06:17 08:30:15",
                "-EXIF:OffsetTimeOriginal=-05:00",
                // 44° 58' 40.08" N = 44.9778°, 93° 15' 54" W = -93.265°.
                "-EXIF:GPSLatitude=44.9778",
                "-EXIF:GPSLatitudeRef=N",
                "-EXIF:GPSLongitude=93.265",
                "-EXIF:GPSLongitudeRef=W",
                "-n",
                "-EXIF:Orientation=8",
                path.to_str().unwrap(),
            ],
        );
        let ours = prepared(&path).unwrap();
        assert_eq!(
            ours.camera.taken(*now().offset()).unwrap().to_rfc3339(),
            "2026-06-17T08:30:15-05:00",
            "{name}"
        );
        let (lat, lon) = ours.camera.position_e7.unwrap();
        // EXIF keeps fractions of a second of arc; three in the last place are 3 cm.
        assert!(
            (lat - 449_778_000).abs() <= 3 && (lon + 932_650_000).abs() <= 3,
            "{name}: {lat} {lon}"
        );
        let kept = folder.path().join("kept.jpg");
        let tags = |jpeg: &[u8]| {
            std::fs::write(&kept, jpeg).unwrap();
            run("exiftool", &["-s", "-n", "-EXIF:all", kept.to_str().unwrap()])
        };
        assert_eq!(tags(&ours.jpeg), "", "{name}: EXIF is left in the kept photo");
        assert_eq!(tags(&ours.thumbnail), "");
        let asked = prepare(&std::fs::read(&path).unwrap(), true).unwrap();
        let said = tags(&asked.jpeg);
        assert!(
            said.contains("Secret Camera") && said.contains("12345"),
            "{name}: {said}"
        );
        let orientation = said.lines().find(|line| line.starts_with("Orientation")).unwrap();
        assert!(orientation.ends_with(": 1"), "{name}: {orientation}");
    }
}

// --- what is refused -----------------------------------------------------------------------------

/// CRC-32 as PNG asks for (PNG 1.2, appendix D), bit by bit.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (0xEDB8_8320 & 0_u32.wrapping_sub(crc & 1))
        })
    })
}

fn png_chunk(kind: &[u8], data: &[u8]) -> Vec<u8> {
    let mut body = kind.to_vec();
    body.extend(data);
    let mut chunk = u32::try_from(data.len()).unwrap().to_be_bytes().to_vec();
    chunk.extend(&body);
    chunk.extend(crc32(&body).to_be_bytes());
    chunk
}

/// The place of the frame header's height in a JPEG: marker, length and precision before it (T.81, B.2.2).
fn height_at(jpeg: &[u8]) -> usize {
    let at = jpeg
        .windows(2)
        .position(|pair| pair == [0xFF, 0xC0] || pair == [0xFF, 0xC2])
        .unwrap();
    at + 5
}

#[test]
fn what_cannot_be_a_photo_is_refused_by_its_own_name() {
    let folder = tempfile::tempdir().unwrap();
    let jpeg = std::fs::read(made(folder.path(), "a.jpg", &CORNERS)).unwrap();
    let png = std::fs::read(made(folder.path(), "a.png", &CORNERS)).unwrap();
    let gif = std::fs::read(made(folder.path(), "a.gif", &CORNERS)).unwrap();
    let tiff = std::fs::read(made(folder.path(), "a.tiff", &CORNERS)).unwrap();
    let film = std::fs::read(made(
        folder.path(),
        "film.webp",
        &["-delay", "10", "-size", "40x30", "xc:red", "xc:blue", "-loop", "0"],
    ))
    .unwrap();
    let refused = |bytes: &[u8]| prepare(bytes, false).unwrap_err();
    assert_eq!(refused(b""), PhotoError::Empty);
    assert_eq!(refused(b"not a picture at all"), PhotoError::NotAPicture);
    assert_eq!(refused(&gif), PhotoError::OtherFormat { name: "GIF" });
    assert_eq!(refused(&tiff), PhotoError::OtherFormat { name: "TIFF" });
    assert_eq!(refused(&film), PhotoError::Moving);
    // ISO/IEC 23008-12: the first box of a HEIC file.
    assert_eq!(refused(b"\0\0\0\x24ftypheic\0\0\0\0mif1heic"), PhotoError::Heic);
    assert!(matches!(
        refused(&vec![0; MAX_FILE_BYTES + 1]),
        PhotoError::TooManyBytes { megabytes: 65 }
    ));
    for cut in [3, 20, jpeg.len() / 4, jpeg.len() / 2, jpeg.len() - 2] {
        assert_eq!(refused(&jpeg[..cut]), PhotoError::CutShort, "JPEG cut at {cut}");
    }
    // What is missing of a PNG behind its picture (times, texts) is not missed.
    for cut in [20, 40, png.len() / 2] {
        let error = refused(&png[..cut]);
        assert!(
            matches!(error, PhotoError::CutShort | PhotoError::Damaged { .. }),
            "PNG cut at {cut}: {error:?}"
        );
    }
    // A header that says more than the file can hold.
    let at = height_at(&jpeg);
    let with_size = |width: u16, height: u16| {
        let mut bytes = jpeg.clone();
        bytes[at..at + 2].copy_from_slice(&height.to_be_bytes());
        bytes[at + 2..at + 4].copy_from_slice(&width.to_be_bytes());
        bytes
    };
    assert!(matches!(refused(&with_size(8_000, 7_999)), PhotoError::Lying { .. }));
    assert_eq!(refused(&with_size(0, 400)), PhotoError::NoSize);
    // More than is decoded, and more than the file can hold: either is reason enough.
    assert!(matches!(
        refused(&with_size(60_000, 60_000)),
        PhotoError::Lying { .. } | PhotoError::TooManyPixels { .. }
    ));
    let twice = refused(&with_size(600, 800));
    assert!(
        matches!(
            twice,
            PhotoError::CutShort | PhotoError::Damaged { .. } | PhotoError::Lying { .. }
        ),
        "twice the height: {twice:?}"
    );
    // 12 bits a sample.
    let mut deep = jpeg.clone();
    deep[at - 1] = 12;
    assert!(matches!(refused(&deep), PhotoError::Unsupported { .. }));
    // Arithmetic coding (SOF9).
    let mut arithmetic = jpeg.clone();
    arithmetic[at - 4] = 0xC9;
    assert!(matches!(refused(&arithmetic), PhotoError::Unsupported { .. }));
    // A PNG that lies about its size, its checksum mended, and one that is a film.
    let png_of = |width: u32, height: u32| {
        let mut head = png[16..29].to_vec();
        head[..4].copy_from_slice(&width.to_be_bytes());
        head[4..8].copy_from_slice(&height.to_be_bytes());
        let mut bytes = png[..8].to_vec();
        bytes.extend(png_chunk(b"IHDR", &head));
        bytes.extend(&png[33..]);
        bytes
    };
    assert!(prepare(&png_of(600, 400), false).is_ok());
    assert!(matches!(
        refused(&png_of(60_000, 60_000)),
        PhotoError::TooManyPixels { .. }
    ));
    assert_eq!(refused(&png_of(0, 400)), PhotoError::NoSize);
    assert!(matches!(
        refused(&png_of(7_000, 6_000)),
        PhotoError::Lying { .. } | PhotoError::CutShort | PhotoError::Damaged { .. }
    ));
    let mut moving = png[..33].to_vec();
    moving.extend(png_chunk(b"acTL", &[0, 0, 0, 2, 0, 0, 0, 0]));
    moving.extend(&png[33..]);
    assert_eq!(refused(&moving), PhotoError::Moving);
}

/// Names the file, for the child that decodes it.
const FILE: &str = "LIDMARK_TEST_PHOTO_FILE";

/// Names a small picture of the same kind, for the same child.
const SMALL: &str = "LIDMARK_TEST_SMALL_PHOTO";

/// The most memory this process has ever held, kilobytes (proc(5), `VmHWM`).
#[cfg(target_os = "linux")]
fn most_held_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[cfg(target_os = "linux")]
#[test]
fn a_huge_picture_is_refused_and_a_large_one_read_in_bounded_memory() {
    if let Some(file) = std::env::var_os(FILE) {
        let bytes = std::fs::read(&file).unwrap();
        // A small picture of the same kind first: what the program itself takes to be read from the disk is not counted.
        let small = std::fs::read(std::env::var_os(SMALL).unwrap()).unwrap();
        prepare(&small, false).unwrap();
        let before = most_held_kb();
        let result = prepare(&bytes, false).map(|photo| (photo.width_px, photo.height_px));
        let mut out = std::io::stdout().lock();
        writeln!(out, "\nheld {} {result:?}", most_held_kb() - before).unwrap();
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, size, expected, most_mb) in [
        (
            "huge.jpg",
            "12000x9000",
            "TooManyPixels { megapixels: 108, most: 64 }",
            8,
        ),
        ("large.jpg", "8160x6120", "Ok((1600, 1200))", 80),
        (
            "huge.png",
            "12000x9000",
            "TooManyPixels { megapixels: 108, most: 64 }",
            8,
        ),
    ] {
        let path = made(folder.path(), name, &["-size", size, "gradient:red-blue"]);
        let small = made(
            folder.path(),
            &format!("small-{name}"),
            &["-size", "320x240", "gradient:red-blue"],
        );
        let child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "photos::a_huge_picture_is_refused_and_a_large_one_read_in_bounded_memory",
                "--nocapture",
            ])
            .env(FILE, &path)
            .env(SMALL, &small)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&child.stdout).into_owned();
        let line = said
            .lines()
            .find_map(|line| line.strip_prefix("held "))
            .unwrap_or_else(|| panic!("{said}"));
        let (kb, result) = line.split_once(' ').unwrap();
        println!("{name} {size}: {kb} kB more, {result}");
        assert!(result.contains(expected), "{name}: {result}");
        assert!(kb.parse::<u64>().unwrap() < most_mb * 1_024, "{name} took {kb} kB");
    }
}

#[test]
fn no_change_to_a_file_makes_it_panic() {
    let folder = tempfile::tempdir().unwrap();
    let small = |name: &str, more: &[&str]| {
        let mut how = CORNERS.to_vec();
        how.extend(["-resize", "64x48!"]);
        how.extend(more);
        let path = made(folder.path(), name, &how);
        run(
            "exiftool",
            &[
                "-q",
                "-overwrite_original",
                "-EXIF:DateTimeOriginal=2026:06:17 08:30:15",
                "-EXIF:GPSLatitude=44.9",
                "-EXIF:GPSLatitudeRef=N",
                "-n",
                "-EXIF:Orientation=6",
                path.to_str().unwrap(),
            ],
        );
        std::fs::read(path).unwrap()
    };
    let seeds = [
        small("a.jpg", &[]),
        small("b.jpg", &["-interlace", "Plane"]),
        small("c.jpg", &["-colorspace", "CMYK"]),
        small(
            "d.jpg",
            &["-sampling-factor", "4x2,1x1,1x1", "-define", "jpeg:restart-interval=2"],
        ),
        small("e.jpg", &["-colorspace", "Gray"]),
        small("f.png", &[]),
        small("g.png", &["-interlace", "PNG", "-depth", "16"]),
        small("h.webp", &["-quality", "80"]),
        small("i.webp", &["-define", "webp:lossless=true"]),
    ];
    for seed in &seeds {
        assert!(prepare(seed, true).is_ok());
    }
    // Which seed, where bytes are set, where it is cut, and whether a piece is doubled.
    let changes = (
        0..seeds.len(),
        proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 0..12),
        proptest::option::weighted(0.2, any::<proptest::sample::Index>()),
        proptest::option::weighted(0.2, (any::<proptest::sample::Index>(), 1_usize..200)),
    );
    let cases = std::env::var("LIDMARK_CASES").map_or(4_000, |text| text.parse().unwrap());
    let mut runner = TestRunner::new(Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    });
    runner
        .run(&changes, |(seed, bytes, cut, doubled)| {
            let mut file = seeds[seed].clone();
            for (at, byte) in bytes {
                let at = at.index(file.len());
                file[at] = byte;
            }
            if let Some((at, length)) = doubled {
                let at = at.index(file.len());
                let piece = file[at..(at + length).min(file.len())].to_vec();
                file.splice(at..at, piece);
            }
            if let Some(cut) = cut {
                file.truncate(cut.index(file.len()));
            }
            // An answer is enough; a panic here or in a decoder's own thread fails the test.
            if let Ok(photo) = prepare(&file, true) {
                proptest::prop_assert!(photo.width_px.max(photo.height_px) <= LONG_SIDE_PX);
                proptest::prop_assert!(decode_kept(&photo.jpeg).is_ok());
            }
            Ok(())
        })
        .unwrap();
}

// --- the queue -----------------------------------------------------------------------------------

/// A small picture that is like no other, made here: the queue does not care what is on it.
fn picture(folder: &Path, number: u32) -> PathBuf {
    let path = folder.join(format!("{number:04}.png"));
    let shade = |x: u32, y: u32| [(x + number * 7) as u8, (y * 3 + number) as u8, (number * 31) as u8];
    RgbImage::from_fn(480, 360, |x, y| image::Rgb(shade(x, y)))
        .save(&path)
        .unwrap();
    path
}

fn agreement(app: &App) -> Agreement {
    let named = app.session().ask(|store| store.photo_hashes()).unwrap();
    Blobs::beside(app.session().book()).agreement(&named).unwrap()
}

/// The file of the last photo of a part at this site.
fn last_photo_of(app: &App, part: PhotoPart) -> Option<PathBuf> {
    let photos = app.session().ask(|store| {
        let stop = store.open_stop()?.unwrap();
        store.photos(store.visit(stop)?.stop.site)
    });
    let photos = photos.unwrap();
    let photo = photos.iter().rev().find(|photo| photo.part == part)?;
    Blobs::beside(app.session().book()).picture(&photo.hash)
}

fn inbox(app: &App) -> usize {
    let folder = Blobs::beside(app.session().book()).inbox();
    std::fs::read_dir(folder).map_or(0, Iterator::count)
}

#[test]
fn photos_are_taken_in_linked_noted_and_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.go(Screen::At(Station::Dig));
    let source = picture(folder.path(), 1);
    app.take_photo(&source);
    app.settle_photos();
    assert_eq!(app.photo_count(), 1);
    assert_eq!(app.photo_line(0).unwrap().title, "inlet lid");
    assert_eq!((inbox(&app), agreement(&app)), (0, Agreement::default()));
    assert!(source.is_file(), "the file it came from is left alone");
    // The same picture again is not a second photo, and it is said.
    app.take_photo(&source);
    app.settle_photos();
    assert_eq!(app.photo_count(), 1);
    assert!(app.notice().unwrap().text.what.contains("already"));
    app.take_photo(&picture(folder.path(), 2));
    app.settle_photos();
    app.tap_photos();
    app.tap_photo(0);
    assert_eq!(
        (app.screen(), app.photo_view().count_text.as_str()),
        (Screen::Photo, "1 of 2")
    );
    app.tap_photo_note();
    app.sheet_edit("the rim");
    app.sheet_keep();
    app.tap_photo_part();
    let outlet = app
        .picker_view()
        .unwrap()
        .rows
        .iter()
        .position(|row| row.0 == "outlet")
        .unwrap();
    app.picker_choose(outlet);
    let line = app.photo_line(0).unwrap();
    assert_eq!((line.title.as_str(), line.note.as_str()), ("outlet", "the rim"));
    let file = last_photo_of(&app, PhotoPart::Outlet).unwrap();
    assert!(file.is_file() && last_photo_of(&app, PhotoPart::Yard).is_none());
    app.tap_photo_remove();
    app.confirm_answer(true);
    assert_eq!((app.screen(), app.photo_count()), (Screen::Photos, 1));
    app.undo();
    assert_eq!(app.photo_line(0).unwrap(), line, "undo brings it back as it was");
    app.undo();
    assert_eq!(app.photo_line(0).unwrap().title, "inlet lid");
    app.undo();
    assert_eq!(app.photo_line(0).unwrap().note, "");
    app.undo();
    assert_eq!(app.photo_count(), 1, "the photo itself is taken back");
    assert_eq!(agreement(&app), Agreement::default(), "an undone photo keeps its file");
}

#[test]
fn what_cannot_be_taken_in_is_said_and_nothing_is_left_behind() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let bad = folder.path().join("bad.jpg");
    std::fs::write(&bad, [0xFF, 0xD8, 0xFF, 0xE0, 0, 4]).unwrap();
    for (path, words) in [
        (bad.as_path(), "end of bad.jpg"),
        (Path::new("/nowhere/x.jpg"), "x.jpg"),
    ] {
        app.take_photo(path);
        app.settle_photos();
        let notice = app.notice().unwrap();
        assert_eq!(notice.kind, NoticeKind::Failure);
        assert!(notice.text.what.contains(words), "{notice:?}");
        assert!(!notice.text.advice.is_empty());
        assert_eq!((app.photo_count(), inbox(&app)), (0, 0));
        app.dismiss_notice();
    }
    // No stop, no photo; no camera, no photo: both are said.
    app.tap_camera();
    assert!(app.notice().is_some());
    app.go(Screen::Day);
    app.dismiss_notice();
    app.take_photo(&bad);
    assert!(app.notice().is_some());
}

#[test]
fn what_cannot_be_kept_now_waits_and_is_kept_when_the_reason_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let source = picture(folder.path(), 1);
    // A file stands where the photo's folder would have to be; a full device refuses in the same place.
    let hash = prepared(&source).unwrap().hash;
    let blocked = Blobs::beside(app.session().book()).root().join(&hash[..2]);
    std::fs::create_dir_all(blocked.parent().unwrap()).unwrap();
    std::fs::write(&blocked, b"in the way").unwrap();
    app.take_photo(&source);
    app.settle_photos();
    let notice = app.notice().unwrap();
    assert_eq!(notice.kind, NoticeKind::Warning);
    assert!(notice.text.what.contains("0001.png waits"), "{notice:?}");
    assert_eq!((app.photo_count(), inbox(&app)), (0, 2));
    std::fs::remove_file(&blocked).unwrap();
    app.tap_photos();
    app.settle_photos();
    assert_eq!((app.photo_count(), inbox(&app)), (1, 0));
}

#[test]
fn the_camera_gives_its_newest_picture_and_files_are_chosen_from_a_list() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let (one, two) = (picture(folder.path(), 1), picture(folder.path(), 2));
    let list = vec![two, one];
    let files = list.clone();
    app.set_picture_source(PictureSource {
        camera: Some(Box::new(move || Ok(list.clone()))),
        files: Box::new(move || Ok(files.clone())),
    });
    app.tap_camera();
    app.tap_photo_file();
    assert_eq!(app.picker_view().unwrap().rows[1].0, "0001.png");
    app.picker_choose(1);
    app.settle_photos();
    assert_eq!(app.photo_count(), 2);
}

#[test]
fn a_picture_that_keeps_ending_the_program_is_given_up_after_three_tries() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    app.take_photo(&picture(folder.path(), 1));
    app.settle_photos();
    drop(app);
    // As three kills in the middle of the work would leave it.
    let inbox_folder = Blobs::beside(&path).inbox();
    let id = Uuid::from_u128(77);
    let site = Uuid::from_u128(0x51);
    std::fs::copy(
        folder.path().join("0001.png"),
        inbox_folder.join(format!("{id}.picture")),
    )
    .unwrap();
    let line = serde_json::json!({
        "site": site, "stop": stop.0, "station": "dig", "part": "lid", "tank": null, "lid": null,
        "at": now().to_rfc3339(), "keep_camera_data": false, "name": "IMG_1.jpg", "tries": 3
    });
    std::fs::write(inbox_folder.join(format!("{id}.json")), line.to_string()).unwrap();
    // A copy that never got its line is cleared away.
    std::fs::write(inbox_folder.join(format!("{}.picture", Uuid::from_u128(78))), b"half").unwrap();
    let mut app = app_on(&path);
    app.settle_photos();
    let notice = app.notice().unwrap();
    assert!(notice.text.what.contains("IMG_1.jpg"), "{notice:?}");
    assert_eq!((inbox(&app), app.photo_count()), (0, 1));
}

/// Names the book, and how many pictures there are, for the child.
const BOOK: &str = "LIDMARK_TEST_PHOTO_BOOK";
const PICTURES: u32 = 12;

#[test]
fn a_queue_killed_at_any_moment_is_taken_up_again() {
    if let Some(book) = std::env::var_os(BOOK) {
        let book = PathBuf::from(book);
        let mut app = app_on(&book);
        let mut out = std::io::stdout().lock();
        writeln!(out, "\nbegun").unwrap();
        out.flush().unwrap();
        for number in 0..PICTURES {
            app.take_photo(&book.with_file_name(format!("{number:04}.png")));
        }
        loop {
            app.poll();
            std::thread::sleep(Duration::from_millis(1));
        }
    }
    let mut dice = Dice::new(std::time::UNIX_EPOCH.elapsed().unwrap().as_secs());
    let (mut safe, mut under_way) = (0, 0);
    for round in 0..12 {
        let folder = tempfile::tempdir().unwrap();
        let book = folder.path().join("book.sqlite");
        let (app, stop) = app_at_a_stop(&book);
        drop(app);
        for number in 0..PICTURES {
            picture(folder.path(), number);
        }
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "photos::a_queue_killed_at_any_moment_is_taken_up_again",
                "--nocapture",
            ])
            .env(BOOK, &book)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        while !line.starts_with("begun") {
            line.clear();
            assert!(
                said.read_line(&mut line).unwrap() > 0,
                "the child ended before it began"
            );
        }
        std::thread::sleep(Duration::from_micros(dice.roll() % 200_000));
        // On Unix this is SIGKILL: nothing of the child's own runs any more.
        child.kill().unwrap();
        child.wait().unwrap();
        drop(said.read_to_end(&mut Vec::new()));
        // What lay in the inbox with its line, or was a record already, must be a photo in the end, once.
        let in_inbox = lines_of(&Blobs::beside(&book).inbox());
        let kept = photo_ids(&book);
        let mut app = app_on(&book);
        app.settle_photos();
        app.open_stop(stop).unwrap();
        let after = photo_ids(&book);
        for id in in_inbox.iter().chain(&kept) {
            assert!(after.contains(id), "round {round}: {id} is lost");
        }
        assert_eq!(app.photo_count(), after.len());
        assert_eq!(inbox(&app), 0, "round {round}");
        assert!(agreement(&app).missing.is_empty(), "round {round}");
        app.session().ask(|store| store.check()).unwrap();
        // Every photo is whole, and is the picture that was taken.
        for row in 0..app.photo_count() {
            assert!(app.photo_line(row).is_some());
        }
        for hash in app.session().ask(|store| store.photo_hashes()).unwrap() {
            let file = Blobs::beside(&book).picture(&hash).unwrap();
            assert_eq!(hash_of(&std::fs::read(file).unwrap()), hash);
        }
        safe += after.len();
        under_way += usize::from(!in_inbox.is_empty());
    }
    println!("12 kills, {safe} photos safe, {under_way} times some lay in the inbox");
    assert!(under_way > 0, "no kill came while a picture was in the inbox");
}

fn lines_of(inbox: &Path) -> Vec<String> {
    let Ok(list) = std::fs::read_dir(inbox) else {
        return Vec::new();
    };
    list.map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
        .filter(|path| !path.file_name().unwrap().to_string_lossy().starts_with('.'))
        .map(|path| path.file_stem().unwrap().to_string_lossy().into_owned())
        .collect()
}

fn photo_ids(book: &Path) -> Vec<String> {
    let db = rusqlite::Connection::open(book).unwrap();
    crate::fixture::strings(&db, "SELECT id FROM photo")
}

// --- a thousand ----------------------------------------------------------------------------------

fn a_thousand(app: &mut App, stop: StopId) {
    let (site, list) = app
        .session()
        .ask(move |store| Ok((store.visit(stop)?.site.id, store.photos(store.visit(stop)?.site.id)?)))
        .unwrap();
    let like = list.first().unwrap().clone();
    let more = (1..1_000)
        .map(|place| Photo {
            id: PhotoId(Uuid::from_u128(10_000 + place as u128)),
            site,
            place,
            note: format!("photo {place}"),
            ..like.clone()
        })
        .collect::<Vec<_>>();
    app.session_mut().keep(Some(stop), "photo", false, changes(&[], &more));
    app.session_mut().settle().unwrap();
    app.open_stop(stop).unwrap();
}

#[test]
fn a_thousand_photos_are_listed_and_only_what_shows_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, stop) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.take_photo(&picture(folder.path(), 1));
    app.settle_photos();
    a_thousand(&mut app, stop);
    assert_eq!(app.photo_count(), 1_000);
    assert_eq!(app.photo_line(0).unwrap().note, "photo 999");
    assert_eq!(app.photo_line(999).unwrap().note, "");
    assert!(app.photo_line(1_000).is_none());
    assert!(
        matches!(app.photo_thumbnail(0), Picture::Coming),
        "the first look never waits"
    );
    while app.photos_coming() {
        app.poll();
        std::thread::sleep(Duration::from_millis(1));
    }
    assert_eq!(app.photos_arrived().len(), 1_000, "all of them show the one picture");
    assert!(matches!(app.photo_thumbnail(0), Picture::Here(_)));
    // A photo whose file is gone says so instead of showing nothing.
    let file = last_photo_of(&app, PhotoPart::Yard).unwrap();
    std::fs::write(&file, b"damaged").unwrap();
    app.tap_photo(0);
    assert!(app.photo_view().missing_text.is_empty());
    while app.photos_coming() {
        app.poll();
        std::thread::sleep(Duration::from_millis(1));
    }
    assert!(!app.photo_view().missing_text.is_empty());
}

// --- marks ---------------------------------------------------------------------------------------

#[test]
fn two_taps_against_a_known_length_measure_and_undo_takes_each_mark_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = made(folder.path(), "wide.png", &["-size", "1600x1200", "xc:gray"]);
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.take_photo(&path);
    app.settle_photos();
    app.tap_photos();
    app.tap_photo(0);
    // Four pixels of the picture to one dp, a bar of 50 dp above and below it.
    app.photo_resized(400.0, 400.0);
    let tap = |app: &mut App, x: f64, y: f64| {
        app.photo_pressed(x, y);
        app.photo_released();
    };
    app.tap_tool(Tool::Measure);
    assert_eq!(app.photo_view().tool, Tool::None, "nothing to measure against yet");
    assert!(app.notice().is_some());
    app.tap_tool(Tool::Known);
    tap(&mut app, 100.0, 100.0);
    assert!(!app.photo_view().marks.is_empty(), "the first tap shows");
    tap(&mut app, 200.0, 100.0);
    for digit in [2, 4] {
        app.pad_key(lidmark::app::overlay::PadKey::Digit(digit));
    }
    app.pad_keep();
    assert_eq!(app.photo_view().labels[0].text, "known 24 in");
    app.tap_tool(Tool::Measure);
    app.photo_pressed(50.0, 200.0);
    app.photo_dragged(200.0, 200.0);
    app.photo_released();
    // By hand: 24 in over 100 dp = 400 px; 150 dp = 600 px are 36 in. A tap's error is 6 dp = 24 px, that of reading the known
    // length 1 in (the set-up's reading error). Relative: (1/24)² + 2 (24/400)² + 2 (24/600)² = 0.0121361, its root 0.1101640;
    // 2 · 36 · 0.110164 = 7.93 in, rounded up to 8. In centimetres, 24 in being kept as 610 mm: 91.5 → 92, 20.16 → 21.
    let view = app.photo_view();
    assert_eq!(view.labels[1].text, "36 ± 8 in");
    assert!(!view.hint.is_empty(), "what the number is worth is said with it");
    app.choose_units(lidmark::domain::record::Units::Metric);
    assert_eq!(app.photo_view().labels[1].text, "92 ± 21 cm");
    app.choose_units(lidmark::domain::record::Units::UsCustomary);
    app.tap_tool(Tool::Arrow);
    app.photo_pressed(10.0, 60.0);
    app.photo_dragged(90.0, 90.0);
    app.photo_released();
    app.tap_tool(Tool::Circle);
    app.photo_pressed(200.0, 200.0);
    app.photo_dragged(230.0, 200.0);
    app.photo_released();
    assert_eq!(app.photo_line(0).unwrap().detail.split(" · ").last(), Some("4 marks"));
    app.tap_marks_off();
    assert!(app.photo_view().marks.is_empty());
    for left in (0..=4).rev() {
        app.undo();
        assert_eq!(app.photo_view().marks.len(), left);
        if left == 0 {
            break;
        }
    }
}
