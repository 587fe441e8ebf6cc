//! Closed sets whose values have a short word each, the form they take in files.

/// Makes an enum with `ALL`, `word` and `from_word`.
macro_rules! coded {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }
        impl $name {
            /// Every value, in the order a person is offered them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// Returns the word of this value.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
            /// Reads a word back.
            #[must_use]
            pub fn from_word(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|value| value.word() == word)
            }
        }
    };
}

pub(crate) use coded;
