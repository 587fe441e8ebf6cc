//! What came of fuzzing stays: every kept input goes the way its fuzz target sends it, and the largest input of each
//! kind takes memory and time that are bounded.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use crate::entries::{ALL, the_sound_file_is_taken_in};

/// Names what the child does.
const CHILD: &str = "LIDMARK_TEST_HOSTILE";

#[test]
fn every_kept_input_is_answered() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus");
    let mut kept = 0;
    for (name, entry) in ALL {
        let folder = corpus.join(name);
        let inputs = std::fs::read_dir(&folder)
            .unwrap_or_else(|error| panic!("{} holds nothing that was kept: {error}", folder.display()));
        for input in inputs {
            let path = input.unwrap().path();
            let bytes = std::fs::read(&path).unwrap();
            let done = std::panic::catch_unwind(|| entry(&bytes));
            assert!(done.is_ok(), "{} is not answered", path.display());
            kept += 1;
        }
    }
    assert!(kept >= 100, "only {kept} inputs are kept");
    // A folder nobody reads would look like a target that was tried.
    for folder in std::fs::read_dir(&corpus).unwrap() {
        let name = folder.unwrap().file_name();
        assert!(
            ALL.iter().any(|(target, _)| name == *target),
            "no target is called {}",
            name.display()
        );
    }
}

#[test]
fn what_the_faults_are_made_in_is_sound() {
    the_sound_file_is_taken_in();
}

/// An input of about so many bytes, as dense as its form allows: many small things, or one thing deep in another.
fn dense(shape: &str, bytes: usize) -> Vec<u8> {
    let fill = |head: &str, each: &str, tail: &str| {
        let times = bytes.saturating_sub(head.len() + tail.len()) / each.len();
        [head, &each.repeat(times), tail].concat().into_bytes()
    };
    match shape {
        "gpx places" => fill(
            "<gpx version=\"1.1\" creator=\"\">",
            "<wpt lat=\"0\" lon=\"0\"/>",
            "</gpx>",
        ),
        "gpx track" => fill(
            "<gpx version=\"1.1\" creator=\"\"><trk><trkseg>",
            "<trkpt lat=\"0\" lon=\"0\"/>",
            "</trkseg></trk></gpx>",
        ),
        "gpx nodes" => fill(
            "<gpx version=\"1.1\" creator=\"\"><extensions>",
            "<a/>",
            "</extensions></gpx>",
        ),
        "gpx depth" => fill("<gpx version=\"1.1\" creator=\"\"><extensions>", "<a>", ""),
        "gpx attributes" => {
            let mut text = "<gpx version=\"1.1\" creator=\"\"".to_owned();
            let mut number = 0;
            while text.len() < bytes {
                write!(text, " a{number}=\"\"").unwrap();
                number += 1;
            }
            (text + "/>").into_bytes()
        }
        "gpx entities" => fill(
            "<!DOCTYPE gpx [<!ENTITY a \"aaaaaaaaaa\">]><gpx version=\"1.1\" creator=\"\"><metadata><name>",
            "&a;",
            "</name></metadata></gpx>",
        ),
        "geojson points" => fill("{\"type\":\"MultiPoint\",\"coordinates\":[[0,0]", ",[0,0]", "]}"),
        "geojson numbers" => fill("{\"type\":\"Point\",\"coordinates\":[0,0", ",0", "]}"),
        "geojson depth" | "plan depth" | "work depth" => vec![b'['; bytes],
        "geojson features" => fill(
            "{\"type\":\"FeatureCollection\",\"features\":[{\"type\":\"Feature\",\"geometry\":null,\"properties\":null}",
            ",{\"type\":\"Feature\",\"geometry\":null,\"properties\":null}",
            "]}",
        ),
        "geojson collections" => {
            let head = "{\"type\":\"GeometryCollection\",\"geometries\":[";
            head.repeat(bytes / head.len()).into_bytes()
        }
        "nmea one line" => vec![b'$'; bytes],
        "nmea noise" => fill("", "$GPGGA,1,2*00\r\n", ""),
        "plan nulls" => fill("{\"format\":\"lidmark-plan\",\"version\":1,\"records\":[0", ",0", "]}"),
        "plan values" => {
            let plan = String::from_utf8(kept("planfile/plan.json")).unwrap();
            let (head, tail) = plan.split_once("\"value\":\"dog\"").unwrap();
            fill(&format!("{head}\"value\":[0"), ",0", &format!("]{tail}"))
        }
        "plan fields" => {
            let plan = String::from_utf8(kept("planfile/plan.json")).unwrap();
            let (head, tail) = plan.split_once("\"note\":").unwrap();
            let mut text = head.to_owned();
            let mut number = 0;
            while text.len() < bytes {
                write!(text, "\"{number}\":{{\"value\":0,\"at\":null}},").unwrap();
                number += 1;
            }
            (text + "\"note\":" + tail).into_bytes()
        }
        "rules tables" => fill("", "[[a]]\n", ""),
        "rules depth" => fill("a=", "[", ""),
        "rules keys" => fill("a", ".a", "=1"),
        "list cells" => fill("Name,Address\n", ",", "\n"),
        "list rows" => fill("Name,Address\n", "a\n", ""),
        "list quote" => fill("Name,Address\n\"", "a,\n", ""),
        "work readings" => fill("{\"tanks\":[{}", ",{}", "]}"),
        "locate shots" => fill("{\"ties\":[{}", ",{}", "]}"),
        "diagnose signs" => fill("{\"signs\":[\"\"", ",\"\"", "]}"),
        "photo remarks" => {
            // Markers of a JPEG (ITU-T T.81, B.1.1): a start, and remarks of no content.
            let mut picture = vec![0xff, 0xd8];
            picture.extend([0xff, 0xfe, 0x00, 0x02].repeat(bytes / 4));
            picture
        }
        "photo chunks" => {
            // A PNG (W3C PNG, 5.2 and 5.3): the signature and chunks of no content.
            let mut picture = b"\x89PNG\r\n\x1a\n".to_vec();
            picture.extend(b"\0\0\0\0teXt\0\0\0\0".repeat(bytes / 12));
            picture
        }
        other => panic!("no shape is called {other}"),
    }
}

fn kept(name: &str) -> Vec<u8> {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus");
    std::fs::read(corpus.join(name)).unwrap()
}

/// Which target each shape is for.
const SHAPES: [(&str, &str); 30] = [
    ("gpx places", "gpx"),
    ("gpx track", "gpx"),
    ("gpx nodes", "gpx"),
    ("gpx depth", "gpx"),
    ("gpx attributes", "gpx"),
    ("gpx entities", "gpx"),
    ("geojson points", "geojson"),
    ("geojson numbers", "geojson"),
    ("geojson depth", "geojson"),
    ("geojson features", "geojson"),
    ("geojson collections", "geojson"),
    ("nmea one line", "nmea"),
    ("nmea noise", "nmea"),
    ("plan nulls", "planfile"),
    ("plan values", "planfile"),
    ("plan fields", "planfile"),
    ("plan depth", "planfile"),
    ("rules tables", "rulefile"),
    ("rules depth", "rulefile"),
    ("rules keys", "rulefile"),
    ("list cells", "list"),
    ("list rows", "list"),
    ("list quote", "list"),
    ("work readings", "work"),
    ("work depth", "work"),
    ("locate shots", "locate"),
    ("diagnose signs", "diagnose"),
    ("photo remarks", "photo"),
    ("photo chunks", "photo"),
    ("photo chunks", "dayfile"),
];

/// The most memory this process has ever held, kB (proc(5), `VmHWM`).
fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Processor time this process has used, in ticks of 10 ms (proc(5), `stat`, fields 14 and 15).
fn ticks() -> u64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields = stat.rsplit_once(')').unwrap().1.split_whitespace().collect::<Vec<_>>();
    fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
}

/// The child: one shape of one size; says how much memory and time it took more than making the input.
fn answer(order: &str) {
    let [target, shape, bytes] = order.split('/').collect::<Vec<_>>()[..] else {
        panic!("{order}");
    };
    let (_, entry) = ALL.iter().find(|(name, _)| *name == target).unwrap();
    let input = dense(shape, bytes.parse().unwrap());
    let (memory, time) = (peak_kb(), ticks());
    entry(&input);
    println!("\ntook: {} {}", peak_kb() - memory, ticks() - time);
}

/// Memory in kB and time in ticks that a shape of a size takes, in a process of its own.
fn cost(shape: &str, target: &str, bytes: usize) -> (u64, u64) {
    let out = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "hostile::the_largest_input_takes_bounded_memory_and_time",
            "--nocapture",
        ])
        .env(CHILD, format!("{target}/{shape}/{bytes}"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    let complaint = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.success(),
        "{shape}, {bytes} bytes: {}\n{complaint}",
        out.status
    );
    let line = said.lines().find_map(|line| line.strip_prefix("took: ")).unwrap();
    let (memory, time) = line.split_once(' ').unwrap();
    (memory.parse().unwrap(), time.parse().unwrap())
}

/// No input of any kind takes more than this much memory beside itself, MiB: what a small phone has left for one app.
const MOST_MIB: u64 = 256;

/// Larger than anything that is read from a phone's or customer's file.
const LARGEST: usize = 65 << 20;

#[cfg(target_os = "linux")]
#[test]
fn the_largest_input_takes_bounded_memory_and_time() {
    if let Ok(order) = std::env::var(CHILD) {
        answer(&order);
        return;
    }
    let mut wrong = Vec::new();
    for (shape, target) in SHAPES {
        let costs = [1 << 18, 1 << 20, 2 << 20, LARGEST].map(|bytes| cost(shape, target, bytes));
        for ((memory, time), bytes) in costs.iter().zip(["256 kB", "1 MB", "2 MB", "65 MB"]) {
            println!("{shape}: {bytes} take {} MiB and {time} ticks", memory >> 10);
        }
        let dearest = costs.iter().map(|(memory, _)| memory >> 10).max().unwrap();
        // Four times as much takes four times as long; sixteen times would be the square. Less than a fifth of a second
        // says nothing.
        if costs[1].1 > 10 * costs[0].1.max(20) {
            wrong.push(format!("{shape}: {} ticks, then {}", costs[0].1, costs[1].1));
        }
        if dearest > MOST_MIB {
            wrong.push(format!("{shape}: {dearest} MiB"));
        }
    }
    assert!(wrong.is_empty(), "too much memory or time: {wrong:#?}");
}
