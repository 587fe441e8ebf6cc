//! Every word on the screens has its Spanish, says the same with the same values, and is used.
//!
//! The check goes the safe way round: it does not look for texts that are shown, it takes every text in the screens'
//! code for one that is shown, unless it is listed here as not for reading. So a new text cannot be forgotten, whatever
//! function it goes through. A list here that no longer fits the code fails too.

use chrono::NaiveDate;
use lidmark::app::dig::lid_title;
use lidmark::domain::record::{Language, Units};
use lidmark::say::figures::Figures;
use lidmark::say::words::{SPANISH_PO, Words};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Files of `src/app` that word nothing for the screens: every text arrives finished, or is a tap of the demo.
const WORDLESS: &[&str] = &[
    "card.rs",
    "demo.rs",
    "lettering.rs",
    "paper.rs",
    "section.rs",
    "shapes.rs",
    "yard_taps.rs",
    "waste_page.rs",
];

/// Texts of `src/app` that nobody reads in the language of the screens, file by file.
const NOT_READ: &[(&str, &[&str])] = &[
    // Codes and names that are the same in both languages.
    ("bind.rs", &["en", "es", "Lidmark "]),
    (
        "door.rs",
        &["en-US", "es-US", "Lidmark", "{stem}.pdf", "{stem}.png", "stop"],
    ),
    (
        "figures.rs",
        &[
            "in",
            "pulg",
            "cm",
            "gal",
            "{:.1} mi",
            "{:.1} km",
            "%B de %Y",
            "%-d de %B de %Y",
            "%A %-d de %B",
        ],
    ),
    // Endings and fixed names of files in the inbox, and what is told to whoever reads a fault report.
    (
        "photo_work.rs",
        &[
            "json",
            "{id}.picture",
            "{id}.json",
            "write the file",
            "waiting",
            "Wishes",
        ],
    ),
    (
        "photos.rs",
        &["PictureSource", "camera", "camera data", "part", "{}.jpg"],
    ),
    // Names of files and folders, and what is told to whoever reads a fault report.
    (
        "wipe.rs",
        &["camera", "cloud", "cut off", "day-files", "inbox", "out", "phone.key"],
    ),
    (
        "safe_copy.rs",
        &[
            "lidmark-copy.age",
            "book-part",
            "part",
            "book.sqlite",
            "photos/{name}/{file}",
            "sealed",
            "key",
            "there is no key in it",
            "the end of it is missing",
        ],
    ),
    (
        "cloud_copy.rs",
        &["cloud", "cloud-part", "cloud.key", "book.age", "key.age", "folder"],
    ),
    // Media types, ends of file names, and what is told to whoever reads a fault report.
    (
        "device.rs",
        &[
            "application/geo+json",
            "application/gpx+xml",
            "application/octet-stream",
            "application/pdf",
            "image/jpeg",
            "text/csv",
            "csv",
            "geojson",
            "gpx",
            "pdf",
            "Device",
            "there",
        ],
    ),
    // A label of a change that has no Undo to show it; what a screen shows of a clock; numbers of their own.
    ("prices.rs", &["prices"]),
    (
        "gauge.rs",
        &[
            "{hours}:{minutes:02}:{rest:02}",
            "{minutes:02}:{rest:02}",
            "{} in",
            "{:.1} cm",
        ],
    ),
    ("work.rs", &["{sign}{}.{:03}"]),
    ("plan.rs", &["inbox"]),
    ("session.rs", &["general", "Session", "setup", "pending"]),
    (
        "setup.rs",
        &[
            "Lidmark",
            "MIT",
            "Slint",
            "Slint Royalty-free Desktop, Mobile, and Web Applications License 2.0",
            "Atkinson Hyperlegible Next",
            "SIL Open Font License 1.1",
            "SQLite",
            "Rust crates",
            "CC BY 4.0, doi 10.5281/zenodo.20795917",
            // Labels kept with a change of the set-up, which has no Undo to show them.
            "language",
            "units",
            "colours",
            "set-up",
        ],
    ),
    ("site.rs", &["English", "Español", "site facts"]),
    // Lid names as they are kept in the book; `dig::lid_title` words them.
    ("dig.rs", &["inlet", "outlet", "middle", "other"]),
    // Lid names again, and labels of changes that Undo leaves alone.
    ("stop.rs", &["inlet", "outlet", "stop planned", "stop begun", "station"]),
    ("day.rs", &["new site"]),
    // Keys of what is kept as JSON, labels of changes that have no Undo, ends of file names, codes of languages.
    ("close_day.rs", &["load", "field", "day closed"]),
    (
        "disposal.rs",
        &[
            "amount received",
            "disposal",
            "disposal method",
            "disposal place",
            "when it was let out",
        ],
    ),
    ("load.rs", &["pdf", "csv"]),
    ("hauled.rs", &["en-US", "es-US"]),
    ("truck.rs", &["truck", "disposal place", "let out", "load corrected"]),
    ("shell.rs", &["first start"]),
    // Names of files, and units that are the same in both languages.
    (
        "send.rs",
        &[
            ".unfinished",
            ".sealed{UNFINISHED}",
            "day-files",
            "phone.key",
            "{} kB",
            "{} MB",
        ],
    ),
    ("overlay.rs", &["rule set"]),
    // Parts of clause ids.
    ("read.rs", &["depth", "top"]),
    ("plan_files.rs", &["pdf", "geojson", "gpx", "{stem}-plan.{}", "part"]),
    ("drawing.rs", &["1:{}", "{} m"]),
    (
        "plan_sheet.rs",
        &["Lidmark", "en-US", "es-US", "± {error_m:.1} m", "± {:.0} cm"],
    ),
    // The kinds of source as they are typed, and names for programmers.
    ("find_plan.rs", &["gpx", "geojson"]),
    ("position.rs", &["OpenSource", "live", "PositionState", "state", "here"]),
];

/// Texts of the screens' own files that are the same in both languages.
const SAME_IN_BOTH: &[&str] = &["English", "Español", "Lidmark"];

/// A text in quotes, with the code before it on the same statement.
#[derive(Debug, PartialEq, Eq)]
struct Quoted {
    line: usize,
    before: String,
    text: String,
    /// The first letter of the code after it.
    after: Option<char>,
}

/// Finds the texts in quotes, outside comments, attributes and letters in single quotes.
fn quoted(code: &str) -> Vec<Quoted> {
    let letters = code.chars().collect::<Vec<_>>();
    let (mut at, mut line, mut depth_of_attribute) = (0, 1, 0_usize);
    let mut before = String::new();
    let mut found: Vec<Quoted> = Vec::new();
    let starts = |at: usize, text: &str| text.chars().enumerate().all(|(i, c)| letters.get(at + i) == Some(&c));
    while at < letters.len() {
        let letter = letters[at];
        if letter == '\n' {
            line += 1;
        }
        if starts(at, "//") {
            while at < letters.len() && letters[at] != '\n' {
                at += 1;
            }
        } else if starts(at, "/*") {
            while at < letters.len() && !starts(at, "*/") {
                line += usize::from(letters[at] == '\n');
                at += 1;
            }
            at += 2;
        } else if letter == '\'' && letters.get(at + 1) == Some(&'\\') {
            at += 3;
            while at < letters.len() && letters[at] != '\'' {
                at += 1;
            }
            at += 1;
        } else if letter == '\'' && letters.get(at + 2) == Some(&'\'') {
            at += 3;
        } else if letter == '"' {
            let (text, length) = read_quoted(&letters[at..], before.ends_with('r'));
            if depth_of_attribute == 0 {
                found.push(Quoted {
                    line,
                    before: before.trim_end().to_owned(),
                    text,
                    after: None,
                });
            }
            line += letters[at..at + length].iter().filter(|c| **c == '\n').count();
            at += length;
            before.push_str("\"\"");
        } else {
            if starts(at, "#[") || starts(at, "#![") || (depth_of_attribute > 0 && letter == '[') {
                depth_of_attribute += usize::from(depth_of_attribute == 0 || letter == '[');
                at += usize::from(letter == '#' && starts(at, "#[")) + 2 * usize::from(starts(at, "#!["));
            } else if depth_of_attribute > 0 && letter == ']' {
                depth_of_attribute -= 1;
            }
            if !letter.is_whitespace()
                && let Some(last) = found.last_mut()
                && last.after.is_none()
            {
                last.after = Some(letter);
            }
            before.push(letter);
            at += 1;
        }
    }
    found
}

/// Reads one text in quotes and returns how many letters of the code it takes.
fn read_quoted(letters: &[char], raw: bool) -> (String, usize) {
    let mut text = String::new();
    let mut at = 1;
    while at < letters.len() && letters[at] != '"' {
        if raw || letters[at] != '\\' {
            text.push(letters[at]);
            at += 1;
            continue;
        }
        match letters.get(at + 1) {
            // The line goes on below: the break and the blanks before it are no part of the text.
            Some('\n') => {
                at += 2;
                while letters.get(at).is_some_and(|c| c.is_whitespace()) {
                    at += 1;
                }
            }
            Some('n') => {
                text.push('\n');
                at += 2;
            }
            Some('{') => {
                text.push_str("{}");
                while at < letters.len() && letters[at] != '}' {
                    at += 1;
                }
                at += 1;
            }
            Some(other) => {
                text.push(*other);
                at += 2;
            }
            None => at += 1,
        }
    }
    (text, at + 1)
}

/// Whether a text holds a word: two letters in a row outside `{…}` and outside the codes of a date.
fn holds_a_word(text: &str) -> bool {
    let (mut in_braces, mut in_code, mut run) = (false, false, 0);
    for c in text.chars() {
        match c {
            '{' => in_braces = true,
            '}' => in_braces = false,
            '%' => in_code = true,
            _ if in_braces => {}
            '-' if in_code => {}
            _ if in_code => in_code = false,
            c if c.is_alphabetic() => {
                run += 1;
                if run == 2 {
                    return true;
                }
                continue;
            }
            _ => {}
        }
        run = 0;
    }
    false
}

/// Whether a letter can be one of a drawn path: its commands and numbers.
fn is_of_a_path(c: char) -> bool {
    "MLHVCQAZ. -".contains(c) || c.is_ascii_digit()
}

/// The places a text leaves open, sorted: `{}`, `{0}` …
fn places(text: &str) -> Vec<String> {
    let mut found = text
        .split('{')
        .skip(1)
        .filter_map(|rest| rest.split_once('}'))
        .map(|(inside, _)| inside.to_owned())
        .collect::<Vec<_>>();
    found.sort();
    found
}

/// Leaves the tests out.
fn without_tests(code: &str) -> String {
    let mut kept = String::new();
    let mut rest = code;
    while let Some((head, tail)) = rest.split_once("#[cfg(test)]") {
        kept.push_str(head);
        // A module of tests in this file is the end of it; one in a file of its own is only named here.
        let Some(end) = tail.find(['{', ';']) else { return kept };
        if tail[end..].starts_with('{') {
            return kept;
        }
        rest = &tail[end + 1..];
    }
    kept + rest
}

fn files_below(folder: &str, ending: &str) -> Vec<PathBuf> {
    let mut waiting = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)];
    let mut found = Vec::new();
    while let Some(path) = waiting.pop() {
        if path.is_dir() {
            waiting.extend(std::fs::read_dir(&path).unwrap().map(|entry| entry.unwrap().path()));
        } else if path.extension().is_some_and(|own| own == ending) {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

/// Everything the program may say, with where it says it.
#[derive(Default)]
struct Said {
    /// Texts that need a translation.
    wanted: BTreeMap<String, String>,
    /// Texts that may be one; an entry of the catalogue that is not among them is not used.
    all: BTreeSet<String>,
    /// What does not fit the lists above.
    complaints: Vec<String>,
}

impl Said {
    fn rust(&mut self, file: &str, code: &str) {
        let code = without_tests(code);
        if WORDLESS.contains(&file) {
            for call in ["words.t(", "words.f(", "words.n("] {
                if code.contains(call) {
                    self.complaints
                        .push(format!("{file} is listed as wordless and calls {call}…)"));
                }
            }
            return;
        }
        let not_read = NOT_READ
            .iter()
            .filter(|(own, _)| *own == file)
            .flat_map(|(_, texts)| texts.iter().copied())
            .collect::<BTreeSet<_>>();
        let found = quoted(&code);
        for text in &not_read {
            if !found.iter().any(|quoted| quoted.text == *text) {
                self.complaints
                    .push(format!("{file} is listed to hold \"{text}\" and does not"));
            }
        }
        for Quoted { line, before, text, .. } in found {
            if ["include_str!(", "include_bytes!(", "env!("]
                .iter()
                .any(|call| before.ends_with(call))
            {
                continue;
            }
            let named = places(&text)
                .iter()
                .any(|place| !place.chars().all(|c| c.is_ascii_digit()));
            if holds_a_word(&text) && !not_read.contains(text.as_str()) && !named {
                self.wanted
                    .entry(text.clone())
                    .or_insert_with(|| format!("{file}:{line}"));
            } else if holds_a_word(&text) && !not_read.contains(text.as_str()) {
                self.complaints.push(format!(
                    "{file}:{line}: \"{text}\" words something by format!; use words.f"
                ));
            }
            self.all.insert(text);
        }
    }

    /// The office's files hold keys, statements and heads of tables too: what goes through the catalogue is what is said.
    fn office(&mut self, file: &str, code: &str) {
        for Quoted { line, before, text, .. } in quoted(&without_tests(code)) {
            // Where a call goes over several lines is no matter.
            let before: String = before.split_whitespace().collect();
            let says = ["words.t(", "words.f(", "words.n(", "words.n(\"\",", "say("]
                .iter()
                .any(|call| before.ends_with(call));
            if says {
                self.wanted
                    .entry(text.clone())
                    .or_insert_with(|| format!("office/{file}:{line}"));
                self.all.insert(text);
            }
        }
    }

    fn slint(&mut self, file: &str, code: &str) {
        for Quoted {
            line,
            before,
            text,
            after,
        } in quoted(code)
        {
            if before.ends_with("@tr(") {
                if !matches!(after, Some(',' | ')')) {
                    self.complaints.push(format!(
                        "{file}:{line}: \"{text}\": only the plain form of @tr is checked here"
                    ));
                }
                self.wanted
                    .entry(text.clone())
                    .or_insert_with(|| format!("{file}:{line}"));
                self.all.insert(text);
            } else if holds_a_word(&text)
                && !text.chars().all(is_of_a_path)
                && !SAME_IN_BOTH.contains(&text.as_str())
                && !["from", "import", "@image-url("]
                    .iter()
                    .any(|word| before.ends_with(word))
            {
                self.complaints
                    .push(format!("{file}:{line}: \"{text}\" stands outside @tr"));
            }
        }
    }

    fn everything() -> Self {
        let mut said = Self::default();
        for path in files_below("src/app", "rs")
            .into_iter()
            .chain(files_below("src/say", "rs"))
        {
            if path.file_name().is_none_or(|name| name != "tests.rs") {
                said.rust(&name_of(&path), &std::fs::read_to_string(&path).unwrap());
            }
        }
        for path in files_below("src/office", "rs") {
            said.office(&name_of(&path), &std::fs::read_to_string(&path).unwrap());
        }
        for folder in ["ui/screens", "ui/components"] {
            for path in files_below(folder, "slint") {
                said.slint(&name_of(&path), &std::fs::read_to_string(&path).unwrap());
            }
        }
        let window = Path::new(env!("CARGO_MANIFEST_DIR")).join("ui/app.slint");
        said.slint("app.slint", &std::fs::read_to_string(window).unwrap());
        said
    }

    /// Holds the catalogue against what is said.
    fn complaints(mut self, po: &str) -> Vec<String> {
        let catalogue = polib::po_file::parse_from_reader(po.as_bytes()).unwrap();
        let mut entries = BTreeMap::new();
        for message in catalogue.messages() {
            let (id, text) = (
                message.msgid().to_owned(),
                message.msgstr().unwrap_or_default().to_owned(),
            );
            if message.is_fuzzy() {
                self.complaints.push(format!("\"{id}\" is marked as unsure"));
            }
            if entries.insert(id.clone(), text).is_some() {
                self.complaints.push(format!("\"{id}\" stands twice"));
            }
        }
        // A reader of the catalogue may drop a second entry in silence.
        let stand = po.lines().filter(|line| line.starts_with("msgid \"")).count() - 1;
        if stand != entries.len() {
            self.complaints.push(format!(
                "{stand} entries stand in the catalogue, {} are read: one stands twice",
                entries.len()
            ));
        }
        for (text, place) in &self.wanted {
            if entries.get(text).is_none_or(|spanish| spanish.trim().is_empty()) {
                self.complaints.push(format!("{place}: no Spanish for \"{text}\""));
            }
        }
        for (text, spanish) in &entries {
            if !self.all.contains(text) {
                self.complaints.push(format!("nothing says \"{text}\""));
            }
            if places(text) != places(spanish) {
                self.complaints
                    .push(format!("\"{text}\" and \"{spanish}\" leave different places open"));
            }
            let ends = |text: &str| text.chars().next_back().filter(|c| ".:?!".contains(*c));
            if ends(text) != ends(spanish) {
                self.complaints
                    .push(format!("\"{text}\" and \"{spanish}\" end differently"));
            }
        }
        self.complaints
    }
}

#[test]
fn every_text_has_its_spanish_and_every_entry_is_used() {
    let said = Said::everything();
    // Fewer would mean that the files were not read.
    assert!(said.wanted.len() > 400, "only {} texts found", said.wanted.len());
    let complaints = said.complaints(SPANISH_PO);
    assert!(
        complaints.is_empty(),
        "{} complaints:\n{}",
        complaints.len(),
        complaints.join("\n")
    );
}

#[test]
fn planted_faults_are_found() {
    let sound = "msgid \"\"\nmsgstr \"Language: es\\n\"\n\nmsgid \"{0} lids\"\nmsgstr \"{0} tapas\"\n\nmsgid \"Tank\"\nmsgstr \"Tanque\"\n";
    let complaints = |code: &str, screen: &str, po: &str| {
        let mut said = Said::default();
        said.rust("new.rs", code);
        said.slint("new.slint", screen);
        said.complaints(po)
    };
    let code = "fn f() { words.f(\"{0} lids\", &[]); }";
    let screen = "Text { text: @tr(\"Tank\"); }";
    assert_eq!(complaints(code, screen, sound), [""; 0]);
    for (code, screen, po, complaint) in [
        (
            "f(\"{0} lids\", \"Lid\")".to_owned(),
            screen,
            sound.to_owned(),
            "new.rs:1: no Spanish for \"Lid\"",
        ),
        (
            code.to_owned(),
            screen,
            sound.replace("{0} tapas", "tapas"),
            "\"{0} lids\" and \"tapas\" leave different places open",
        ),
        (
            code.to_owned(),
            screen,
            sound.replace("\"Tanque\"", "\"\""),
            "new.slint:1: no Spanish for \"Tank\"",
        ),
        (code.to_owned(), "", sound.to_owned(), "nothing says \"Tank\""),
        (
            code.to_owned(),
            "T { a: @tr(\"Tank\"); b: \"Lid\"; }",
            sound.to_owned(),
            "new.slint:1: \"Lid\" stands outside @tr",
        ),
        (
            format!("{code}\nx(format!(\"{{a}} lids\"))"),
            screen,
            sound.to_owned(),
            "new.rs:2: \"{a} lids\" words something by format!; use words.f",
        ),
        (
            code.to_owned(),
            screen,
            format!("{sound}\nmsgid \"Tank\"\nmsgstr \"Fosa\"\n"),
            "stands twice",
        ),
    ] {
        let found = complaints(&code, screen, &po);
        assert!(
            found.iter().any(|found| found.contains(complaint)),
            "{complaint}: {found:?}"
        );
    }
}

#[test]
fn texts_are_told_from_code() {
    let code = "// \"no\"\n#[error(\"no [no] {0}\")]\nlet a: &'a str = \"one \\\"two\\\" \\\n   three\"; /* \"no\" */ let c = '\"';\nf('\\'', \"four\")\n#[cfg(test)]\nmod tests { \"no\" }";
    let found = quoted(&without_tests(code));
    let texts = found
        .iter()
        .map(|quoted| (quoted.line, quoted.text.as_str()))
        .collect::<Vec<_>>();
    assert_eq!(texts, [(3, "one \"two\" three"), (5, "four")]);
    for (text, word) in [
        ("%Y-%m-%d", false),
        ("%B de %Y", true),
        ("M{x:.1} {y:.1}V", false),
        ("{stem}.pdf", true),
        ("#14201B", false),
        ("no", true),
    ] {
        assert_eq!(holds_a_word(text), word, "{text}");
    }
}

/// Numbers inside Spanish sentences; the forms are plain Spanish grammar, the cases the ones a card shows.
#[test]
fn numbers_read_as_spanish() {
    let figures = Figures {
        units: Units::UsCustomary,
        words: Words::new(Language::Spanish),
    };
    let words = figures.words;
    let day = |year, month| NaiveDate::from_ymd_opt(year, month, 15).unwrap();
    assert_eq!(figures.month(day(2027, 12)), "diciembre de 2027");
    for ((year, month), text) in [
        ((2027, 12), "1 año 5 meses"),
        ((2028, 8), "2 años 1 mes"),
        ((2028, 7), "2 años"),
        ((2026, 8), "1 mes"),
        ((2026, 7), "menos de un mes"),
    ] {
        assert_eq!(figures.years_months(day(2026, 7), day(year, month)), text);
    }
    assert_eq!(
        words.f("{0} from today", &[&figures.years_months(day(2026, 7), day(2027, 12))]),
        "dentro de 1 año 5 meses"
    );
    assert_eq!([figures.years(1.0), figures.years(2.5)], ["1 año", "2.5 años"]);
    assert_eq!(
        [figures.people(10), figures.people(30), figures.people(25)],
        ["1 persona", "3 personas", "2.5 personas"]
    );
    assert_eq!([figures.mm(356), figures.mm(-13)], ["14 pulg", "−½ pulg"]);
    assert_eq!(
        [words.n("{0} lid", "{0} lids", 1), words.n("{0} lid", "{0} lids", 2)],
        ["1 tapa", "2 tapas"]
    );
    assert_eq!(
        words.f("Look in by {0}.", &[&figures.month(day(2027, 12))]),
        "Revisar a más tardar en diciembre de 2027."
    );
    for (name, title) in [
        ("inlet", "tapa de entrada"),
        ("outlet", "tapa de salida"),
        ("other", "otra tapa"),
        ("norte", "tapa norte"),
    ] {
        assert_eq!(lid_title(name, words), title);
    }
}

/// The list of trade words in the documentation says what the screens say.
#[test]
fn the_list_of_trade_words_is_the_one_in_use() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/words.md");
    let document = std::fs::read_to_string(path).unwrap();
    let (_, list) = document.split_once("| English | Spanish |\n|---|---|\n").unwrap();
    let catalogue = polib::po_file::parse_from_reader(SPANISH_PO.as_bytes()).unwrap();
    let mut rows = 0;
    for row in list.lines().take_while(|line| line.starts_with('|')) {
        let cells = row.split('|').map(str::trim).collect::<Vec<_>>();
        let (english, spanish) = (cells[1].to_lowercase(), cells[2].to_lowercase());
        assert!(
            catalogue.messages().any(|message| {
                message.msgid().to_lowercase().contains(&english)
                    && message.msgstr().unwrap_or_default().to_lowercase().contains(&spanish)
            }),
            "no text says {english} as {spanish}"
        );
        rows += 1;
    }
    assert!(rows > 20, "only {rows} rows found");
}
