//! The touch app.

use clap::{Parser, Subcommand};
use lidmark::app::explain;
use lidmark::app::position::SourceChoice;
use lidmark::platform::{demo, desktop, folders::Folders};
use lidmark::say::words::Words;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Records a septic tank pump-out by touch, and shows the customer when to call back.
///
/// Exit codes: 0 done, 1 the app could not run, 2 wrong usage.
#[derive(Parser)]
#[command(version)]
struct Arguments {
    /// The folder of the book, the slips and rule sets of your own.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// A folder that stands for the camera: its newest picture is the photo just taken.
    #[arg(long, value_name = "DIR")]
    camera: Option<PathBuf>,
    /// Where positions come from in this run: nmea:FILE, tcp:HOST:PORT, serial:DEVICE[:SPEED] or gpx:FILE.
    #[arg(long, value_name = "SOURCE", value_parser = position_source)]
    position: Option<String>,
    /// Play a phone: what it tells is typed on standard input (`hide`, `show`, `clock`, `text 2`, …; docs/android.md),
    /// what the app asks of it is printed.
    #[arg(long)]
    phone: bool,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Subcommand)]
enum Command {
    /// Plays an invented day without a display; writes the book, figures, cards and pictures of every screen.
    Demo {
        /// Where to write.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
        /// A folder with book.toml and day.toml to play instead of the bundled ones.
        #[arg(long, value_name = "DIR")]
        from: Option<PathBuf>,
        /// The size of the screens, in dp.
        #[arg(long, value_name = "WIDTHxHEIGHT", default_value = "412x892", value_parser = size)]
        size: (u16, u16),
        /// How much larger than usual the words are, 1 to 2.
        #[arg(long, value_name = "TIMES", default_value = "1", value_parser = times)]
        text: f32,
    },
}

/// Reads a size such as 360x640.
fn size(text: &str) -> Result<(u16, u16), String> {
    text.split_once('x')
        .and_then(|(width, height)| Some((width.parse().ok()?, height.parse().ok()?)))
        .ok_or_else(|| "Give width and height in dp, such as 360x640.".to_owned())
}

/// Reads how much larger words are.
fn times(text: &str) -> Result<f32, String> {
    text.parse()
        .ok()
        .filter(|times| (1.0..=2.0).contains(times))
        .ok_or_else(|| "Give a number from 1 to 2, such as 1.5.".to_owned())
}

/// Refuses a source that cannot be meant before the window opens.
fn position_source(text: &str) -> Result<String, String> {
    match text.parse::<SourceChoice>() {
        Ok(_) => Ok(text.to_owned()),
        Err(error) => {
            let text = explain::choice(error, Words::default());
            Err(format!("{} {}", text.what, text.advice))
        }
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let result = match arguments.command {
        Some(Command::Demo {
            out,
            from,
            size: (width_dp, height_dp),
            text,
        }) => {
            let glass = demo::Glass {
                width_dp,
                height_dp,
                text,
            };
            demo::run(from.as_deref(), &out, glass).map(Some).map_err(|error| {
                (
                    error.to_string(),
                    "Mend what the line names, then run it again; docs/demo.md lists every tap.".to_owned(),
                )
            })
        }
        None => match arguments.data.map(Folders::at).or_else(Folders::usual) {
            Some(folders) => desktop::run(&folders, arguments.position, arguments.camera, arguments.phone)
                .map(|()| None)
                .map_err(|error| error.lines()),
            None => Err((
                "this system names no home folder".to_owned(),
                "Choose one with --data DIR.".to_owned(),
            )),
        },
    };
    match result {
        Ok(text) => {
            let printed = text.is_none_or(|text| write!(std::io::stdout().lock(), "{text}").is_ok());
            if printed { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err((what, advice)) => {
            // Nothing is left to do when standard error is closed too.
            drop(writeln!(
                std::io::stderr().lock(),
                "error: {what}\nwhat to do: {advice}"
            ));
            ExitCode::FAILURE
        }
    }
}
