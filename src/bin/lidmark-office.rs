//! The office command.

use clap::{Parser, Subcommand};
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

fn main() -> ExitCode {
    let result = match Arguments::parse().command {
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
