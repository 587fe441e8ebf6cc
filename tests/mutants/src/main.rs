//! Builds every change that cargo-mutants lists into one program, each behind a number given at its start, and asks of each
//! whether the tests notice it. Built one by one, they take hours; so, minutes.
//!
//! `lidmark-mutants CRATE LIST`: the crate as it is, and what `cargo mutants --list --json` says of it. In the crate's folder
//! it writes `outcome.json`, and `one-by-one.txt` with the places that cannot be switched (constants, `impl Iterator`, chains
//! with `let`), one regular expression for `cargo mutants --re`.

mod switch;

use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use switch::{Change, switched};

type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// What the crate is given to ask which change is switched on. With one on, the first panic ends the program: what is left of
/// the tests has nothing to add.
const ASKED: &str = r#"
/// The number of the change that is switched on.
#[inline]
pub fn changed() -> u32 {
    use std::sync::atomic::{AtomicU32, Ordering};
    static CHANGE: AtomicU32 = AtomicU32::new(u32::MAX);
    let known = CHANGE.load(Ordering::Relaxed);
    if known != u32::MAX {
        return known;
    }
    let asked = std::env::var("CHANGE").ok().and_then(|text| text.parse().ok());
    if asked.is_some() {
        std::panic::set_hook(Box::new(|_| std::process::exit(101)));
    }
    CHANGE.store(asked.unwrap_or(u32::MAX - 1), Ordering::Relaxed);
    CHANGE.load(Ordering::Relaxed)
}
"#;

/// Two tests ask the office command for more than the crate holds.
const LEFT_OUT: [&str; 2] = ["work::a_rule_set_of_ones_own", "work::bad_input_is_refused"];
/// The map of where a tank may be on hundreds of lots, the map by itself, and the order of a day's stops: what takes seconds, and
/// is asked only of changes to it.
const LOTS: &str = "probing::";
const MAP: &str = "domain::locate::probe::";
const ROUTE: &str = "domain::route";

fn main() -> Result<()> {
    let mut asked = std::env::args_os().skip(1);
    let (Some(folder), Some(list)) = (asked.next(), asked.next()) else {
        return Err("say which crate, and which list of changes".into());
    };
    let folder = PathBuf::from(folder).canonicalize()?;
    let listed: Vec<Value> = serde_json::from_str(&std::fs::read_to_string(list)?)?;
    let changes: Vec<Change> = listed
        .iter()
        .enumerate()
        .filter_map(|(at, each)| Change::of(at, each))
        .collect();

    let (built, refused) = build_in(&folder, &changes)?;
    println!(
        "{} changes: {} switched, {} do not compile",
        changes.len(),
        built.len(),
        refused.len()
    );
    let program = program(&folder)?;
    for none in ["", "4000000000"] {
        if run(&folder, &program, none, &[], 600)? != Outcome::Unnoticed {
            return Err("the tests do not pass without a change".into());
        }
    }

    let outcomes = try_all(&folder, &program, &changes, &built)?;
    let counted = |wanted| outcomes.iter().filter(|(_, outcome)| *outcome == wanted).count();
    println!(
        "{} tried, {} not noticed, {} never ended",
        outcomes.len(),
        counted(Outcome::Unnoticed),
        counted(Outcome::NeverEnded)
    );
    let told: Vec<Value> = outcomes
        .iter()
        .map(|(change, outcome)| json!({"change": change.name(), "outcome": format!("{outcome:?}")}))
        .collect();
    std::fs::write(folder.join("outcome.json"), serde_json::to_string_pretty(&told)?)?;
    let left: BTreeSet<String> = changes
        .iter()
        .filter(|change| !built.contains(&change.number) && !refused.contains(&change.number))
        .map(|change| regex::escape(&format!("{}:{}:{}:", change.file, change.line, change.column)))
        .collect();
    std::fs::write(
        folder.join("one-by-one.txt"),
        left.into_iter().collect::<Vec<_>>().join("|"),
    )?;
    Ok(())
}

/// Rewrites the crate until it compiles, leaving out what the compiler refuses.
///
/// * returns: the numbers built in, and those refused
fn build_in(folder: &Path, changes: &[Change]) -> Result<(BTreeSet<u32>, BTreeSet<u32>)> {
    let files: BTreeSet<&str> = changes.iter().map(|change| change.file.as_str()).collect();
    let mut originals = Vec::new();
    for file in files {
        originals.push((file, std::fs::read_to_string(folder.join(file))?));
    }
    let root = folder.join("src/lib.rs");
    let text = std::fs::read_to_string(&root)?;
    std::fs::write(&root, text + ASKED)?;
    let (mut refused, mut constant) = (BTreeSet::new(), BTreeSet::new());
    loop {
        let mut built = BTreeSet::new();
        for (file, original) in &originals {
            let of_file = changes
                .iter()
                .filter(|change| change.file == *file && !refused.contains(&change.number));
            let (text, numbers) = switched(original, &of_file.collect::<Vec<_>>(), &constant)?;
            built.extend(numbers);
            std::fs::write(folder.join(file), text)?;
        }
        let before = (refused.len(), constant.len());
        let errors = errors(folder)?;
        if errors.is_empty() {
            return Ok((built, refused));
        }
        for error in &errors {
            match function_wanted_constant(error) {
                Some(name) => drop(constant.insert(name)),
                None => refused.extend(numbers_at(folder, error)),
            }
        }
        if (refused.len(), constant.len()) == before {
            return Err(format!("cannot be made to compile: {}", errors[0]["message"]).into());
        }
    }
}

/// What the compiler has against the crate.
fn errors(folder: &Path) -> Result<Vec<Value>> {
    let said = Command::new("cargo")
        .args(["check", "--lib", "--tests", "--message-format=json"])
        .current_dir(folder)
        .stderr(Stdio::null())
        .output()?;
    Ok(String::from_utf8(said.stdout)?
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .filter(|each| each["reason"] == "compiler-message" && each["message"]["level"] == "error")
        .map(|mut each| each["message"].take())
        .collect())
}

/// The function that a constant calls, and that therefore must stay constant: nothing in it can be switched.
fn function_wanted_constant(error: &Value) -> Option<String> {
    if error["code"]["code"] != "E0015" {
        return None;
    }
    let quoted = error["message"].as_str()?.split('`').nth(1)?;
    let path = quoted.split("::<").next()?;
    Some(path.rsplit("::").next()?.to_owned())
}

/// The changes whose line an error points at, or the ones that begin nearest above it.
fn numbers_at(folder: &Path, error: &Value) -> Vec<u32> {
    let number = |text: &str| -> Vec<u32> {
        text.split(|c: char| !c.is_alphanumeric())
            .filter_map(|word| word.strip_suffix("u32")?.parse().ok())
            .collect()
    };
    let spans = error["spans"].as_array().map(Vec::as_slice).unwrap_or_default();
    let Some(span) = spans.iter().find(|span| span["is_primary"] == true) else {
        return Vec::new();
    };
    let (Some(file), Some(line), Some(column)) = (
        span["file_name"].as_str(),
        span["line_start"].as_u64(),
        span["column_start"].as_u64(),
    ) else {
        return Vec::new();
    };
    let Ok(text) = std::fs::read_to_string(folder.join(file)) else {
        return Vec::new();
    };
    let lines: Vec<&str> = text.lines().take(line as usize).collect();
    let Some((last, above)) = lines.split_last() else {
        return Vec::new();
    };
    let before: String = last.chars().take(column as usize - 1).collect();
    std::iter::once(before.as_str())
        .chain(above.iter().rev().copied())
        .map(number)
        .find(|numbers| !numbers.is_empty())
        .map(|numbers| numbers.last().copied().into_iter().collect())
        .unwrap_or_default()
}

/// Builds the tests and says where they are.
fn program(folder: &Path) -> Result<PathBuf> {
    let said = Command::new("cargo")
        .args(["test", "--lib", "--no-run", "--message-format=json"])
        .current_dir(folder)
        .stderr(Stdio::null())
        .output()?;
    String::from_utf8(said.stdout)?
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .find_map(|each| Some(PathBuf::from(each["executable"].as_str()?)))
        .ok_or_else(|| "the tests cannot be built".into())
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Outcome {
    Noticed,
    NeverEnded,
    Unnoticed,
}

/// Runs the tests but for those left out with one change switched on, within so many seconds and 3 GB.
fn run(folder: &Path, program: &Path, change: &str, left_out: &[&str], seconds: u32) -> Result<Outcome> {
    let mut command = Command::new("prlimit");
    command
        .arg("--as=3221225472")
        .arg("timeout")
        .arg(seconds.to_string())
        .arg(program);
    for test in LEFT_OUT.iter().chain(left_out) {
        command.args(["--skip", test]);
    }
    if !change.is_empty() {
        command.env("CHANGE", change);
    }
    let status = command
        .env("RUST_TEST_THREADS", "1")
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()?;
    Ok(match status.code() {
        Some(0) => Outcome::Unnoticed,
        Some(124) => Outcome::NeverEnded,
        _ => Outcome::Noticed,
    })
}

/// Tries each change, as many at a time as there are processors.
fn try_all<'a>(
    folder: &Path,
    program: &Path,
    changes: &'a [Change],
    built: &BTreeSet<u32>,
) -> Result<Vec<(&'a Change, Outcome)>> {
    let wanted: Vec<&Change> = changes.iter().filter(|change| built.contains(&change.number)).collect();
    let (next, outcomes) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let work = || -> std::result::Result<(), String> {
        while let Some(change) = wanted.get(next.fetch_add(1, Ordering::Relaxed)) {
            let number = change.number.to_string();
            let ask = |left_out: &[&str], seconds| {
                run(folder, program, &number, left_out, seconds).map_err(|error| error.to_string())
            };
            let outcome = if change.is_in("/route") {
                ask(&[LOTS, MAP], 20)?
            } else if change.is_in("/locate/") {
                match ask(&[LOTS, ROUTE], 20)? {
                    Outcome::Unnoticed => ask(&[ROUTE], 60)?,
                    noticed => noticed,
                }
            } else {
                ask(&[LOTS, MAP, ROUTE], 10)?
            };
            if outcome == Outcome::Unnoticed {
                println!("NOT NOTICED  {}", change.name());
            }
            outcomes
                .lock()
                .map_err(|error| error.to_string())?
                .push((*change, outcome));
        }
        Ok(())
    };
    std::thread::scope(|scope| {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let begun: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        begun
            .into_iter()
            .try_for_each(|thread| thread.join().map_err(|_| "a thread ended".to_owned())?)
    })?;
    let mut outcomes = outcomes.into_inner().map_err(|error| error.to_string())?;
    outcomes.sort_by_key(|(change, _)| change.number);
    Ok(outcomes)
}
