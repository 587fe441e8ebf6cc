//! A photo taken in, against two programs that do the same, to the same size and as many bytes.

use std::hint::black_box;
use std::path::Path;
use std::process::{Command, Stdio};

use lidmark::exchange::photo::{decode_kept, prepare};

use crate::app::{CHILD, CHILD_BOOK};
use crate::report::{self, Unit, median, seconds};

/// What the child process is told to do.
pub const CHILD_PHOTO: &str = "photo";
/// The photo a 12 megapixel camera makes.
const SIZE: &str = "4000x3000";
const ROUNDS: usize = 21;

fn run(tool: &str, arguments: &[&str]) {
    let status = Command::new(tool)
        .args(arguments)
        .stdout(Stdio::null())
        .status()
        .unwrap_or_else(|error| panic!("`{tool}`: {error}; install the packages imagemagick, libvips-tools and time"));
    assert!(status.success(), "{tool} {arguments:?}");
}

/// The child: one picture file in, two files out, as the app does it; says how much memory it held at the most.
pub fn take_one() {
    let path = std::path::PathBuf::from(std::env::var_os(CHILD_BOOK).unwrap());
    let made = prepare(&std::fs::read(&path).unwrap(), false).unwrap();
    std::fs::write(path.with_extension("ours.jpg"), &made.jpeg).unwrap();
    std::fs::write(path.with_extension("ours.thumb.jpg"), &made.thumbnail).unwrap();
}

/// The most memory a program held, kilobytes, by GNU time.
fn most_held_kb(program: &str, arguments: &[&str], set: &[(&str, &Path)]) -> u64 {
    let mut command = Command::new("/usr/bin/time");
    command.args(["-f", "%M", program]).args(arguments);
    for (name, value) in set {
        command.env(name, value);
    }
    let done = command.output().expect("install the package time");
    assert!(done.status.success());
    let said = String::from_utf8_lossy(&done.stderr);
    said.lines().last().unwrap().trim().parse().unwrap()
}

#[allow(clippy::too_many_lines)] // one measurement, told from its beginning to its end
pub fn photos(folder: &Path) {
    let path = folder.join("camera.jpg");
    let name = path.to_str().unwrap();
    // Clouds of noise over a gradient with grain on top: made here, so that anyone can make it again.
    run(
        "convert",
        &[
            "-seed",
            "7",
            "-size",
            SIZE,
            "gradient:#335577-#eeccaa",
            "(",
            "-seed",
            "7",
            "-size",
            SIZE,
            "plasma:fractal",
            "-blur",
            "0x2",
            ")",
            "-compose",
            "overlay",
            "-composite",
            "-attenuate",
            "0.3",
            "+noise",
            "Gaussian",
            "-sampling-factor",
            "4:2:0",
            "-quality",
            "92",
            name,
        ],
    );
    let vips_out = path.with_extension("vips.jpg");
    let magick_out = path.with_extension("magick.jpg");
    let vips_to = format!("{}[Q=85,strip]", vips_out.display());
    let vips = ["--size", "1600x1600", "-o", vips_to.as_str(), name];
    let magick = [
        name,
        "-auto-orient",
        "-resize",
        "1600x1600",
        "-strip",
        "-sampling-factor",
        "4:2:0",
        "-quality",
        "85",
        magick_out.to_str().unwrap(),
    ];
    let own = std::env::current_exe().unwrap();
    let child = || {
        let status = Command::new(&own)
            .env(CHILD, CHILD_PHOTO)
            .env(CHILD_BOOK, &path)
            .status()
            .unwrap();
        assert!(status.success());
    };
    let bytes = std::fs::read(&path).unwrap();
    let (mut ours, mut inside, mut by_vips, mut by_magick) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let times = (
            seconds(child),
            seconds(|| {
                black_box(prepare(black_box(&bytes), false).unwrap());
            }),
            seconds(|| run("vipsthumbnail", &vips)),
            seconds(|| run("convert", &magick)),
        );
        if round >= 2 {
            ours.push(times.0);
            inside.push(times.1);
            by_vips.push(times.2);
            by_magick.push(times.3);
        }
    }
    let what = "a 12 MP photo taken in, thumbnail and hash included, one process each";
    let row = |what: &str, ours: &[f64], against: &str, least: &[f64], bar| {
        report::line(what, median(ours), Unit::Seconds, against, median(least), bar);
    };
    row(
        "the same inside the running app",
        &inside,
        "vipsthumbnail, the photo alone",
        &by_vips,
        None,
    );
    row(what, &ours, "ImageMagick, the photo alone", &by_magick, None);
    row(what, &ours, "vipsthumbnail, the photo alone", &by_vips, Some(1.0));
    let held = [
        most_held_kb(
            own.to_str().unwrap(),
            &[],
            &[(CHILD, Path::new(CHILD_PHOTO)), (CHILD_BOOK, &path)],
        ),
        most_held_kb("vipsthumbnail", &vips, &[]),
        most_held_kb("convert", &magick, &[]),
    ];
    let mb = |kb: u64| format!("{:.0} MB", kb as f64 / 1_024.0);
    report::note(&format!(
        "most memory held {}, vipsthumbnail {}, ImageMagick {}",
        mb(held[0]),
        mb(held[1]),
        mb(held[2])
    ));
    likeness("the same photo", &path);
    for (name, scene) in SCENES {
        let path = folder.join(format!("{name}.jpg"));
        let mut arguments = scene.to_vec();
        arguments.extend(["-type", "TrueColor", "-sampling-factor", "4:2:0", "-quality", "92"]);
        arguments.push(path.to_str().unwrap());
        run("convert", &arguments);
        likeness(name, &path);
    }
}

/// Scenes with edges, letters, flat ground and fibres, as a stop has them; made here, so that anyone can make them again.
const SCENES: [(&str, &[&str]); 3] = [
    (
        "a lid with letters on it",
        &[
            "-seed",
            "3",
            "-size",
            SIZE,
            "plasma:olive-darkgreen",
            "-blur",
            "0x3",
            "-fill",
            "#9a968c",
            "-draw",
            "circle 2000,1500 2900,1500",
            "-stroke",
            "#333",
            "-strokewidth",
            "12",
            "-fill",
            "none",
            "-draw",
            "circle 2000,1500 2900,1500",
            "-draw",
            "line 1200,1900 2700,1000",
            "-stroke",
            "none",
            "-pointsize",
            "90",
            "-fill",
            "black",
            "-annotate",
            "+1500+1500",
            "TANK LID 24 IN",
            "-attenuate",
            "0.05",
            "+noise",
            "Gaussian",
        ],
    ),
    (
        "a yard under the sky",
        &[
            "-seed",
            "8",
            "-size",
            SIZE,
            "gradient:skyblue-white",
            "(",
            "-seed",
            "9",
            "-size",
            SIZE,
            "plasma:tan-sienna",
            "-blur",
            "0x6",
            "-crop",
            "4000x1500+0+1500",
            "+repage",
            ")",
            "-gravity",
            "south",
            "-compose",
            "over",
            "-composite",
            "-fill",
            "none",
            "-stroke",
            "black",
            "-strokewidth",
            "4",
            "-draw",
            "line 200,1500 900,400 line 900,400 1700,1500 line 300,2000 3800,2300 line 300,2040 3800,2340",
            "-attenuate",
            "0.05",
            "+noise",
            "Gaussian",
        ],
    ),
    (
        "grass",
        &[
            "-seed",
            "5",
            "-size",
            "1000x750",
            "xc:gray50",
            "+noise",
            "Random",
            "-channel",
            "G",
            "-separate",
            "+channel",
            "-motion-blur",
            "0x9+70",
            "-normalize",
            "-resize",
            SIZE,
            "-colorspace",
            "sRGB",
            "-fill",
            "#708040",
            "-tint",
            "60",
            "-attenuate",
            "0.04",
            "+noise",
            "Gaussian",
        ],
    ),
];

/// Prints how like each program's small picture is to a lossless Lanczos reduction by `ImageMagick`; 1 is the same picture.
fn likeness(name: &str, path: &Path) {
    let to = |end: &str| path.with_extension(end);
    let (ours, vips_out, magick_out) = (to("ours.jpg"), to("vips.jpg"), to("magick.jpg"));
    std::fs::write(&ours, prepare(&std::fs::read(path).unwrap(), false).unwrap().jpeg).unwrap();
    let from = path.to_str().unwrap();
    run(
        "vipsthumbnail",
        &[
            "--size",
            "1600x1600",
            "-o",
            &format!("{}[Q=85,strip]", vips_out.display()),
            from,
        ],
    );
    let magick = [
        "-resize",
        "1600x1600",
        "-strip",
        "-sampling-factor",
        "4:2:0",
        "-quality",
        "85",
    ];
    run(
        "convert",
        &[&[from], magick.as_slice(), &[magick_out.to_str().unwrap()]].concat(),
    );
    let reference = path.with_extension("reference.png");
    run(
        "convert",
        &[
            from,
            "-filter",
            "Lanczos",
            "-resize",
            "1600x1600",
            "-depth",
            "8",
            reference.to_str().unwrap(),
        ],
    );
    let reference = image::open(&reference).unwrap().to_luma8();
    let alike = |file: &Path| {
        let picture = image::DynamicImage::ImageRgb8(decode_kept(&std::fs::read(file).unwrap()).unwrap()).to_luma8();
        image_compare::gray_similarity_structure(&image_compare::Algorithm::MSSIMSimple, &picture, &reference)
            .unwrap()
            .score
    };
    let size_kb = |file: &Path| std::fs::metadata(file).unwrap().len() / 1_000;
    let files = [ours, vips_out, magick_out];
    let said = files
        .iter()
        .map(|file| format!("SSIM {:.4}, {} kB", alike(file), size_kb(file)))
        .collect::<Vec<_>>();
    report::note(&format!(
        "likeness to a lossless Lanczos reduction, {name}: {}; vipsthumbnail {}; ImageMagick {}",
        said[0], said[1], said[2]
    ));
}
