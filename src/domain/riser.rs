//! Whether a riser makes sense, which sections, and whether it pays.

use super::units::{Cents, Length, Offset};

/// One lid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lid {
    /// Which one: "inlet", "outlet".
    pub name: String,
    /// Grade above the top of the lid: soil cover when positive, a lid proud of grade when negative.
    pub cover: Offset,
    /// Width of the opening, when known.
    pub opening: Option<Length>,
}

/// Prices, when the business wants to see whether a riser pays.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Prices {
    /// Digging up one lid, each visit.
    pub dig: Cents,
    /// Riser sections: height in whole inches and price.
    pub sections: Vec<(u32, Cents)>,
    /// Ring, lid and fitting, once per lid.
    pub fitting: Cents,
}

/// How strongly a riser is advised.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Need {
    /// Nothing to gain.
    NotNeeded,
    /// It saves digging; the owner decides.
    YourChoice,
    /// Deep: advised.
    Recommended,
    /// A rule asks for it.
    Required,
}

/// What to say about one lid.
#[derive(Clone, Debug, PartialEq)]
pub struct RiserAdvice {
    /// The lid.
    pub lid: String,
    /// Its cover.
    pub cover: Offset,
    /// How strongly.
    pub need: Need,
    /// One plain English sentence why.
    pub words: String,
    /// The rule or the practice behind it.
    pub clause: String,
    /// Where that is written.
    pub source: String,
    /// Rules that would apply if a missing fact (mostly the permit date) were known.
    pub depends_on: Vec<String>,
    /// Where the riser should end against grade, mm, above is positive.
    pub finish_mm: f64,
    /// Sections in whole inches, tallest first; empty when none is needed or none fits.
    pub sections_in: Vec<u32>,
    /// Height of the stack, mm.
    pub stack_mm: f64,
    /// Stack above the wished finish: trim it, or leave it proud, mm.
    pub excess_mm: f64,
    /// How the lid has to be kept shut, with the source.
    pub security: Vec<LidSecurity>,
    /// Whether it pays; `None` without prices, or when no stack is wanted.
    pub payback: Option<Payback>,
}

/// One demand on how a lid is kept shut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LidSecurity {
    /// What kind.
    pub restraint: super::rules::Restraint,
    /// In plain words.
    pub words: String,
    /// Where it is written.
    pub source: String,
}

/// Digging against buying.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Payback {
    /// Price of sections and fitting.
    pub stack: Cents,
    /// Digging saved at each visit.
    pub dig: Cents,
    /// Visits until the riser is paid; `None` when digging is free.
    pub visits: Option<u32>,
    /// Years until then, visits spaced by the median forecast; `None` without one.
    pub years: Option<f64>,
}
