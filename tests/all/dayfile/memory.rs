//! A day of 200 stops and 1,000 photos is written, sealed and read in memory that does not grow with it.

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

use lidmark::exchange::dayfile::Digest;
use lidmark::exchange::dayfile::read::{Trust, open};
use lidmark::exchange::dayfile::seal::{OfficeSecret, seal};
use lidmark::exchange::dayfile::write::{Blob, Media, Order, write};
use lidmark::store::carry::Place;

use super::book::{Book, PHONE, at, day, photo};
use super::key;

const CHILD: &str = "LIDMARK_TEST_MEMORY_PHOTOS";
const STOPS: i64 = 200;
const PHOTOS: usize = 1_000;
/// A small photo; what matters is how many there are, and the file is a hundred times the memory allowed.
const PHOTO_BYTES: usize = 100_000;

/// The most memory this process has ever held, kB (proc(5), `VmHWM`).
fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// A photo of its own: the same picture with a remark (JPEG, ITU-T T.81, B.2.4.5: marker FFFE, length, text).
fn with_remark(jpeg: &[u8], number: usize) -> Vec<u8> {
    let remark = format!("invented photo {number:06}");
    let length = u16::try_from(remark.len() + 2).unwrap().to_be_bytes();
    [&jpeg[..2], &[0xff, 0xfe], &length, remark.as_bytes(), &jpeg[2..]].concat()
}

fn play(photos: usize) {
    let mut book = Book::empty();
    for number in 0..STOPS {
        let site = book.site(&format!("Site {number}"), at(15, 9));
        book.stop(site, 17, number);
    }
    let folder = book.path.parent().unwrap().to_owned();
    let place = |blob: &Blob| -> PathBuf { folder.join(blob.sha256.to_string()) };
    let (_, jpeg) = photo(5, PHOTO_BYTES);
    image::load_from_memory(&with_remark(&jpeg, 1)).unwrap();
    let blobs = (0..photos)
        .map(|number| {
            let bytes = with_remark(&jpeg, number);
            let blob = Blob {
                sha256: Digest::of(&bytes),
                bytes: bytes.len() as u64,
                media: Media::Jpeg,
            };
            std::fs::write(place(&blob), bytes).unwrap();
            blob
        })
        .collect::<Vec<_>>();
    drop(jpeg);
    let before = peak_kb();
    let carry = book.store.carry(day(17), true).unwrap();
    let key = key();
    let order = Order {
        phone: PHONE,
        truck: "",
        day: day(17),
        partial: false,
        place: &Place {
            sequence: 1,
            follows: None,
        },
        created_at: at(17, 18),
        carry: &carry,
        key: Some(&key),
        blobs: &blobs,
    };
    let path = folder.join("day.lidmark");
    let opened = |blob: &Blob| -> std::io::Result<Box<dyn Read>> { Ok(Box::new(File::open(place(blob))?)) };
    let (manifest, mut out) = write(
        &book.store,
        &order,
        &opened,
        BufWriter::new(File::create(&path).unwrap()),
    )
    .unwrap();
    out.flush().unwrap();
    let office = OfficeSecret::generate();
    let sealed = path.with_extension("sealed");
    let mut sealing = seal(&office.public(), BufWriter::new(File::create(&sealed).unwrap())).unwrap();
    std::io::copy(&mut File::open(&path).unwrap(), &mut sealing).unwrap();
    sealing.finish().unwrap().flush().unwrap();
    let read = |path: &Path| {
        let file = open(File::open(path).unwrap(), std::slice::from_ref(&office), Trust::Anyone).unwrap();
        let fields = file.stamped().map(Result::unwrap).count();
        let mut photos = 0;
        for part in file.blobs().filter(|part| part.name.starts_with("photos/")) {
            std::io::copy(&mut file.open_part(&part.name).unwrap(), &mut std::io::sink()).unwrap();
            photos += 1;
        }
        (fields, photos)
    };
    let plain = read(&path);
    assert_eq!(plain, read(&sealed));
    assert_eq!(plain.1, photos);
    let parts: u64 = manifest.parts.iter().map(|part| part.bytes).sum();
    let size = std::fs::metadata(&path).unwrap().len();
    println!("\nmeasured: {} {} {parts} {size}", peak_kb() - before, peak_kb());
}

fn measured(photos: usize) -> [u64; 4] {
    let out = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "dayfile::memory::a_thousand_photos_take_no_more_memory_than_ten",
            "--nocapture",
        ])
        .env(CHILD, photos.to_string())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    let line = said
        .lines()
        .find_map(|line| line.strip_prefix("measured: "))
        .unwrap_or_else(|| panic!("{said}{}", String::from_utf8_lossy(&out.stderr)));
    let list = line.split(' ').map(|word| word.parse().unwrap()).collect::<Vec<u64>>();
    list.try_into().unwrap()
}

#[cfg(target_os = "linux")]
#[test]
fn a_thousand_photos_take_no_more_memory_than_ten() {
    if let Ok(photos) = std::env::var(CHILD) {
        play(photos.parse().unwrap());
        return;
    }
    let [few_more, few, _, _] = measured(10);
    let [many_more, many, parts, size] = measured(PHOTOS);
    println!(
        "{STOPS} stops: peak {few} kB with 10 photos ({few_more} kB for the file), {many} kB with {PHOTOS} ({many_more} kB); \
         parts {parts} bytes, file {size} bytes"
    );
    // The list of photos itself is held: some hundred bytes each, in the order and in the manifest.
    assert!(many < few + 8 * 1024, "{few} kB, then {many} kB");
    assert!(many_more < 48 * 1024, "{many_more} kB for the file");
    // Photos do not pack; what else there is packs well; the directory takes about 250 bytes a photo.
    assert!(size < parts, "{size} bytes for {parts}");
}
