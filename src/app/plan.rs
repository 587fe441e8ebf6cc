//! Plans from the office: taken in from the folder beside the book.

use crate::app::overlay::{Picker, PickerTarget};
use crate::app::shell::{App, NoticeKind};
use crate::exchange::planfile::{self, PlanFileError, Taken};
use std::io::Read;
use std::path::{Path, PathBuf};

impl App {
    /// The folder plans are looked for in.
    #[must_use]
    pub fn plan_folder(&self) -> PathBuf {
        self.slips.with_file_name("inbox")
    }

    /// The plans that lie in the folder, newest name first.
    fn plans(&self) -> Vec<String> {
        let Ok(folder) = std::fs::read_dir(self.plan_folder()) else {
            return Vec::new();
        };
        let mut names = folder
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter(|name| name.ends_with(planfile::EXTENSION))
            .collect::<Vec<_>>();
        names.sort_unstable_by(|a, b| b.cmp(a));
        names
    }

    /// Offers the plans that have come from the office.
    pub fn tap_plans(&mut self) {
        let words = self.session.words();
        let names = self.plans();
        if names.is_empty() && self.has_device() {
            self.pick_plan();
            return;
        }
        if names.is_empty() {
            let folder = self.plan_folder().display().to_string();
            self.say(
                NoticeKind::Info,
                words.t("No plan from the office is here."),
                words.f("Put the plan file into the folder {0}, then tap again.", &[&folder]),
            );
            return;
        }
        self.picker = Some(Picker {
            target: PickerTarget::Plan,
            title: words.t("Take in a plan"),
            rows: names
                .into_iter()
                .map(|name| (name, String::new()))
                .chain(self.has_device().then(|| (words.t("Another file …"), String::new())))
                .collect(),
            selected: None,
        });
    }

    /// A plan was chosen by its name.
    pub(crate) fn plan_chosen(&mut self, name: &str) {
        if self.has_device() && name == self.session.words().t("Another file …") {
            self.pick_plan();
            return;
        }
        let path = self.plan_folder().join(name);
        self.import_plan_file(&path);
    }

    /// Takes a plan file in, whole or not at all, and says what came of it.
    pub fn import_plan_file(&mut self, path: &Path) {
        let words = self.session.words();
        let most = u64::try_from(planfile::MOST_BYTES)
            .unwrap_or(u64::MAX)
            .saturating_add(1);
        let mut text = String::new();
        let read = std::fs::File::open(path).and_then(|file| file.take(most).read_to_string(&mut text));
        if let Err(error) = read {
            let file = path.display().to_string();
            self.say(
                NoticeKind::Failure,
                words.f("The plan {0} cannot be read: {1}", &[&file, &error.to_string()]),
                words.t("Nothing was changed. Copy the file onto this device again."),
            );
            return;
        }
        let now = self.session.now();
        let taken = planfile::read(&text).and_then(|plan| {
            self.session
                .ask(move |store| Ok(planfile::take_in(store, &plan, now)))
                .unwrap_or_else(|error| Err(error.into()))
        });
        match taken {
            Ok(taken) => {
                let shown = self.reload_day();
                self.try_book(shown);
                self.say_plan(&taken);
            }
            Err(error) => self.say_plan_refused(error),
        }
    }

    fn say_plan(&mut self, taken: &Taken) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let mut advice = Vec::new();
        if taken.stops_left > 0 {
            advice.push(words.n(
                "{0} stop was on the day already and was left as it is.",
                "{0} stops were on the day already and were left as they are.",
                taken.stops_left,
            ));
        }
        if taken.newer_here > 0 {
            advice.push(words.n(
                "{0} fact is newer here than at the office and stays.",
                "{0} facts are newer here than at the office and stay.",
                taken.newer_here,
            ));
        }
        if taken.trips > 0 {
            advice.push(words.n(
                "The plan has {0} trip to a disposal place.",
                "The plan has {0} trips to a disposal place.",
                taken.trips,
            ));
        }
        let day = figures.weekday(taken.day);
        self.say(
            NoticeKind::Info,
            words.f(
                "Plan for {0}: {1} put on the day.",
                &[&day, &words.n("{0} stop", "{0} stops", taken.stops)],
            ),
            advice.join(" "),
        );
    }

    fn say_plan_refused(&mut self, error: PlanFileError) {
        let words = self.session.words();
        let (what, advice) = match error {
            PlanFileError::Book(error) => {
                self.try_book::<()>(Err(error));
                return;
            }
            PlanFileError::TooNew { found, .. } => (
                words.f(
                    "This plan was made by a newer version (form {0}).",
                    &[&found.to_string()],
                ),
                words.t("Nothing was changed. Install the newer version, then take it in again."),
            ),
            PlanFileError::NotAPlan(_) | PlanFileError::Wrong(_) => (
                words.f("This is not a plan that can be taken in: {0}", &[&error.to_string()]),
                words.t("Nothing was changed. Ask the office to make the plan again."),
            ),
        };
        self.say(NoticeKind::Failure, what, advice);
    }
}
