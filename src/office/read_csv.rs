//! `read-csv`: a customer list of someone's own becomes a book.

use super::context::{Call, Office, toml_fault};
use super::estimate;
use super::files::{Kept, write_file};
use super::sheet::{Cell, Sheet};
use super::{Answer, Refusal};
use crate::domain::record::{
    Compartment, CompartmentId, FieldChange, Lid, LidId, Op, ShapeKind, Site, SiteId, Tank, TankId, Visit, changes,
};
use crate::exchange::customer_list::{self, CustomerList, DateOrder, ListError, ListRow, Mapping, Reason, folded};
use crate::exchange::dayfile::manifest::MANIFEST;
use crate::say::words::Words;
use serde_json::json;
use std::collections::HashSet;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// What was asked of `read-csv`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// The list; `-` reads standard input.
    pub file: PathBuf,
    /// The mapping file.
    pub map: Option<PathBuf>,
    /// Only say what would be done.
    pub dry_run: bool,
    /// Where refused rows are written.
    pub rejects: Option<PathBuf>,
    /// The sign between the cells, over detection.
    pub delimiter: Option<char>,
    /// The encoding, over detection.
    pub encoding: Option<String>,
    /// The order of day and month.
    pub dates: DateOrder,
    /// Print only which rows were refused.
    pub quiet: bool,
}

/// What came of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Outcome {
    added: usize,
    known: usize,
    dated: usize,
    worked_out: usize,
}

/// Reads a customer list into the book: every row that can be taken, in one transaction, and every other row into a file
/// with its line and its reason.
///
/// # Errors
/// What was refused, and what to do; then nothing of the list is in the book.
pub fn run(call: &Call, asked: &Asked, mut stdin: impl Read) -> Result<Answer, Refusal> {
    let words = call.words();
    let kept = Kept::of_book(&call.book);
    let bytes = kept.read(&asked.file, &mut stdin, words)?;
    if is_day_file(&bytes) {
        return Err(Refusal::refused(
            words.f(
                "{0} is a day file of a phone, not a customer list.",
                &[&asked.file.display().to_string()],
            ),
            words.t("Take it in with: lidmark-office import FILE"),
        ));
    }
    let mut mapping = match &asked.map {
        Some(path) => mapping(path, &kept, words)?,
        None => Mapping::default(),
    };
    mapping.delimiter = asked.delimiter.or(mapping.delimiter);
    mapping.encoding = asked.encoding.clone().or(mapping.encoding);
    if asked.dates != DateOrder::Unsaid {
        mapping.dates = asked.dates;
    }
    let list = customer_list::read(&bytes, &mapping, call.now.date_naive())
        .map_err(|error| cannot_read(&asked.file, &error, words))?;
    let rejects = asked.rejects.clone().unwrap_or_else(|| beside(&asked.file));
    kept.allow([rejects.as_path()], words)?;
    // A trial where there is no book yet makes none.
    let trial = (asked.dry_run && !call.has_book()).then(|| Trial::new(call));
    let on = trial.as_ref().map_or(call, |trial| &trial.call);
    let command = |office: &mut Office| {
        office.rules = call.rules();
        let (outcome, changes) = take(office, &list)?;
        // The refused rows first: a list must not be half lost because they could not be written.
        let mut earlier = Earlier::None;
        if list.refused.is_empty() {
            earlier = Earlier::clear(&rejects);
        } else {
            write_file(
                &rejects,
                refused(&list, office.words()).csv().as_bytes(),
                &kept,
                office.words(),
            )?;
        }
        if !asked.dry_run && !changes.is_empty() {
            let op = Op {
                id: office.new_id(),
                stop: None,
                at: office.now,
                label: "customer list read".to_owned(),
                undoable: false,
                changes,
            };
            office.store.keep(&op).map_err(|error| office.refuse(&error))?;
        }
        let mut answer = Answer::from(report(office, &list, outcome, (&rejects, earlier), asked));
        if list.rows.is_empty() && !list.refused.is_empty() {
            let words = office.words();
            answer.refusals.push(Refusal::refused(
                words.t("Every row was refused: nobody was taken in."),
                words.f(
                    "Correct the rows by the reasons in {0} and run it again.",
                    &[&rejects.display().to_string()],
                ),
            ));
        }
        Ok(answer)
    };
    if asked.dry_run && trial.is_none() {
        on.on_book(command)
    } else {
        on.on_any_book(command)
    }
}

/// What became of the file with the refused rows of an earlier run, when this one has refused none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Earlier {
    /// There was none.
    None,
    /// It was taken away.
    Gone,
    /// It lies there: it is not recognisably one of ours, or could not be taken away.
    Left,
}

impl Earlier {
    fn clear(path: &Path) -> Self {
        let mut head = Vec::new();
        let is_file = std::fs::symlink_metadata(path).is_ok_and(|data| data.is_file());
        let read = File::open(path).and_then(|file| file.take(OURS.len() as u64).read_to_end(&mut head));
        if !path.exists() {
            Self::None
        } else if is_file && read.is_ok() && head == OURS && std::fs::remove_file(path).is_ok() {
            Self::Gone
        } else {
            Self::Left
        }
    }
}

/// How a file with refused rows begins: see [`refused`].
const OURS: &[u8] = b"line,reason,";

/// Whether it is a phone's day file, sealed or not: a zip that begins with its manifest (docs/dayfile.md).
fn is_day_file(bytes: &[u8]) -> bool {
    // APPNOTE.TXT 4.3.7: the name of the first entry stands 30 bytes behind the beginning.
    let is_zip = bytes.starts_with(b"PK\x03\x04");
    let has_manifest = bytes
        .get(30..)
        .is_some_and(|rest| rest.starts_with(MANIFEST.as_bytes()));
    is_zip && has_manifest || bytes.starts_with(b"age-encryption.org/")
}

/// A call on an empty book in a folder that goes away again.
struct Trial {
    call: Call,
    folder: PathBuf,
}

impl Trial {
    fn new(call: &Call) -> Self {
        let folder = std::env::temp_dir().join(format!("lidmark-trial-{}", Uuid::now_v7()));
        let call = Call {
            book: folder.join("book.sqlite"),
            ..call.clone()
        };
        Self { call, folder }
    }
}

impl Drop for Trial {
    fn drop(&mut self) {
        // What cannot be taken away from the folder of temporary files, the system takes away.
        drop(std::fs::remove_dir_all(&self.folder));
    }
}

fn mapping(path: &Path, kept: &Kept, words: Words) -> Result<Mapping, Refusal> {
    let bytes = kept.read(path, &mut std::io::empty(), words)?;
    let text = String::from_utf8_lossy(&bytes);
    toml::from_str(&text).map_err(|error| {
        Refusal::refused(
            words.f(
                "The mapping {0} cannot be read: {1}",
                &[&path.display().to_string(), &toml_fault(&text, &error, words)],
            ),
            words.t("Correct that line; the form is in docs/office.md."),
        )
    })
}

/// The refused rows of `list.csv` go into `list-rejected.csv` beside it.
fn beside(file: &Path) -> PathBuf {
    if file.as_os_str() == "-" {
        return PathBuf::from("rejected.csv");
    }
    let stem = file.file_stem().unwrap_or_default().to_string_lossy();
    file.with_file_name(format!("{stem}-rejected.csv"))
}

fn cannot_read(path: &Path, error: &ListError, words: Words) -> Refusal {
    let file = path.display().to_string();
    let (what, remedy) = match error {
        ListError::Empty => (
            words.f("{0} is empty.", &[&file]),
            words.t("Export the list again and look into it."),
        ),
        ListError::Sheet => (
            words.f("{0} is a file of a spreadsheet program, not a list as text.", &[&file]),
            words.t("Open it there, save it as CSV, and give that file."),
        ),
        ListError::TooManyCells => (
            words.f(
                "{0} has more than {1} cells or {2} lines.",
                &[
                    &file,
                    &customer_list::MOST_CELLS.to_string(),
                    &customer_list::MOST_LINES.to_string(),
                ],
            ),
            words.t("Split it and give the parts one after the other."),
        ),
        ListError::UnknownEncoding(name) => (
            words.f("No encoding is called {0}.", &[name]),
            words.t("Use a name such as utf-8, windows-1252 or utf-16le."),
        ),
        ListError::NotText(name) => (
            words.f("{0} is not valid {1} text.", &[&file, name]),
            words.t("Name the encoding with --encoding, or export the list as CSV again."),
        ),
        ListError::NoHeads(first) => (
            words.f(
                "No column of {0} says whose tank it is; it begins: {1}",
                &[&file, first],
            ),
            words.t("Give the columns heads such as name, customer, address, or name them in a mapping file (--map)."),
        ),
        ListError::NoSuchColumn(head) => (
            words.f(
                "The mapping names the column \"{0}\", which the list does not have.",
                &[head],
            ),
            words.t("Copy the head of the column as it stands in the list."),
        ),
        ListError::TwoColumns(one, other, field) => (
            words.f("The columns \"{0}\" and \"{1}\" both say: {2}.", &[one, other, field]),
            words.t("Say in a mapping file (--map) which one counts, or both."),
        ),
    };
    Refusal::refused(what, remedy)
}

/// Makes the records of every row that is not in the book yet.
fn take(office: &Office, list: &CustomerList) -> Result<(Outcome, Vec<FieldChange>), Refusal> {
    let key =
        |name: &str, address: &str, town: &str| format!("{}\n{}\n{}", folded(name), folded(address), folded(town));
    let known = office.store.site_names().map_err(|error| office.refuse(&error))?;
    let taken = known.iter().map(|site| site.id).collect::<HashSet<_>>();
    let names = known
        .iter()
        .map(|site| key(&site.name, &site.address, &site.town))
        .collect::<HashSet<_>>();
    let sets = estimate::rule_sets(office)?;
    let (mut sites, mut tanks, mut compartments, mut lids) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut outcome = Outcome::default();
    for row in &list.rows {
        if taken.contains(&SiteId(row.id)) || names.contains(&key(&row.name, &row.address, &row.town)) {
            outcome.known += 1;
            continue;
        }
        let mut visit = site_of(row);
        if row.due.is_some() {
            outcome.dated += 1;
        } else if let Some(due) = estimate::due_without_stops(office, &sets, &visit) {
            visit.site.due_on = Some(due);
            outcome.worked_out += 1;
        }
        outcome.added += 1;
        sites.push(visit.site);
        tanks.extend(visit.tanks);
        compartments.extend(visit.compartments);
        lids.extend(visit.lids);
    }
    let mut list = changes(&[], &sites);
    list.extend(changes(&[], &tanks));
    list.extend(changes(&[], &compartments));
    list.extend(changes(&[], &lids));
    Ok((outcome, list))
}

/// The site of a row, with its tank when the list knows of one. Every id comes from the row's own.
fn site_of(row: &ListRow) -> Visit {
    let part = |name: &str| Uuid::new_v5(&row.id, name.as_bytes());
    let site = Site {
        id: SiteId(row.id),
        name: row.name.clone(),
        address: row.address.clone(),
        town: row.town.clone(),
        customer: row.customer.clone(),
        phone: row.phone.clone(),
        language: row.language,
        residents_tenths: row.residents_tenths,
        grinder: row.grinder,
        permit_on: row.permit,
        lat_e7: row.position_e7.map(|(lat, _)| lat),
        lon_e7: row.position_e7.map(|(_, lon)| lon),
        note: row.note.clone(),
        due_on: row.due,
        ..Site::default()
    };
    let mut visit = Visit {
        site,
        ..Visit::default()
    };
    if row.tank_ml.is_some() || row.last_pumped.is_some() {
        let tank = TankId(part("tank"));
        visit.tanks.push(Tank {
            id: tank,
            site: SiteId(row.id),
            last_emptied: row.last_pumped,
            ..Tank::default()
        });
        visit.compartments.push(Compartment {
            id: CompartmentId(part("compartment")),
            tank,
            shape: ShapeKind::Nominal,
            nominal_ml: row.tank_ml,
            ..Compartment::default()
        });
        // The two lids every tank is begun with on the phone.
        for (place, name) in [(0, "inlet"), (1, "outlet")] {
            visit.lids.push(Lid {
                id: LidId(part(name)),
                tank,
                place,
                name: name.to_owned(),
                ..Lid::default()
            });
        }
    }
    visit
}

/// Words a reason.
fn why(reason: &Reason, words: Words) -> String {
    match reason {
        Reason::Nobody => words.t("No name, customer or address: nobody could find the place."),
        Reason::Total => words.t("A sum of the list, not a customer."),
        Reason::TooManyCells(heads, cells) => words.f(
            "{1} cells where there are {0} columns: perhaps a comma without quotes.",
            &[&heads.to_string(), &cells.to_string()],
        ),
        Reason::SameAs(line) => words.f("The same as line {0}.", &[&line.to_string()]),
        Reason::Contradicts(line) => words.f(
            "Line {0} names the same site with other facts: keep one of them.",
            &[&line.to_string()],
        ),
        Reason::AmbiguousDate(text) => words.f(
            "\"{0}\" could be two days: write it as YYYY-MM-DD, or say the order with --dates mdy or --dates dmy.",
            &[text],
        ),
        Reason::ShortYear(text) => words.f("\"{0}\": write the year with four digits.", &[text]),
        Reason::DayNumber(text) => words.f(
            "\"{0}\" is a day as a spreadsheet counts it: give the column the form of a date there, and export it again.",
            &[text],
        ),
        Reason::NotADate(text) => words.f("\"{0}\" is not a date.", &[text]),
        Reason::InTheFuture(text) => words.f("A pump-out on {0} has not happened yet.", &[text]),
        Reason::NotANumber(what, text) => words.f("{0}: \"{1}\" is not a number.", &[&quantity(what, words), text]),
        Reason::OutOfRange(what, text) => words.f("{0}: \"{1}\" cannot be true.", &[&quantity(what, words), text]),
        Reason::HalfAPosition => words.t("A position needs both latitude and longitude."),
        Reason::NullPosition => words.t("The position 0, 0 lies in the sea: leave both cells empty."),
        Reason::NotYesOrNo(text) => words.f("\"{0}\" is neither yes nor no.", &[text]),
        Reason::UnknownLanguage(text) => words.f("\"{0}\" is not English or Spanish.", &[text]),
        Reason::LooseQuote => words.t("A quotation mark opens a cell and is not closed where the cell ends: the lines after it may have been read into it."),
        Reason::NotText => words.t("The row holds signs that belong to no text."),
    }
}

fn quantity(what: &str, words: Words) -> String {
    match what {
        "residents" => words.t("Residents"),
        "latitude" => words.t("Latitude"),
        "longitude" => words.t("Longitude"),
        _ => words.t("Tank size"),
    }
}

/// The refused rows: line, reason, and the cells as they were.
fn refused(list: &CustomerList, words: Words) -> Sheet {
    let widest = list
        .refused
        .iter()
        .map(|row| row.cells.len())
        .max()
        .unwrap_or(0)
        .max(list.heads.len());
    let mut sheet = Sheet::new(vec![("line", String::new(), true), ("reason", String::new(), false)]);
    sheet.extra = (0..widest)
        .map(|index| list.heads.get(index).cloned().unwrap_or_default())
        .collect();
    sheet.rows = list
        .refused
        .iter()
        .map(|row| {
            let reasons = row.reasons.iter().map(|reason| why(reason, words)).collect::<Vec<_>>();
            let own = (0..widest).map(|index| Cell::text(row.cells.get(index).cloned().unwrap_or_default()));
            [Cell::shown(row.line, ""), Cell::text(reasons.join(" "))]
                .into_iter()
                .chain(own)
                .collect()
        })
        .collect();
    sheet
}

/// Says which rows were refused, and why; nothing when none were.
fn refusals(list: &CustomerList, file: Option<String>, words: Words) -> Vec<String> {
    let Some(file) = file else { return Vec::new() };
    let mut lines = vec![words.n("{0} row was refused.", "{0} rows were refused.", list.refused.len())];
    lines.push(words.f("They stand with line and reason in {0}", &[&file]));
    for row in list.refused.iter().take(5) {
        let reasons = row.reasons.iter().map(|reason| why(reason, words)).collect::<Vec<_>>();
        lines.push(words.f("  line {0}: {1}", &[&row.line.to_string(), &reasons.join(" ")]));
    }
    lines
}

fn report(
    office: &Office,
    list: &CustomerList,
    outcome: Outcome,
    (rejects, earlier): (&Path, Earlier),
    asked: &Asked,
) -> String {
    let dry_run = asked.dry_run;
    let words = office.words();
    let refused_file = (!list.refused.is_empty()).then(|| rejects.display().to_string());
    if office.json {
        let used = list
            .used
            .iter()
            .map(|(field, heads)| (field.word().to_owned(), json!(heads)))
            .collect::<serde_json::Map<_, _>>();
        return json!({
            "dry_run": dry_run,
            "encoding": list.encoding,
            "delimiter": list.delimiter.to_string(),
            "columns_used": used,
            "columns_unused": list.unused,
            "sites_added": outcome.added,
            "sites_already_in_the_book": outcome.known,
            "rows_refused": list.refused.len(),
            "rows_shorter_than_the_heads": list.short_rows,
            "due_from_the_list": outcome.dated,
            "due_worked_out": outcome.worked_out,
            "refused_file": refused_file,
            "earlier_refused_file": match earlier {
                Earlier::None => None,
                Earlier::Gone => Some("taken away"),
                Earlier::Left => Some("left"),
            },
        })
        .to_string();
    }
    let place = rejects.display().to_string();
    let left = (earlier == Earlier::Left).then(|| words.f("{0} is not of this run: no row was refused.", &[&place]));
    if asked.quiet {
        let lines = refusals(list, refused_file, words).into_iter().chain(left);
        return lines.collect::<Vec<_>>().join("\n");
    }
    let delimiter = match list.delimiter {
        '\t' => words.t("tab"),
        other => format!("\"{other}\""),
    };
    let mut lines = vec![words.f("Read as {0}, cells set apart by {1}.", &[list.encoding, &delimiter])];
    for (field, heads) in &list.used {
        lines.push(format!("  {} <- {}", field.word(), heads.join(" + ")));
    }
    if !list.unused.is_empty() {
        const MOST_NAMED: usize = 20;
        let quoted = |head: &String| {
            if head.contains(',') {
                format!("\"{head}\"")
            } else {
                head.clone()
            }
        };
        let mut named = list.unused.iter().take(MOST_NAMED).map(quoted).collect::<Vec<_>>();
        if list.unused.len() > MOST_NAMED {
            let more = (list.unused.len() - MOST_NAMED).to_string();
            named.push(words.f("and {0} more", &[&more]));
        }
        lines.push(words.f("Columns not used: {0}", &[&named.join(", ")]));
    }
    if dry_run {
        lines.push(words.t("A trial: nothing was written into the book."));
    }
    lines.push(words.n("{0} site added.", "{0} sites added.", outcome.added));
    let undated = outcome.added.saturating_sub(outcome.dated + outcome.worked_out);
    lines.push(words.f(
        "Due dates: {0} from the list, {1} worked out from size, people and last pump-out, {2} without one.",
        &[
            &outcome.dated.to_string(),
            &outcome.worked_out.to_string(),
            &undated.to_string(),
        ],
    ));
    if outcome.known > 0 {
        lines.push(words.n(
            "{0} site was in the book already and was left as it is.",
            "{0} sites were in the book already and were left as they are.",
            outcome.known,
        ));
    }
    if list.short_rows > 0 {
        lines.push(words.n(
            "{0} row ended early; what was missing was taken as empty.",
            "{0} rows ended early; what was missing was taken as empty.",
            list.short_rows,
        ));
    }
    lines.extend(refusals(list, refused_file, words));
    lines.extend(left);
    if earlier == Earlier::Gone {
        lines.push(words.f("No row was refused; {0} of an earlier run was taken away.", &[&place]));
    }
    lines.join("\n")
}
