//! The office command.

use clap::{Args, Parser, Subcommand, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use lidmark::app::findings::Findings;
use lidmark::app::plan_sheet;
use lidmark::domain::locate::plan::YardPlan;
use lidmark::domain::record::{Language, Units};
use lidmark::exchange::customer_list::DateOrder;
use lidmark::office::{self, Answer, Refusal, context::Call};
use lidmark::platform::folders::Folders;
use lidmark::say::figures::Figures;
use lidmark::say::paper;
use lidmark::say::words::Words;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Works on Lidmark records at a desk.
///
/// Exit codes: 0 done, 1 refused, 2 bad input file or wrong usage, 3 the book or a file is damaged, 4 a file could not
/// be read or written. Where several files were asked for, the greatest of their codes.
#[derive(Parser)]
#[command(version)]
struct Arguments {
    #[command(flatten)]
    shared: Shared,
    #[command(subcommand)]
    command: Command,
}

/// What every command over the book takes.
#[derive(Args)]
struct Shared {
    /// The book; otherwise the one in the environment variable `LIDMARK_BOOK`, otherwise in the usual data folder.
    #[arg(long, global = true, value_name = "FILE")]
    book: Option<PathBuf>,
    /// Answer as JSON.
    #[arg(long, global = true)]
    json: bool,
    /// Print only what was asked for and what went wrong: no progress, nothing that merely says that all went well.
    #[arg(long, global = true)]
    quiet: bool,
    /// The units to print.
    #[arg(long, global = true, value_enum)]
    units: Option<UnitsAsked>,
    /// The language to print.
    #[arg(long, alias = "language", global = true, value_enum)]
    lang: Option<LanguageAsked>,
    /// The day to take for today, for trying things out.
    #[arg(long, global = true, value_name = "YYYY-MM-DD", hide = true)]
    today: Option<chrono::NaiveDate>,
}

#[derive(Clone, Copy, ValueEnum)]
enum UnitsAsked {
    Us,
    Metric,
}

#[derive(Clone, Copy, ValueEnum)]
enum LanguageAsked {
    En,
    Es,
}

impl Shared {
    fn units(&self) -> Option<Units> {
        self.units.map(|units| match units {
            UnitsAsked::Us => Units::UsCustomary,
            UnitsAsked::Metric => Units::Metric,
        })
    }

    fn language(&self) -> Option<Language> {
        self.lang.map(|language| match language {
            LanguageAsked::En => Language::English,
            LanguageAsked::Es => Language::Spanish,
        })
    }

    fn call(&self) -> Result<Call, Refusal> {
        let (units, language) = (self.units(), self.language());
        let words = Words::new(language.unwrap_or_default());
        let named = std::env::var_os("LIDMARK_BOOK").filter(|name| !name.is_empty());
        let book = self
            .book
            .clone()
            .or_else(|| named.map(PathBuf::from))
            .or_else(|| Folders::usual().map(|folders| folders.book()))
            .ok_or_else(|| office::context::no_home(words))?;
        if book.is_dir() {
            return Err(office::context::book_is_a_folder(&book, words));
        }
        let now = chrono::Local::now().fixed_offset();
        let now = self
            .today
            .and_then(|day| day.and_time(now.time()).and_local_timezone(*now.offset()).single())
            .unwrap_or(now);
        Ok(Call {
            book,
            json: self.json,
            units,
            language,
            now,
        })
    }
}

/// What `locate` takes.
#[derive(Args)]
struct Locate {
    /// The file (JSON, docs/schema/locate-input.schema.json); `-` reads standard input.
    file: Option<PathBuf>,
    /// Take the places of a GeoJSON or GPX file as pins.
    #[arg(long, value_name = "FILE")]
    pins: Vec<PathBuf>,
    /// Read position fixes: NMEA 0183 sentences, or a GPX track (by its name's end); the last is where you stand.
    #[arg(long, value_name = "FILE")]
    fixes: Option<PathBuf>,
    /// Write the plan as GeoJSON.
    #[arg(long, value_name = "FILE")]
    geojson: Option<PathBuf>,
    /// Write the plan as GPX.
    #[arg(long, value_name = "FILE")]
    gpx: Option<PathBuf>,
    /// Write the plan with its tapes as a page.
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
}

impl Locate {
    fn asked(self, shared: &Shared) -> office::locate::Asked {
        office::locate::Asked {
            file: self.file,
            pins: self.pins,
            fixes: self.fixes,
            geojson: self.geojson,
            gpx: self.gpx,
            pdf: self.pdf,
            units: shared.units(),
            words: Words::new(shared.language().unwrap_or_default()),
            today: shared.today.unwrap_or_else(|| chrono::Local::now().date_naive()),
        }
    }
}

fn draw_plan(plan: &YardPlan, figures: Figures) -> Result<Vec<u8>, String> {
    let page = plan_sheet::sheet(plan, figures, plan_sheet::page_for(figures.units));
    paper::pdf(&page).map_err(|error| error.to_string())
}

#[derive(Subcommand)]
enum Command {
    /// Copies the book with its photos to a new file, and checks the copy.
    Backup {
        /// The new file, or a folder in which it gets a name with the date and time.
        to: PathBuf,
    },
    /// Lists where two phones said different things: what stands, and what the other said.
    Conflicts,
    /// Looks through the book and what lies beside it for damage, loose ends and leftovers.
    Doctor {
        /// Take away what an import that was cut off left beside the book.
        #[arg(long)]
        clean: bool,
        /// Look only whether the photos are there, without reading each.
        #[arg(long)]
        quick: bool,
    },
    /// Takes day files into the book: each is checked whole first, and taken in whole or not at all.
    Import {
        /// The day files.
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// Take in files that no trusted phone has signed, too.
        #[arg(long)]
        accept_unsigned: bool,
        /// Trust the keys these files are signed with, from now on.
        #[arg(long)]
        trust_new: bool,
        /// A file with a secret office key, besides those beside the book.
        #[arg(long, value_name = "FILE")]
        key: Vec<PathBuf>,
    },
    /// Ranks what may be wrong from signs, fixtures, levels and the leak gauge; prints JSON in litres, millimetres, seconds.
    Diagnose {
        /// The file (JSON, docs/schema/diagnose-input.schema.json); `-` reads standard input.
        file: PathBuf,
    },
    /// Lists who to call: by date, area and truck; as a table, CSV, a calendar or a map.
    Due(Due),
    /// Says everything that was done at a site, oldest first.
    History {
        /// The site's name, street or customer, or its id.
        site: String,
    },
    /// Finds lids from pins, tape ties, clues and probes; prints JSON in metres and degrees.
    Locate(Locate),
    /// Shows the public key phones seal their files to, as text and as a QR code; makes it when there is none.
    OfficeKey {
        /// Where the secret key lies; beside the book when not given.
        #[arg(long, value_name = "FILE")]
        file: Option<PathBuf>,
        /// Write the QR code as a picture, too.
        #[arg(long, value_name = "FILE")]
        png: Option<PathBuf>,
    },
    /// Lists, adds or removes the phones whose files are taken in.
    Phones {
        #[command(subcommand)]
        what: Option<Phones>,
    },
    /// Puts a copy in the place of the book, which is kept aside.
    Restore {
        /// What backup has made.
        from: PathBuf,
    },
    /// Lists work lines and what they come to, by day.
    Money {
        /// First day; the first of this month when not given.
        #[arg(long, value_name = "YYYY-MM-DD")]
        from: Option<String>,
        /// Last day; today when not given.
        #[arg(long, value_name = "YYYY-MM-DD")]
        to: Option<String>,
        /// Each line, not only the days.
        #[arg(long)]
        lines: bool,
        /// Write CSV (RFC 4180) to a file, or print it.
        #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
        csv: Option<PathBuf>,
    },
    /// Puts a day's stops in driving order and writes the plan file the phones take in.
    Plan(Box<Plan>),
    /// Takes an existing customer list (CSV of any kind) into the book.
    ReadCsv(ReadCsv),
    /// Lists hauled waste of a period: collected, disposed of, on board.
    Records {
        /// First day; the first of this month when not given.
        #[arg(long, value_name = "YYYY-MM-DD")]
        from: Option<String>,
        /// Last day; today when not given.
        #[arg(long, value_name = "YYYY-MM-DD")]
        to: Option<String>,
        /// Only this truck: its name, plate or id.
        #[arg(long)]
        truck: Option<String>,
        /// Write CSV (RFC 4180) to a file, or print it.
        #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
        csv: Option<PathBuf>,
        /// Write the hauled-waste record of each load collected then as PDF: into one file, or into a folder, a file each.
        #[arg(long, value_name = "FILE or FOLDER", conflicts_with = "csv")]
        pdf: Option<PathBuf>,
    },
    /// Writes letters or cards to the customers due in a month, as PDF.
    Remind(Remind),
    /// Says everything known of a site.
    Site {
        /// The site's name, street or customer, or its id.
        site: String,
    },
    /// Computes what is in a tank, when to come back, and what to say about its lids; prints JSON.
    Work {
        /// The work file (JSON, docs/schema/work-input.schema.json); `-` reads standard input.
        file: PathBuf,
        /// A rule set of your own (TOML, docs/rules.md), added to those of the program.
        #[arg(long, value_name = "FILE")]
        rules: Option<PathBuf>,
    },
}

/// A day to plan.
#[derive(Args)]
struct Plan {
    /// Sites: name, street, customer or id.
    sites: Vec<String>,
    /// A list of sites: CSV with a column `site_id` or `name` (and perhaps `window`), or one site a line.
    #[arg(long, value_name = "FILE")]
    list: Option<PathBuf>,
    /// Everyone due in this month who stands on no coming day yet.
    #[arg(long, value_name = "YYYY-MM")]
    due: Option<String>,
    /// The day; tomorrow when not given.
    #[arg(long, value_name = "YYYY-MM-DD")]
    day: Option<String>,
    /// The truck; each truck has a plan of its own.
    #[arg(long, default_value = "")]
    truck: String,
    /// Where the day begins.
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    start: Option<String>,
    /// Where it ends; where it begins when not given.
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    end: Option<String>,
    /// What the truck holds: 2500gal, 9500L; from the set-up when not given.
    #[arg(long, value_name = "VOLUME")]
    capacity: Option<String>,
    /// What is on board in the morning.
    #[arg(long, value_name = "VOLUME")]
    on_board: Option<String>,
    /// A place that takes the load; may be given several times.
    #[arg(long, value_name = "NAME@LAT,LON", allow_hyphen_values = true)]
    disposal: Vec<String>,
    /// When a customer is there; may be given several times.
    #[arg(long, value_name = "SITE=HH:MM-HH:MM")]
    window: Vec<String>,
    /// When the truck leaves; 08:00 when not given.
    #[arg(long, value_name = "HH:MM")]
    depart: Option<String>,
    /// Minutes at a stop; 45 when not given.
    #[arg(long, value_name = "MINUTES")]
    service: Option<u32>,
    /// Minutes at a disposal place; 30 when not given.
    #[arg(long, value_name = "MINUTES")]
    disposal_time: Option<u32>,
    /// Speed along the straight line, miles or kilometres an hour; 25 mi/h or 40 km/h when not given.
    #[arg(long)]
    speed: Option<f64>,
    /// Leave the order as entered.
    #[arg(long)]
    as_entered: bool,
    /// Let this plan take the place of what stood on the day for this truck: stops not begun and not in it are taken off.
    #[arg(long)]
    instead: bool,
    /// The plan file to write, for example 2026-12-01.lidmark-plan.json.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Leave the office's own book as it is.
    #[arg(long)]
    dry_run: bool,
}

impl Plan {
    fn asked(self) -> office::plan::Asked {
        office::plan::Asked {
            sites: self.sites,
            list: self.list,
            due_month: self.due,
            day: self.day,
            truck: self.truck,
            start: self.start,
            end: self.end,
            capacity: self.capacity,
            on_board: self.on_board,
            disposals: self.disposal,
            windows: self.window,
            depart: self.depart,
            service_min: self.service,
            disposal_min: self.disposal_time,
            speed: self.speed,
            as_entered: self.as_entered,
            earlier: if self.instead {
                office::plan::Earlier::GoesOff
            } else {
                office::plan::Earlier::Stays
            },
            out: self.out,
            dry_run: self.dry_run,
            quiet: false,
        }
    }
}

/// Whom to remind, and how.
#[derive(Args)]
struct Remind {
    /// The month.
    #[arg(long, value_name = "YYYY-MM")]
    month: Option<String>,
    /// The folder the letters go to.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// A template of your own (TOML, docs/office.md).
    #[arg(long, value_name = "FILE.toml")]
    template: Option<PathBuf>,
    /// One file for each customer instead of one for all.
    #[arg(long)]
    each: bool,
    /// The company's name, when the book does not know it.
    #[arg(long)]
    company: Option<String>,
    /// The company's telephone, when the book does not know it.
    #[arg(long)]
    company_phone: Option<String>,
    /// Leave out who already stands on a coming day.
    #[arg(long)]
    not_planned: bool,
    /// Print the bundled template, to change it.
    #[arg(long)]
    print_template: bool,
}

impl Remind {
    fn asked(self) -> office::remind::Asked {
        office::remind::Asked {
            month: self.month,
            out: self.out,
            template: self.template,
            each: self.each,
            company: self.company,
            company_phone: self.company_phone,
            not_planned: self.not_planned,
            print_template: self.print_template,
        }
    }
}

/// A customer list.
#[derive(Args)]
struct ReadCsv {
    /// The list; `-` reads standard input.
    file: PathBuf,
    /// Which column holds what (TOML, docs/office.md); without it the heads say so.
    #[arg(long, value_name = "FILE.toml")]
    map: Option<PathBuf>,
    /// Say what would be done, and leave the book as it is.
    #[arg(long)]
    dry_run: bool,
    /// Where refused rows are written; LIST-rejected.csv beside the list when not given.
    #[arg(long, value_name = "FILE")]
    rejects: Option<PathBuf>,
    /// The sign between the cells, when it is found wrongly.
    #[arg(long, value_name = "SIGN")]
    delimiter: Option<char>,
    /// The encoding, when it is found wrongly: utf-8, windows-1252, …
    #[arg(long, value_name = "NAME")]
    encoding: Option<String>,
    /// The order of day and month in dates such as 3/4/2022.
    #[arg(long, value_enum)]
    dates: Option<DatesAsked>,
}

#[derive(Clone, Copy, ValueEnum)]
enum DatesAsked {
    Mdy,
    Dmy,
}

impl ReadCsv {
    fn asked(self) -> office::read_csv::Asked {
        office::read_csv::Asked {
            file: self.file,
            map: self.map,
            dry_run: self.dry_run,
            rejects: self.rejects,
            delimiter: self.delimiter,
            quiet: false,
            encoding: self.encoding,
            dates: match self.dates {
                None => DateOrder::Unsaid,
                Some(DatesAsked::Mdy) => DateOrder::Mdy,
                Some(DatesAsked::Dmy) => DateOrder::Dmy,
            },
        }
    }
}

/// Which sites are due.
#[derive(Args)]
struct Due {
    /// First due date; without it everything overdue is listed too.
    #[arg(long, value_name = "YYYY-MM-DD")]
    from: Option<String>,
    /// Last due date; without it the next 31 days.
    #[arg(long, value_name = "YYYY-MM-DD")]
    to: Option<String>,
    /// One month.
    #[arg(long, value_name = "YYYY-MM", conflicts_with_all = ["from", "to"])]
    month: Option<String>,
    /// Sites that have no date, instead.
    #[arg(long, conflicts_with_all = ["from", "to", "month"])]
    undated: bool,
    /// Leave out who already stands on a coming day.
    #[arg(long)]
    not_planned: bool,
    /// Only this town; may be given several times.
    #[arg(long)]
    town: Vec<String>,
    /// Only where this truck pumped last: its name or plate.
    #[arg(long)]
    truck: Option<String>,
    /// A place to measure from.
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    near: Option<String>,
    /// Only sites this far from --near: 10mi, 16km.
    #[arg(long, value_name = "DISTANCE")]
    within: Option<String>,
    /// Only sites inside the polygons of this GeoJSON file.
    #[arg(long, value_name = "FILE")]
    area: Option<PathBuf>,
    /// The order.
    #[arg(long, value_enum, default_value_t = SortAsked::Date)]
    sort: SortAsked,
    /// Write CSV (RFC 4180) to a file, or print it.
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    csv: Option<PathBuf>,
    /// Write a calendar (RFC 5545) to a file, or print it.
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    ics: Option<PathBuf>,
    /// Write a map (RFC 7946) to a file, or print it.
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    geojson: Option<PathBuf>,
}

#[derive(Clone, Copy, ValueEnum)]
enum SortAsked {
    Date,
    Town,
    Name,
    Distance,
}

impl Due {
    fn asked(self) -> office::due::Asked {
        office::due::Asked {
            from: self.from,
            to: self.to,
            month: self.month,
            undated: self.undated,
            not_planned: self.not_planned,
            towns: self.town,
            truck: self.truck,
            near: self.near,
            within: self.within,
            area: self.area,
            sort: match self.sort {
                SortAsked::Date => office::due::Sort::Date,
                SortAsked::Town => office::due::Sort::Town,
                SortAsked::Name => office::due::Sort::Name,
                SortAsked::Distance => office::due::Sort::Distance,
            },
            csv: self.csv,
            ics: self.ics,
            geojson: self.geojson,
        }
    }
}

#[derive(Subcommand)]
enum Phones {
    /// Trusts a phone.
    Add {
        /// The key the phone shows, or a day file it has signed.
        key: String,
        /// Whose phone it is.
        #[arg(long)]
        name: Option<String>,
    },
    /// Lists the phones trusted, with what has come from each.
    List,
    /// Trusts a phone no more.
    Remove {
        /// Its key, the beginning of it, or the name it was given.
        key: String,
    },
}

fn phones(what: Option<Phones>) -> office::phones::Asked {
    match what {
        None | Some(Phones::List) => office::phones::Asked::List,
        Some(Phones::Add { key, name }) => office::phones::Asked::Add { key, name },
        Some(Phones::Remove { key }) => office::phones::Asked::Remove { key },
    }
}

/// A bar on the terminal; none where nobody is looking, or who looks wants quiet.
fn bar(shown: bool) -> ProgressBar {
    if !shown || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(1_000);
    // The template is a constant; one that cannot be read leaves the library's own.
    if let Ok(style) = ProgressStyle::with_template("{wide_msg} [{bar:30}] {percent:>3} % {elapsed}") {
        bar.set_style(style);
    }
    bar
}

fn run(shared: &Shared, command: Command) -> Result<Answer, Refusal> {
    let quiet = shared.quiet;
    // Who asks for JSON gets it.
    let hush = quiet && !shared.json;
    let bar = bar(!quiet && !shared.json);
    let watch = |permille| bar.set_position(permille);
    let answer = match command {
        Command::Backup { to } => office::backup::backup(&shared.call()?, &to, &watch).map(|a| silent(a, hush)),
        Command::Conflicts => office::conflicts::run(&shared.call()?, hush),
        Command::Diagnose { file } => {
            let findings = Findings::new(Figures {
                units: shared.units().unwrap_or(Units::UsCustomary),
                words: Words::new(shared.language().unwrap_or(Language::English)),
            });
            office::diagnose::run(&file, &|said| findings.say(said), std::io::stdin().lock()).map(line)
        }
        Command::Doctor { clean, quick } => {
            office::doctor::run(&shared.call()?, office::doctor::Asked { clean, quick, quiet }, &watch)
        }
        Command::Due(due) => {
            let asked = due.asked();
            let hush = hush && writes(&[&asked.csv, &asked.ics, &asked.geojson]);
            office::due::run(&shared.call()?, &asked).map(|text| silent(line(text), hush))
        }
        Command::History { site } => office::site::history(&shared.call()?, &site).map(line),
        Command::Import {
            files,
            accept_unsigned,
            trust_new,
            key,
        } => {
            let asked = office::import::Asked {
                files,
                accept_unsigned,
                trust_new,
                keys: key,
                quiet,
            };
            office::import::run(&shared.call()?, &asked, &|progress| {
                bar.set_message(format!("{}/{} {}", progress.number, progress.of, progress.name));
                bar.set_position(progress.permille);
            })
        }
        Command::Locate(locate) => {
            let asked = locate.asked(shared);
            office::locate::run(&asked, &draw_plan, std::io::stdin().lock()).map(line)
        }
        Command::Money { from, to, lines, csv } => {
            let hush = hush && writes(&[&csv]);
            office::money::run(&shared.call()?, &office::money::Asked { from, to, lines, csv })
                .map(|text| silent(line(text), hush))
        }
        Command::OfficeKey { file, png } => office::key::run(&shared.call()?, &office::key::Asked { file, png, quiet }),
        Command::Phones { what } => {
            let hush = hush && matches!(what, Some(Phones::Add { .. } | Phones::Remove { .. }));
            office::phones::run(&shared.call()?, &phones(what)).map(|answer| silent(answer, hush))
        }
        Command::Plan(plan) => {
            let asked = office::plan::Asked { quiet, ..plan.asked() };
            office::plan::run(&shared.call()?, &asked).map(ended)
        }
        Command::ReadCsv(list) => {
            let asked = office::read_csv::Asked { quiet, ..list.asked() };
            office::read_csv::run(&shared.call()?, &asked, std::io::stdin().lock()).map(ended)
        }
        Command::Records {
            from,
            to,
            truck,
            csv,
            pdf,
        } => {
            let asked = office::records::Asked {
                from,
                to,
                truck,
                csv: csv.clone(),
                pdf,
                quiet,
            };
            office::records::run(&shared.call()?, &asked).map(|text| silent(line(text), hush && writes(&[&csv])))
        }
        Command::Remind(remind) => {
            let asked = remind.asked();
            let hush = hush && !asked.print_template;
            office::remind::run(&shared.call()?, &asked).map(|text| silent(line(text), hush))
        }
        Command::Restore { from } => office::backup::restore(&shared.call()?, &from, &watch).map(|a| silent(a, hush)),
        Command::Site { site } => office::site::site(&shared.call()?, &site).map(line),
        Command::Work { file, rules } => office::work::run(&file, rules.as_deref(), std::io::stdin().lock()).map(line),
    };
    bar.finish_and_clear();
    answer
}

/// Whether one of these is a file, and so the answer says no more than that it was written.
fn writes(paths: &[&Option<PathBuf>]) -> bool {
    paths
        .iter()
        .any(|path| path.as_ref().is_some_and(|path| path.as_os_str() != "-"))
}

fn line(text: String) -> Answer {
    let end = if text.is_empty() || text.ends_with('\n') {
        ""
    } else {
        "\n"
    };
    Answer::from(text + end)
}

/// Ends what is printed of an answer as [`line()`] does.
fn ended(answer: Answer) -> Answer {
    Answer {
        text: line(answer.text).text,
        ..answer
    }
}

/// Leaves out what only says that all went well.
fn silent(answer: Answer, quiet: bool) -> Answer {
    if quiet {
        Answer {
            text: String::new(),
            ..answer
        }
    } else {
        answer
    }
}

fn main() -> ExitCode {
    let Arguments { shared, command } = Arguments::parse();
    let answer = run(&shared, command).unwrap_or_else(|refusal| Answer {
        refusals: vec![refusal],
        ..Answer::default()
    });
    let mut code = answer.refusals.iter().map(|refusal| refusal.code).max().unwrap_or(0);
    let mut out = std::io::stdout().lock();
    if out
        .write_all(answer.text.as_bytes())
        .and_then(|()| out.flush())
        .is_err()
    {
        code = code.max(4);
    }
    for line in &answer.aside {
        // Nothing is left to do when standard error is closed too.
        drop(writeln!(std::io::stderr().lock(), "{line}"));
    }
    if !answer.refusals.is_empty() {
        let words = match shared.language() {
            Some(language) => Words::new(language),
            None => shared
                .call()
                .map_or_else(|_| Words::new(Language::default()), |call| call.words_of_book()),
        };
        for refusal in &answer.refusals {
            drop(writeln!(std::io::stderr().lock(), "{}", refusal.said(words)));
        }
    }
    ExitCode::from(code)
}
