//! One catalogue for every word a person reads, in the window and out of it.
//!
//! The English text is the key, as in gettext; the Spanish file is the same one
//! that the window's own labels are bundled from.

use crate::domain::record::Language;
use crate::domain::rules::RuleSet;
use crate::exchange::rulefile::GENERAL;
use std::collections::HashMap;
use std::sync::OnceLock;

/// The Spanish catalogue, bundled.
pub const SPANISH_PO: &str = include_str!("../../ui/lang/es/LC_MESSAGES/lidmark.po");

fn spanish() -> &'static HashMap<String, String> {
    static TABLE: OnceLock<HashMap<String, String>> = OnceLock::new();
    TABLE.get_or_init(|| {
        // A catalogue that cannot be read leaves English on the screen; a test holds the bundled one to being readable.
        polib::po_file::parse_from_reader(SPANISH_PO.as_bytes())
            .map(|catalogue| {
                catalogue
                    .messages()
                    .filter(|message| message.is_translated())
                    .filter_map(|message| Some((message.msgid().to_owned(), message.msgstr().ok()?.to_owned())))
                    .collect()
            })
            .unwrap_or_default()
    })
}

/// Speaks one language.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Words {
    language: Language,
}

impl Words {
    /// Speaks `language`.
    #[must_use]
    pub const fn new(language: Language) -> Self {
        Self { language }
    }

    /// Returns the language spoken.
    #[must_use]
    pub const fn language(self) -> Language {
        self.language
    }

    /// Returns the text in the language, or the English when there is none.
    #[must_use]
    pub fn t(self, english: &str) -> String {
        match self.language {
            Language::English => english.to_owned(),
            Language::Spanish => spanish().get(english).cloned().unwrap_or_else(|| english.to_owned()),
        }
    }

    /// Returns what a rule set is called: the name of a rule is that of its text, only our own advice is said in words.
    #[must_use]
    pub fn rule_set(self, set: &RuleSet) -> String {
        if set.id == GENERAL {
            self.t("General advice")
        } else {
            set.name.clone()
        }
    }

    /// Returns where a rule set holds.
    #[must_use]
    pub fn rule_place(self, set: &RuleSet) -> String {
        if set.id == GENERAL {
            self.t("where no local rule is known")
        } else {
            set.jurisdiction.clone()
        }
    }

    /// Returns the text with `{0}`, `{1}` … replaced, whatever order the language puts them in.
    #[must_use]
    pub fn f(self, english: &str, values: &[&str]) -> String {
        let template = self.t(english);
        let mut out = String::with_capacity(template.len() + 16);
        let mut rest = template.as_str();
        while let Some(open) = rest.find('{') {
            let (before, after) = rest.split_at(open);
            out.push_str(before);
            let found = after.find('}').and_then(|close| {
                let number = after.get(1..close)?.parse::<usize>().ok()?;
                Some((values.get(number)?, close))
            });
            if let Some((value, close)) = found {
                out.push_str(value);
                rest = after.get(close + 1..).unwrap_or_default();
            } else {
                out.push('{');
                rest = after.get(1..).unwrap_or_default();
            }
        }
        out.push_str(rest);
        out
    }

    /// Returns the form for one or for many, with `{0}` replaced by the count.
    #[must_use]
    pub fn n(self, one: &str, many: &str, count: usize) -> String {
        self.f(if count == 1 { one } else { many }, &[&count.to_string()])
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_bundled_catalogue_can_be_read() {
        polib::po_file::parse_from_reader(SPANISH_PO.as_bytes()).unwrap();
        assert!(!spanish().is_empty());
    }

    #[test]
    fn values_go_where_the_language_puts_them() {
        let words = Words::new(Language::English);
        assert_eq!(words.f("{1} before {0}", &["a", "b"]), "b before a");
        assert_eq!(words.f("{9} and {", &["a"]), "{9} and {");
    }
}
