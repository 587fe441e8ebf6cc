//! The office command.

use clap::{Parser, Subcommand, ValueEnum};
use lidmark::app::figures::Figures;
use lidmark::app::findings::Findings;
use lidmark::app::words::Words;
use lidmark::domain::record::{Language, Units};
use lidmark::office;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Works on Lidmark records at a desk.
///
/// Exit codes: 0 done, 2 bad input or wrong usage, 4 a file could not be read or written.
#[derive(Parser)]
#[command(version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Ranks what may be wrong from signs, fixtures, levels and the leak gauge; prints JSON in litres, millimetres, seconds.
    Diagnose {
        /// The file (JSON, docs/schema/diagnose-input.schema.json); `-` reads standard input.
        file: PathBuf,
        /// The language of its sentences.
        #[arg(long, value_enum, default_value = "en")]
        language: Tongue,
        /// The units of its sentences; the figures beside them are litres, millimetres and seconds.
        #[arg(long, value_enum, default_value = "us")]
        units: System,
    },
    /// Finds lids from pins, tape ties, clues and probes; prints JSON in metres and degrees.
    Locate {
        /// The file (JSON, docs/schema/locate-input.schema.json); `-` reads standard input.
        file: PathBuf,
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

#[derive(Clone, Copy, ValueEnum)]
enum Tongue {
    En,
    Es,
}

#[derive(Clone, Copy, ValueEnum)]
enum System {
    Us,
    Metric,
}

/// The words of the app, so that findings are worded in one place.
const fn findings(language: Tongue, units: System) -> Findings {
    Findings::new(Figures {
        units: match units {
            System::Us => Units::UsCustomary,
            System::Metric => Units::Metric,
        },
        words: Words::new(match language {
            Tongue::En => Language::English,
            Tongue::Es => Language::Spanish,
        }),
    })
}

fn main() -> ExitCode {
    let result = match Arguments::parse().command {
        Command::Diagnose { file, language, units } => {
            let findings = findings(language, units);
            office::diagnose::run(&file, &|said| findings.say(said), std::io::stdin().lock())
        }
        Command::Locate { file } => office::locate::run(&file, std::io::stdin().lock()),
        Command::Work { file, rules } => office::work::run(&file, rules.as_deref(), std::io::stdin().lock()),
    };
    match result {
        Ok(text) => match writeln!(std::io::stdout().lock(), "{text}") {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::from(4),
        },
        Err(refusal) => {
            // Nothing is left to do when standard error is closed too.
            drop(writeln!(
                std::io::stderr().lock(),
                "error: {}\nwhat to do: {}",
                refusal.what,
                refusal.remedy
            ));
            ExitCode::from(refusal.code)
        }
    }
}
