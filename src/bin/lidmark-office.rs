//! The office command.

use clap::{Args, Parser, Subcommand, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use lidmark::app::figures::Figures;
use lidmark::app::findings::Findings;
use lidmark::app::words::Words;
use lidmark::domain::record::{Language, Units};
use lidmark::office::{self, Answer, Refusal, context::Call};
use lidmark::platform::folders::Folders;
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
    /// Print nothing but what went wrong.
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

    fn call(self) -> Result<Call, Refusal> {
        let (units, language) = (self.units(), self.language());
        let book = self
            .book
            .or_else(|| std::env::var_os("LIDMARK_BOOK").map(PathBuf::from))
            .or_else(|| Folders::usual().map(|folders| folders.book()))
            .ok_or_else(|| Refusal::input("this system names no home folder", "Name the book with --book FILE."))?;
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
    /// Finds lids from pins, tape ties, clues and probes; prints JSON in metres and degrees.
    Locate {
        /// The file (JSON, docs/schema/locate-input.schema.json); `-` reads standard input.
        file: PathBuf,
    },
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
    /// Computes what is in a tank, when to come back, and what to say about its lids; prints JSON.
    Work {
        /// The work file (JSON, docs/schema/work-input.schema.json); `-` reads standard input.
        file: PathBuf,
        /// A rule set of your own (TOML, docs/rules.md), added to those of the program.
        #[arg(long, value_name = "FILE")]
        rules: Option<PathBuf>,
    },
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

fn run(arguments: Arguments) -> Result<Answer, Refusal> {
    let quiet = arguments.shared.quiet;
    let bar = bar(!quiet && !arguments.shared.json);
    let watch = |permille| bar.set_position(permille);
    let shared = arguments.shared;
    let answer = match arguments.command {
        Command::Backup { to } => office::backup::backup(&shared.call()?, &to, &watch).map(|a| silent(a, quiet)),
        Command::Conflicts => office::conflicts::run(&shared.call()?),
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
        Command::Locate { file } => office::locate::run(&file, std::io::stdin().lock()).map(line),
        Command::OfficeKey { file, png } => office::key::run(&shared.call()?, &office::key::Asked { file, png, quiet }),
        Command::Phones { what } => office::phones::run(&shared.call()?, &phones(what)),
        Command::Restore { from } => office::backup::restore(&shared.call()?, &from, &watch).map(|a| silent(a, quiet)),
        Command::Work { file, rules } => office::work::run(&file, rules.as_deref(), std::io::stdin().lock()).map(line),
    };
    bar.finish_and_clear();
    answer
}

fn line(text: String) -> Answer {
    Answer::from(text + "\n")
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
    let answer = run(Arguments::parse()).unwrap_or_else(|refusal| Answer {
        text: String::new(),
        refusals: vec![refusal],
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
    for refusal in &answer.refusals {
        // Nothing is left to do when standard error is closed too.
        drop(writeln!(
            std::io::stderr().lock(),
            "error: {}\nwhat to do: {}",
            refusal.what,
            refusal.remedy
        ));
    }
    ExitCode::from(code)
}
