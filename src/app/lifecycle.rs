//! What the app does when the device locks, rings, runs short of memory, or changes its clock.
//!
//! Nothing recorded depends on any of it: every tap was handed over to be kept when it was made.

use crate::app::device::Moment;
use crate::app::shell::{App, NoticeKind, Screen};

impl App {
    /// Lives through a moment of the app's life.
    pub(crate) fn live_through(&mut self, moment: Moment) {
        match moment {
            Moment::Hidden => {
                self.let_go();
                self.finish_keeping();
                self.renew_cloud(false);
            }
            Moment::Shown => self.day_may_have_changed(),
            // The list of all sites is the one large thing; it is read again when it is next looked at.
            Moment::LowMemory => {
                if self.screen != Screen::Book {
                    self.book.put_away();
                }
            }
            Moment::ClockChanged => {
                self.day_may_have_changed();
                if self.stop.as_ref().is_some_and(|state| state.stop_id().is_some()) {
                    let words = self.session.words();
                    self.say(
                        NoticeKind::Warning,
                        words.t("The clock of this phone was changed during the stop."),
                        words.t("What is recorded keeps the time it had. Check that date and time are right now."),
                    );
                }
            }
            Moment::Ending => self.finish_keeping(),
        }
    }

    /// A finger that was dragging when the screen went away never lets go: what it had not set is dropped.
    fn let_go(&mut self) {
        if let Some(state) = self.stop.as_mut() {
            state.preview = None;
            state.grabbed = None;
            state.held = None;
            state.held_span_mm = None;
        }
    }

    /// Waits until what was handed over is on disk: the system may end a hidden app without another word.
    fn finish_keeping(&mut self) {
        let kept = self.session.settle();
        self.try_book(kept);
    }

    /// A stop that is open stays open over midnight; the list of the day is today's.
    fn day_may_have_changed(&mut self) {
        let reloaded = self.reload_day();
        self.try_book(reloaded);
    }
}
