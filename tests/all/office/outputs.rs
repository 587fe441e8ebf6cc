//! What a command writes never takes the place of what must not be lost, and a book that may not be written is read.

use super::{Desk, TODAY};
use std::fs::Permissions;
use std::os::unix::fs::{FileTypeExt, MetadataExt, PermissionsExt, symlink};
use std::path::Path;
use std::process::{Command, Output};

fn bytes(desk: &Desk, name: &str) -> Vec<u8> {
    std::fs::read(desk.path(name)).unwrap()
}

/// Asks for a refusal that leaves every file of the desk as it was.
fn refused_and_untouched(desk: &Desk, arguments: &[&str]) -> String {
    let before = crate::import::files_below(desk.folder.path());
    let output = desk.run(arguments);
    let wrong = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{arguments:?}: {wrong}");
    assert!(wrong.contains("Nothing was written."), "{arguments:?}: {wrong}");
    let after = crate::import::files_below(desk.folder.path());
    assert_eq!(
        before.keys().collect::<Vec<_>>(),
        after.keys().collect::<Vec<_>>(),
        "{arguments:?}"
    );
    assert!(before == after, "{arguments:?} changed a file");
    wrong
}

/// Every output option of every command, under every name the book goes by.
#[test]
fn no_output_takes_the_place_of_the_book() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    symlink("book.sqlite", desk.path("link")).unwrap();
    std::fs::hard_link(desk.path("book.sqlite"), desk.path("other-name")).unwrap();
    std::fs::create_dir_all(desk.path("sub")).unwrap();
    for book in ["book.sqlite", "./sub/../book.sqlite", "link", "other-name"] {
        for command in [
            &["due", "--csv", book][..],
            &["due", "--csv", "new.csv", "--ics", book],
            &["due", "--geojson", book],
            &["plan", "Weir House", "--day", "2026-12-01", "--out", book],
            &["records", "--csv", book],
            &["records", "--pdf", book],
            &["money", "--csv", book],
            &["office-key", "--png", book],
            &["read-csv", "customers.csv", "--rejects", book],
            &["read-csv", "customers.csv", "--dry-run", "--rejects", book],
        ] {
            refused_and_untouched(&desk, command);
        }
    }
    // In a folder whose letters have a file of the very name the book bears.
    std::fs::create_dir(desk.path("letters")).unwrap();
    std::fs::hard_link(desk.path("book.sqlite"), desk.path("letters/reminders-2026-02.pdf")).unwrap();
    refused_and_untouched(
        &desk,
        &[
            "remind",
            "--month",
            "2026-02",
            "--out",
            "letters",
            "--company",
            "x",
            "--company-phone",
            "5",
        ],
    );
    desk.done(&["doctor"]);
}

#[test]
fn no_output_takes_the_place_of_what_belongs_to_a_book_or_of_a_key() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    desk.done(&["backup", "copy.sqlite"]);
    desk.done(&["office-key"]);
    std::fs::create_dir_all(desk.path("photos/ab")).unwrap();
    std::fs::create_dir(desk.path("rules")).unwrap();
    desk.write("photos/ab/abc.jpg", b"a photo");
    desk.write("rules/own.txt", b"a rule");
    for place in [
        "book.sqlite-wal",
        "book.sqlite-shm",
        "book.sqlite-journal",
        "copy.sqlite",
        "copy.sqlite-wal",
        "photos/ab/abc.jpg",
        "photos/new.csv",
        "rules/own.txt",
        "office-key.txt",
    ] {
        refused_and_untouched(&desk, &["due", "--csv", place]);
    }
    for place in ["book.sqlite-wal", "photos/copy.sqlite"] {
        refused_and_untouched(&desk, &["backup", place]);
    }
    let before = bytes(&desk, "copy.sqlite");
    desk.refused(1, &["backup", "copy.sqlite"]);
    desk.refused(1, &["restore", "book.sqlite"]);
    assert!(before == bytes(&desk, "copy.sqlite"));
    // A key of its own that does not lie where keys lie.
    std::fs::copy(desk.path("office-key.txt"), desk.path("safe.txt")).unwrap();
    refused_and_untouched(&desk, &["money", "--csv", "safe.txt"]);
}

#[test]
fn no_output_takes_the_place_of_what_the_command_reads() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples/locate-lid.json");
    std::fs::copy(example, desk.path("lid.json")).unwrap();
    desk.write("pins.geojson", br#"{"type":"FeatureCollection","features":[]}"#);
    desk.write("map.toml", b"[columns]\nname = \"Customer\"\n");
    desk.write(
        "area.geojson",
        br#"{"type":"Polygon","coordinates":[[[-95,45],[-94,45],[-94,46],[-95,46],[-95,45]]]}"#,
    );
    desk.write("key.txt", b"# none yet\n");
    symlink("customers.csv", desk.path("same.csv")).unwrap();
    for command in [
        &["read-csv", "customers.csv", "--rejects", "customers.csv"][..],
        &["read-csv", "same.csv", "--rejects", "./customers.csv"],
        &[
            "read-csv",
            "customers.csv",
            "--map",
            "map.toml",
            "--rejects",
            "map.toml",
        ],
        &["due", "--area", "area.geojson", "--geojson", "area.geojson"],
        &[
            "plan",
            "--list",
            "customers-monday.txt",
            "--out",
            "customers-monday.txt",
        ],
        &["locate", "lid.json", "--pdf", "lid.json"],
        &["locate", "lid.json", "--geojson", "new.json", "--gpx", "./lid.json"],
        &[
            "locate",
            "lid.json",
            "--pins",
            "pins.geojson",
            "--geojson",
            "pins.geojson",
        ],
        &["office-key", "--file", "key.txt", "--png", "key.txt"],
    ] {
        refused_and_untouched(&desk, command);
    }
    assert!(
        desk.refused(2, &["due", "--csv", "a", "--ics", "./a"])
            .contains("two outputs")
    );
    assert!(!desk.path("a").exists());
    // What is nobody's is written over, as anybody would expect.
    desk.write("due.csv", b"old");
    desk.done(&["due", "--csv", "due.csv"]);
    assert!(desk.read("due.csv").starts_with("due_on,"));
    desk.done(&["due", "--csv", "customers.csv"]);
    assert!(desk.read("customers.csv").starts_with("due_on,"));
}

#[test]
fn a_link_is_followed_and_a_pipe_is_written_into() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let listed = desk.done(&["due", "--csv"]);
    desk.write("real.csv", b"old");
    std::fs::set_permissions(desk.path("real.csv"), Permissions::from_mode(0o640)).unwrap();
    symlink("real.csv", desk.path("link.csv")).unwrap();
    symlink("not-yet.csv", desk.path("dangling.csv")).unwrap();
    for (link, real) in [("link.csv", "real.csv"), ("dangling.csv", "not-yet.csv")] {
        desk.done(&["due", "--csv", link]);
        assert!(desk.path(link).is_symlink(), "{link} is no link any more");
        assert_eq!(desk.read(real), listed, "{real}");
    }
    let mode = std::fs::metadata(desk.path("real.csv")).unwrap().mode();
    assert_eq!(mode & 0o777, 0o640, "who may read it has changed");
    let pipe = desk.path("pipe");
    let status = Command::new("mkfifo").arg(&pipe).status();
    assert!(
        status.is_ok_and(|status| status.success()),
        "mkfifo (coreutils) is needed: nothing is known of pipes without it"
    );
    let reader = {
        let pipe = pipe.clone();
        std::thread::spawn(move || std::fs::read_to_string(pipe).unwrap())
    };
    desk.done(&["due", "--csv", "pipe"]);
    assert_eq!(reader.join().unwrap(), listed);
    assert!(
        std::fs::metadata(&pipe).unwrap().file_type().is_fifo(),
        "the pipe became a file"
    );
    // Standard output by its name: the list, and nothing else.
    assert_eq!(desk.done(&["due", "--csv", "/dev/stdout"]), listed);
    // What somebody else has under a name like that of an unfinished file stays.
    desk.write("due.csv.part", b"mine");
    desk.done(&["due", "--csv", "due.csv"]);
    assert_eq!(desk.read("due.csv.part"), "mine");
    std::fs::set_permissions(desk.path("due.csv"), Permissions::from_mode(0o444)).unwrap();
    desk.refused(4, &["due", "--csv", "due.csv"]);
    let left = std::fs::read_dir(desk.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name());
    let left = left.filter(|name| name.to_string_lossy().ends_with(".part")).count();
    assert_eq!(left, 1, "an unfinished file is left");
}

#[test]
fn an_empty_file_is_no_book() {
    let desk = Desk::with_customers();
    let empty = |name: &str| desk.path(name).metadata().unwrap().len() == 0;
    desk.write("book.sqlite", b"");
    for command in [
        &["due"][..],
        &["site", "x"],
        &["history", "x"],
        &["records"],
        &["money"],
        &["plan", "x"],
        &["doctor"],
        &["conflicts"],
        &["backup", "copy.sqlite"],
        &["remind", "--month", "2026-12", "--out", "l"],
    ] {
        let said = desk.refused(4, command);
        assert!(
            said.contains("There is no book in") && said.contains("nothing stands in it"),
            "{said}"
        );
        assert!(empty("book.sqlite"), "{command:?} wrote into it");
    }
    assert!(desk.done(&["phones"]).contains("No phone is trusted yet"));
    assert!(desk.refused(1, &["phones", "remove", "Rosa"]).contains("Rosa"));
    desk.done(&["read-csv", "customers.csv", "--dry-run"]);
    assert!(empty("book.sqlite"), "a trial wrote into it");
    desk.write("zero", b"");
    let database = rusqlite::Connection::open(desk.path("bare.sqlite")).unwrap();
    database.execute_batch("VACUUM").unwrap();
    drop(database);
    for wrong in ["zero", "bare.sqlite", "customers.csv"] {
        let said = desk.refused(1, &["--book", "new.sqlite", "restore", wrong]);
        assert!(said.contains("is not a book of this program"), "{said}");
        assert!(!desk.path("new.sqlite").exists());
    }
    desk.done(&["read-csv", "customers.csv"]);
    assert!(desk.done(&["due", "--month", "2026-12"]).contains("1 site"));
    // The place of an empty file may be taken; that of another program's database may not.
    desk.done(&["backup", "copy.sqlite"]);
    desk.done(&["--book", "zero", "restore", "copy.sqlite"]);
    assert!(
        desk.done(&["--book", "zero", "due", "--month", "2026-12"])
            .contains("1 site")
    );
    let before = std::fs::read(desk.path("bare.sqlite")).unwrap();
    let said = desk.refused(1, &["--book", "bare.sqlite", "restore", "copy.sqlite"]);
    assert!(said.contains("bare.sqlite is not a book of this program"), "{said}");
    assert!(before == std::fs::read(desk.path("bare.sqlite")).unwrap());
    desk.refused(4, &["--book", "bare.sqlite", "due"]);
    assert!(before == std::fs::read(desk.path("bare.sqlite")).unwrap());
}

/// Runs the command as somebody whom permissions bind: nobody, when the tests are run by root.
fn as_nobody(folder: &Path, arguments: &[&str]) -> Output {
    let is_root = std::fs::metadata("/proc/self").unwrap().uid() == 0;
    // The program is copied where anybody may run it: the folder it was built in may not be open to all.
    let program = folder.join("office");
    if !program.exists() {
        std::fs::copy(env!("CARGO_BIN_EXE_lidmark-office"), &program).unwrap();
        std::fs::set_permissions(&program, Permissions::from_mode(0o755)).unwrap();
    }
    let mut command = if is_root {
        let mut command = Command::new("setpriv");
        command
            .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
            .arg(&program);
        command
    } else {
        Command::new(&program)
    };
    command
        .args(arguments)
        .args(["--today", TODAY])
        .current_dir(folder)
        .output()
        .expect("setpriv (util-linux) is needed to be nobody: nothing is known of protected books without it")
}

#[test]
fn a_book_that_may_not_be_written_is_read_all_the_same() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let folder = desk.folder.path();
    let read = |name: &str| crate::import::files_below(&folder.join(name));
    let mode = |name: &str, mode: u32| std::fs::set_permissions(desk.path(name), Permissions::from_mode(mode)).unwrap();
    mode(".", 0o755);
    for name in ["closed", "open", "logged", "out"] {
        std::fs::create_dir(desk.path(name)).unwrap();
    }
    std::fs::copy(desk.path("book.sqlite"), desk.path("closed/b #1%.sqlite")).unwrap();
    std::fs::copy(desk.path("book.sqlite"), desk.path("open/b.sqlite")).unwrap();
    // The file is protected in one folder, the other folder itself; on `out` everybody may write.
    mode("open/b.sqlite", 0o444);
    mode("open", 0o777);
    mode("closed", 0o555);
    mode("out", 0o777);
    for (book, place) in [("closed/b #1%.sqlite", "closed"), ("open/b.sqlite", "open")] {
        let before = read(place);
        for command in [
            &["due"][..],
            &["site", "juniper"],
            &["history", "juniper"],
            &["records"],
            &["money"],
            &["conflicts"],
            &["phones"],
            &["doctor"],
            &["plan", "juniper", "--dry-run"],
            &["backup", &format!("out/{place}.sqlite")],
            &[
                "remind",
                "--month",
                "2026-02",
                "--out",
                "out",
                "--company",
                "x",
                "--company-phone",
                "5",
            ],
        ] {
            let output = as_nobody(folder, &[&["--book", book], command].concat());
            let said = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(0), "{command:?} {book}: {said}");
            assert!(before == read(place), "{command:?} left something beside {book}");
        }
        let output = as_nobody(folder, &["--book", book, "plan", "juniper"]);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{said}");
        assert!(said.contains("allows no writing"), "{said}");
        assert!(before == read(place));
    }
    let copied = desk.done(&["--book", "out/closed.sqlite", "due", "--month", "2026-12"]);
    assert!(copied.contains("Weir"), "{copied}");
    // With a log beside it: one sentence that says which file has to come along.
    let open = lidmark::store::Store::open(&desk.path("book.sqlite")).unwrap();
    std::fs::copy(desk.path("book.sqlite"), desk.path("logged/b.sqlite")).unwrap();
    std::fs::copy(desk.path("book.sqlite-wal"), desk.path("logged/b.sqlite-wal")).unwrap();
    open.close().unwrap();
    mode("logged", 0o555);
    let output = as_nobody(folder, &["--book", "logged/b.sqlite", "due"]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(4), "{said}");
    assert!(
        said.contains("b.sqlite-wal") && said.contains("allows no writing"),
        "{said}"
    );
    mode("logged", 0o755);
    mode("closed", 0o755);
}
