//! A phone played by hand: what the app asks is printed, what is typed is what the phone tells.
//!
//! For the window on a desktop and for tests: the real app lives through a locked screen, a taken permission or larger
//! text without a phone being there.

use crate::app::device::{Device, Lack, Moment, News};
use crate::ui;
use slint::Global;
use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};

/// Everything that can be typed, one line each.
pub const LINES: &[(&str, &str)] = &[
    ("hide", "the screen is locked, a call comes in, another app is opened"),
    ("show", "the app is in sight again"),
    ("low-memory", "the phone is short of memory"),
    ("clock", "clock, date or time zone was changed"),
    ("end", "the app is ended"),
    (
        "no-position",
        "the permission for the position was refused or taken away",
    ),
    ("position-off", "positioning was switched off"),
    ("no-camera", "there is no camera"),
    ("heading DEGREES", "the compass turned"),
    ("text FACTOR", "the size of text was changed"),
    ("picture FILE", "a picture was taken"),
    ("no-picture FILE", "the picture was not taken"),
    ("file FILE", "a file was handed over"),
    ("size WIDTH HEIGHT", "the window was turned or split, in dp"),
    (
        "keyboard HEIGHT",
        "the on-screen keyboard came up, in dp; 0 when it went",
    ),
];

/// Reads one line as what a phone tells; `None` when it is none.
#[must_use]
pub fn news_of(line: &str) -> Option<News> {
    let line = line.trim();
    let (word, rest) = line
        .split_once(' ')
        .map_or((line, ""), |(word, rest)| (word, rest.trim()));
    let number = || rest.parse::<f64>().ok().filter(|number| number.is_finite());
    let path = || (!rest.is_empty()).then(|| PathBuf::from(rest));
    match word {
        "hide" => Some(News::Moment(Moment::Hidden)),
        "show" => Some(News::Moment(Moment::Shown)),
        "low-memory" => Some(News::Moment(Moment::LowMemory)),
        "clock" => Some(News::Moment(Moment::ClockChanged)),
        "end" => Some(News::Moment(Moment::Ending)),
        "no-position" => Some(News::Lacks(Lack::PositionNotPermitted)),
        "position-off" => Some(News::Lacks(Lack::PositionOff)),
        "no-camera" => Some(News::Lacks(Lack::Camera)),
        "heading" => number().map(News::Heading),
        "text" => number().map(News::TextScale),
        "picture" => path().map(News::Picture),
        "no-picture" => path().map(News::NoPicture),
        "file" => path().map(News::File),
        _ => None,
    }
}

fn keyboard_of(line: &str) -> Option<f32> {
    let height = line.trim().strip_prefix("keyboard ")?.trim().parse::<f32>().ok()?;
    (0.0..=2000.0).contains(&height).then_some(height)
}

fn size_of(line: &str) -> Option<(f32, f32)> {
    let mut words = line.trim().strip_prefix("size ")?.split_whitespace();
    let mut side = || {
        words
            .next()?
            .parse::<f32>()
            .ok()
            .filter(|side| (100.0..=4000.0).contains(side))
    };
    Some((side()?, side()?))
}

/// Plays a phone on standard input and output.
///
/// * returns: the device, and what it tells
#[must_use]
pub fn played(window: slint::Weak<ui::AppWindow>) -> (Device, Receiver<News>) {
    let device = Device::new(Arc::new(|request| {
        // Whoever plays the phone may have closed the line; the app goes on.
        drop(writeln!(std::io::stdout().lock(), "asked: {request:?}"));
    }));
    let (sender, news) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if let Some((width, height)) = size_of(&line) {
                drop(window.upgrade_in_event_loop(move |window| {
                    use slint::ComponentHandle;
                    window.window().set_size(slint::LogicalSize::new(width, height));
                }));
                continue;
            }
            if let Some(height) = keyboard_of(&line) {
                drop(window.upgrade_in_event_loop(move |window| {
                    ui::AppApi::get(&window).set_played_keyboard(height);
                }));
                continue;
            }
            let Some(told) = news_of(&line) else {
                drop(writeln!(std::io::stdout().lock(), "not understood: {line}"));
                continue;
            };
            let ending = told == News::Moment(Moment::Ending);
            if sender.send(told).is_err() {
                break;
            }
            drop(window.upgrade_in_event_loop(move |window| {
                ui::AppApi::get(&window).invoke_news();
                if ending {
                    drop(slint::quit_event_loop());
                }
            }));
            drop(writeln!(std::io::stdout().lock(), "told: {}", line.trim()));
        }
    });
    (device, news)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_line_that_is_offered_is_understood() {
        for (line, _) in LINES {
            let line = line
                .replace("DEGREES", "90")
                .replace("FACTOR", "1.5")
                .replace("FILE", "a.jpg")
                .replace("WIDTH HEIGHT", "892 412")
                .replace("HEIGHT", "300");
            assert!(
                news_of(&line).is_some() || size_of(&line).is_some() || keyboard_of(&line).is_some(),
                "{line}"
            );
        }
    }

    #[test]
    fn what_is_no_number_is_not_understood() {
        assert_eq!(news_of("heading NaN"), None);
        assert_eq!(news_of("text"), None);
        assert_eq!(size_of("size 4 1"), None);
        assert_eq!(keyboard_of("keyboard -1"), None);
    }
}
