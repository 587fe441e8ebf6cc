//! A real process, killed at a random moment in the middle of a stop: what had been said to be kept is there.
//!
//! `LIDMARK_KILLS=50000 cargo test --test all killed` kills more often; `LIDMARK_SEED` repeats a run.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use lidmark::app::shell::App;

use crate::fixture::{Dice, agrees_with_log, app_at_a_stop, app_on, shown, taps};

/// Names the book, for the child.
const BOOK: &str = "LIDMARK_TEST_KILLED_BOOK";
/// Names the seed of the touches, for the child.
const SEED: &str = "LIDMARK_TEST_KILLED_SEED";
/// More touches than a child lives to make.
const TOUCHES: usize = 400;

/// One touch, which is one action, or two where undoing goes to another station first; the same seed makes the same touches.
fn touch(app: &mut App, dice: &mut Dice) {
    let number = dice.below(40);
    let line = match dice.below(24) {
        0..=3 => format!("go {}", dice.pick(&["find", "dig", "read", "pump", "leave"])),
        4 => format!("found {}", dice.pick(&["yes", "no"])),
        5 => format!("note {number} steps from the walnut, \"left\" of the señal"),
        6 => format!("cover {number}"),
        7 => "nudge cover +1".to_owned(),
        8 => "add lid".to_owned(),
        9 => format!("scum {}½", number / 4),
        10 | 11 => format!("sludge {number}"),
        12 => format!("level {}", number / 10),
        13 => "nudge sludge +1".to_owned(),
        14 => "probe".to_owned(),
        15 => format!("compartments {}", 1 + number % 3),
        16 => format!("size liquid {}", 30 + number),
        17 => format!("out {}", number * 50),
        18 => format!("heel {number}"),
        19 => format!("people {}", 1 + number % 9),
        20 => format!("closed {}", dice.pick(&["yes", "no"])),
        21 => "add tank".to_owned(),
        22 => format!("found-note {}", "The baffle was set back. ".repeat(number)),
        _ => {
            app.undo();
            return;
        }
    };
    // The cautions are read before the first lid is touched: a touch of its own.
    if !app.is_cautioned()
        && ["cover", "nudge cover", "add lid"]
            .iter()
            .any(|digs| line.starts_with(digs))
    {
        app.acknowledge_cautions();
        return;
    }
    taps(app, &line);
}

/// The child: touches, waits until it is kept, says so, and goes on until it is killed.
fn play(book: &Path, seed: u64) {
    let (mut app, _) = app_at_a_stop(book);
    let mut dice = Dice::new(seed);
    let mut out = std::io::stdout().lock();
    for kept in 0..=TOUCHES {
        if kept > 0 {
            touch(&mut app, &mut dice);
            app.session_mut().settle().unwrap();
            assert!(app.session().is_kept());
        }
        // Written past the test's own capture, in one piece, as soon as it is true.
        writeln!(out, "\nso far: {kept}").unwrap();
        out.flush().unwrap();
    }
    // Outliving the parent's patience is a failure the parent reports; wait to be killed.
    std::thread::sleep(Duration::from_mins(1));
}

fn begin(book: &Path, seed: u64) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "killed::a_stop_killed_at_any_moment_reopens_with_all_that_was_kept",
            "--nocapture",
        ])
        .env(BOOK, book)
        .env(SEED, seed.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn last_kept(lines: &str) -> Option<usize> {
    lines
        .lines()
        .filter_map(|line| line.strip_prefix("so far: ")?.parse().ok())
        .next_back()
}

/// What shows after the first `count` touches of a seed, made by an app nobody kills, once it is started again.
fn undisturbed(seed: u64, count: usize) -> String {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&book);
    let mut dice = Dice::new(seed);
    for _ in 0..count {
        touch(&mut app, &mut dice);
    }
    app.session_mut().settle().unwrap();
    drop(app);
    shown(&mut app_on(&book))
}

#[test]
fn a_stop_killed_at_any_moment_reopens_with_all_that_was_kept() {
    if let (Some(book), Ok(seed)) = (std::env::var_os(BOOK), std::env::var(SEED)) {
        play(Path::new(&book), seed.parse().unwrap());
        return;
    }
    // Each is compared with an app nobody kills, which costs more than the kill: the many kills are the test below.
    let kills = many(60).min(500);
    let first = first_seed();
    println!("repeat with: LIDMARK_SEED={first} LIDMARK_KILLS={kills} cargo test --test all killed -- --nocapture");
    let (mut total, mut one_more, mut furthest) = (0, 0, 0);
    for seed in first..first + kills {
        let folder = tempfile::tempdir().unwrap();
        let book = folder.path().join("book.sqlite");
        let mut child = begin(&book, seed);
        let mut from_child = BufReader::new(child.stdout.take().unwrap());
        let mut said = String::new();
        while last_kept(&said).is_none() {
            assert!(
                from_child.read_line(&mut said).unwrap() > 0,
                "seed {seed}: the child ended before it began: {said}"
            );
        }
        let mut dice = Dice::new(seed ^ 0xD1CE);
        std::thread::sleep(Duration::from_micros(dice.roll() % 150_000));
        // On Unix this is SIGKILL: nothing of the child's own runs any more.
        child.kill().unwrap();
        let status = child.wait().unwrap();
        from_child.read_to_string(&mut said).unwrap();
        assert!(!status.success(), "seed {seed}: the child ended by itself: {said}");
        let kept = last_kept(&said).unwrap();
        assert!(
            kept < TOUCHES,
            "seed {seed}: the child ran out of touches; make TOUCHES larger"
        );

        let mut app = app_on(&book);
        app.session().ask(|store| store.check()).unwrap();
        assert!(app.session().ask(|store| store.orphans()).unwrap().is_empty());
        let found = shown(&mut app);
        let expected = undisturbed(seed, kept);
        if found != expected {
            // The kill may have come between the commit and the word that it was made: one action more is no loss.
            let next = undisturbed(seed, kept + 1);
            // A touch that is made at another station goes there first, which is an action of its own.
            let (there, _) = next.split_once(") ").unwrap();
            let (_, rest) = expected.split_once(") ").unwrap();
            assert!(
                found == next || found == format!("{there}) {rest}"),
                "seed {seed}, {kept} touches said to be kept, which show\n{expected}\nthe next one shows\n{next}\nfound was\n{found}"
            );
            one_more += 1;
        }
        total += kept;
        furthest = furthest.max(kept);
    }
    println!(
        "{kills} kills after {total} touches said to be kept ({furthest} at the most): none missing, \
         one more there {one_more} times"
    );
    assert!(total > 0, "every child was killed before its first touch was kept");
}

fn many(usual: u64) -> u64 {
    std::env::var("LIDMARK_KILLS")
        .ok()
        .map_or(usual, |text| text.parse().unwrap())
}

fn first_seed() -> u64 {
    std::env::var("LIDMARK_SEED").ok().map_or_else(
        || std::time::UNIX_EPOCH.elapsed().unwrap().as_secs() * 1_000_000,
        |text| text.parse().unwrap(),
    )
}

// --- one book, killed again and again --------------------------------------------------------------

/// Names the book, for the child of the many kills.
const AGAIN: &str = "LIDMARK_TEST_KILLED_AGAIN";
/// How often one book is killed before a new one is begun.
const KILLS_A_BOOK: u64 = 50;

/// The child goes on with the stop it finds, and says after each touch how many actions are kept and where it stands.
fn go_on(book: &Path, seed: u64) {
    let mut app = app_on(book);
    let mut dice = Dice::new(seed);
    let mut out = std::io::stdout().lock();
    for kept in 0..=TOUCHES {
        if kept > 0 {
            touch(&mut app, &mut dice);
            app.session_mut().settle().unwrap();
            assert!(app.session().is_kept());
        }
        let lines = app.session().ask(|store| store.op_count()).unwrap();
        out.write_all(format!("\nkept {kept} {lines} {:?}\n", app.screen()).as_bytes())
            .unwrap();
        out.flush().unwrap();
    }
    std::thread::sleep(Duration::from_mins(1));
}

/// What one series of kills came to.
#[derive(Default)]
struct Tally {
    kills: u64,
    touches: usize,
    lines: i64,
    one_more: usize,
}

fn series(first: u64, kills: u64) -> Tally {
    let mut tally = Tally::default();
    let mut place = None;
    for seed in first..first + kills {
        if (seed - first).is_multiple_of(KILLS_A_BOOK) {
            let folder = tempfile::tempdir().unwrap();
            drop(app_at_a_stop(&folder.path().join("book.sqlite")));
            place = Some(folder);
        }
        let book = place.as_ref().unwrap().path().join("book.sqlite");
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "killed::one_book_killed_again_and_again_keeps_every_touch",
                "--nocapture",
            ])
            .env(AGAIN, &book)
            .env(SEED, seed.to_string())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut from_child = BufReader::new(child.stdout.take().unwrap());
        let mut said = String::new();
        let mut dice = Dice::new(seed ^ 0xD1CE);
        // One kill in four comes while the app is starting, when the log of the kill before is being taken up.
        let starting = dice.below(4) == 0;
        while !starting && !said.contains("\nkept ") {
            assert!(
                from_child.read_line(&mut said).unwrap() > 0,
                "seed {seed}: the child ended: {said}"
            );
        }
        std::thread::sleep(Duration::from_micros(dice.roll() % 40_000));
        child.kill().unwrap();
        let status = child.wait().unwrap();
        from_child.read_to_string(&mut said).unwrap();
        assert!(!status.success(), "seed {seed}: the child ended by itself: {said}");
        // A line cut off by the kill was never said.
        let whole = &said[..said.rfind('\n').map_or(0, |end| end + 1)];
        let last = whole.lines().filter_map(|line| line.strip_prefix("kept ")).next_back();

        let db = rusqlite::Connection::open(&book).unwrap();
        let verdict: String = db.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(verdict, "ok", "seed {seed}");
        agrees_with_log(&db).unwrap_or_else(|fault| panic!("seed {seed}: {fault}"));
        let lines: i64 = db.query_row("SELECT count(*) FROM op", [], |row| row.get(0)).unwrap();
        drop(db);
        assert!(
            lines >= tally.lines || (seed - first).is_multiple_of(KILLS_A_BOOK),
            "seed {seed}: the log is shorter"
        );
        tally.lines = lines;
        tally.kills += 1;
        let Some(last) = last else { continue };
        let mut words = last.splitn(3, ' ');
        let touches: usize = words.next().unwrap().parse().unwrap();
        let said_kept: i64 = words.next().unwrap().parse().unwrap();
        let screen = words.next().unwrap();
        tally.touches += touches;
        // Two, because undoing what was done at another station goes there first.
        assert!(
            (said_kept..=said_kept + 2).contains(&lines),
            "seed {seed}: {said_kept} actions were said to be kept, {lines} are there"
        );
        if lines == said_kept {
            // Started as a person starts it, the app stands where it stood.
            assert_eq!(format!("{:?}", app_on(&book).screen()), screen, "seed {seed}");
        } else {
            tally.one_more += 1;
        }
    }
    tally
}

#[test]
fn one_book_killed_again_and_again_keeps_every_touch() {
    if let (Some(book), Ok(seed)) = (std::env::var_os(AGAIN), std::env::var(SEED)) {
        go_on(Path::new(&book), seed.parse().unwrap());
        return;
    }
    let (kills, first) = (many(2000), first_seed());
    println!("repeat with: LIDMARK_SEED={first} LIDMARK_KILLS={kills} cargo test --test all killed -- --nocapture");
    let half = std::thread::spawn(move || series(first, kills / 2));
    let (one, two) = (series(first + kills, kills - kills / 2), half.join().unwrap());
    println!(
        "{} kills after {} touches said to be kept: none missing, one more there {} times",
        one.kills + two.kills,
        one.touches + two.touches,
        one.one_more + two.one_more
    );
    assert!(
        one.touches + two.touches > 0,
        "every child was killed before its first touch was kept"
    );
}
