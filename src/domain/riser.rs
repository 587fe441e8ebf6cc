//! Whether a riser makes sense, which sections, and whether it pays.

use super::assess::SiteFacts;
use super::judge::CLEARANCE_TOLERANCE_MM;
use super::rules::{Finish, Restraint, RiserRule, exact_half_inches_offset_mm};
use super::units::{Cents, Length, MM_PER_INCH, Offset, round_to_i64};

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
    pub restraint: Restraint,
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

/// Riser sections on the market when no price list says otherwise, inches (common practice).
pub const USUAL_SECTIONS_IN: [u32; 4] = [6, 12, 18, 24];

/// Less soil than this is brushed away by hand (common practice).
const NOT_NEEDED_BELOW_IN: f64 = 2.0;

/// Deeper than this a riser is offered: N.C. G.S. 130A-335.1(b) and the 2012 text of 30 TAC 285.38 stop at 6 in.
const OFFER_DEEPER_THAN_IN: f64 = 6.0;

/// Deeper than this a riser is advised: 2012 text of 30 TAC 285.38; El Dorado County.
const RECOMMEND_DEEPER_THAN_IN: f64 = 12.0;

/// No stack of sections is higher than this (common practice: 20 ft is another kind of work).
const TALLEST_STACK_IN: usize = 240;

/// Where a riser ends when no rule says: flush with grade, so that nothing is buried again (our choice).
const USUAL_FINISH_MM: f64 = 0.0;

const COMMON_PRACTICE: &str = "common practice";
const OFFER_SOURCE: &str =
    "common practice; N.C. G.S. 130A-335.1(b) and the 2012 text of 30 TAC 285.38 ask for no more than 6 in";
const RECOMMEND_SOURCE: &str = "common practice; the 2012 text of 30 TAC 285.38 and El Dorado County, California, ask for risers over lids deeper than 12 in";

/// The end of a stack a rule asks for, mm against grade, above is positive.
fn finish_mm(finish: Finish) -> f64 {
    match finish {
        Finish::AboveAtLeast(limit) => limit.mm(),
        Finish::BelowAtMost(limit) => -limit.mm(),
    }
}

/// Whether a rule applies, as far as dates and kind of work tell.
enum Applies {
    Yes,
    No,
    DependsOn(String),
}

fn applies(rule: &RiserRule, site: &SiteFacts) -> Applies {
    if rule.new_work_only && !site.new_work {
        return Applies::DependsOn(format!("For new work: {}", rule.words));
    }
    let since = rule
        .permitted_from
        .map(|day| (day, "on or after", site.permit_date.map(|permit| permit >= day)));
    let until = rule
        .permitted_before
        .map(|day| (day, "before", site.permit_date.map(|permit| permit < day)));
    let conditions: Vec<_> = since.into_iter().chain(until).collect();
    if conditions.iter().any(|(_, _, holds)| *holds == Some(false)) {
        return Applies::No;
    }
    match conditions.iter().find(|(_, _, holds)| holds.is_none()) {
        Some((day, when, _)) => Applies::DependsOn(format!("If the system was permitted {when} {day}: {}", rule.words)),
        None => Applies::Yes,
    }
}

/// Advises on one lid.
///
/// `years_between_visits`: median forecast, for the year in which a riser is paid.
#[must_use]
pub fn advise(
    lid: &Lid,
    site: &SiteFacts,
    rules: &[RiserRule],
    prices: Option<&Prices>,
    years_between_visits: Option<f64>,
) -> RiserAdvice {
    let cover_mm = exact_half_inches_offset_mm(lid.cover).unwrap_or_else(|| lid.cover.mm());
    let mut advice = general_advice(lid, cover_mm);
    let mut binding: Option<&RiserRule> = None;
    for rule in rules {
        let Some(finish) = rule.finish else { continue };
        let short_of_finish = cover_mm > CLEARANCE_TOLERANCE_MM - finish_mm(finish);
        let deep_enough = rule
            .deeper_than
            .is_none_or(|limit| cover_mm > limit.mm() + CLEARANCE_TOLERANCE_MM);
        if !(short_of_finish && deep_enough) {
            continue;
        }
        match applies(rule, site) {
            Applies::Yes => {
                if binding
                    .and_then(|binding| binding.finish)
                    .is_none_or(|other| finish_mm(finish) > finish_mm(other))
                {
                    binding = Some(rule);
                }
            }
            Applies::DependsOn(words) => advice.depends_on.push(words),
            Applies::No => {}
        }
    }
    if let Some(rule) = binding {
        advice.need = Need::Required;
        advice.words.clone_from(&rule.words);
        advice.clause.clone_from(&rule.id);
        advice.source.clone_from(&rule.source);
        advice.finish_mm = rule.finish.map_or(USUAL_FINISH_MM, finish_mm);
    }
    let wanted_mm = cover_mm + advice.finish_mm;
    if advice.need > Need::NotNeeded && wanted_mm > CLEARANCE_TOLERANCE_MM {
        let on_list: Vec<u32> = prices
            .map(|prices| prices.sections.iter().map(|(height, _)| *height).collect())
            .unwrap_or_default();
        let heights = if on_list.is_empty() {
            &USUAL_SECTIONS_IN[..]
        } else {
            &on_list[..]
        };
        if let Some(sections) = stack(wanted_mm, heights) {
            advice.stack_mm = sections.iter().map(|height| f64::from(*height) * MM_PER_INCH).sum();
            // Adding zero turns a negative zero into a plain one.
            advice.excess_mm = advice.stack_mm - wanted_mm + 0.0;
            advice.sections_in = sections;
        } else {
            advice
                .words
                .push_str(" No stack of sections reaches that far; ask a licensed installer.");
        }
    }
    let ends_at_mm = if advice.sections_in.is_empty() {
        -cover_mm
    } else {
        advice.stack_mm - cover_mm
    };
    advice.security = security(lid, site, rules, ends_at_mm >= -CLEARANCE_TOLERANCE_MM);
    advice.payback = prices.and_then(|prices| payback(&advice.sections_in, prices, years_between_visits));
    advice
}

fn general_advice(lid: &Lid, cover_mm: f64) -> RiserAdvice {
    let inches = cover_mm / MM_PER_INCH;
    let slack = CLEARANCE_TOLERANCE_MM / MM_PER_INCH;
    let (need, words, clause, source) = if inches <= 0.0 {
        (
            Need::NotNeeded,
            "The lid is at or above grade; a riser gains nothing.",
            "at_grade",
            COMMON_PRACTICE,
        )
    } else if inches < NOT_NEEDED_BELOW_IN - slack {
        (
            Need::NotNeeded,
            "Less than 2 in of soil; a riser gains little.",
            "under_2_in",
            COMMON_PRACTICE,
        )
    } else if inches <= OFFER_DEEPER_THAN_IN + slack {
        (
            Need::YourChoice,
            "A riser saves digging at each visit; the owner decides.",
            "2_to_6_in",
            COMMON_PRACTICE,
        )
    } else if inches <= RECOMMEND_DEEPER_THAN_IN + slack {
        (
            Need::YourChoice,
            "Deeper than 6 in: offer a riser, it saves digging at each visit; the owner decides.",
            "deeper_than_6_in",
            OFFER_SOURCE,
        )
    } else {
        (
            Need::Recommended,
            "Deeper than 12 in: a riser is advised, so that the tank can be reached and seen.",
            "deeper_than_12_in",
            RECOMMEND_SOURCE,
        )
    };
    RiserAdvice {
        lid: lid.name.clone(),
        cover: lid.cover,
        need,
        words: words.to_owned(),
        clause: clause.to_owned(),
        source: source.to_owned(),
        depends_on: Vec::new(),
        finish_mm: USUAL_FINISH_MM,
        sections_in: Vec::new(),
        stack_mm: 0.0,
        excess_mm: 0.0,
        security: Vec::new(),
        payback: None,
    }
}

/// How the lid has to be kept shut: what everyone should do, and what the rules ask for on top.
fn security(lid: &Lid, site: &SiteFacts, rules: &[RiserRule], at_grade: bool) -> Vec<LidSecurity> {
    let mut demands = vec![LidSecurity {
        restraint: Restraint::LockOrWeight,
        words: "Keep the lid locked or bolted, or use one of at least 59 lb (27 kg).".to_owned(),
        source: "ASTM C1227, as described in work item WK74020".to_owned(),
    }];
    for rule in rules {
        let Some(restraint) = rule.restraint else { continue };
        let wide_enough = rule.opening_wider_than.is_none_or(|limit| {
            at_grade
                && lid
                    .opening
                    .is_none_or(|opening| opening.mm() > limit.mm() + CLEARANCE_TOLERANCE_MM)
        });
        if wide_enough && matches!(applies(rule, site), Applies::Yes) {
            demands.push(LidSecurity {
                restraint,
                words: rule.words.clone(),
                source: rule.source.clone(),
            });
        }
    }
    if at_grade
        && demands
            .iter()
            .all(|demand| demand.restraint != Restraint::SecondBarrier)
    {
        demands.push(LidSecurity {
            restraint: Restraint::SecondBarrier,
            words: "At or above grade, fit a second barrier under the lid that holds a child.".to_owned(),
            source: "common practice; Texas asks for it, 30 TAC 285.38".to_owned(),
        });
    }
    demands
}

/// Returns the sections that reach at least `wanted_mm`: least height first, then fewest pieces; tallest piece first.
///
/// Nothing when no section is given or the stack would be taller than 20 ft.
#[must_use]
pub fn stack(wanted_mm: f64, heights_in: &[u32]) -> Option<Vec<u32>> {
    let wanted = round_to_i64(((wanted_mm - CLEARANCE_TOLERANCE_MM) / MM_PER_INCH).max(0.0).ceil())?;
    let wanted = usize::try_from(wanted)
        .ok()
        .filter(|wanted| *wanted <= TALLEST_STACK_IN)?;
    let mut heights: Vec<usize> = heights_in
        .iter()
        .filter_map(|height| usize::try_from(*height).ok())
        .filter(|height| (1..=TALLEST_STACK_IN).contains(height))
        .collect();
    heights.sort_unstable();
    heights.dedup();
    let tallest = *heights.last()?;
    // fewest[h]: pieces and last piece of the shortest list that makes exactly h inches.
    let mut fewest: Vec<Option<(u32, usize)>> = vec![Some((0, 0))];
    for height in 1..=wanted + tallest {
        let best = heights
            .iter()
            .filter_map(|piece| {
                let (pieces, _) = (*fewest.get(height.checked_sub(*piece)?)?)?;
                Some((pieces + 1, *piece))
            })
            .min_by_key(|(pieces, piece)| (*pieces, usize::MAX - *piece));
        fewest.push(best);
    }
    let mut height = (wanted..fewest.len()).find(|height| fewest.get(*height).is_some_and(Option::is_some))?;
    let mut sections = Vec::new();
    while height > 0 {
        let (_, piece) = (*fewest.get(height)?)?;
        sections.push(u32::try_from(piece).ok()?);
        height = height.checked_sub(piece)?;
    }
    sections.sort_unstable_by(|a, b| b.cmp(a));
    Some(sections)
}

fn payback(sections: &[u32], prices: &Prices, years_between_visits: Option<f64>) -> Option<Payback> {
    (!sections.is_empty()).then_some(())?;
    let mut stack = prices.fitting;
    for section in sections {
        stack = stack
            + prices
                .sections
                .iter()
                .find(|(height, _)| height == section)
                .map(|(_, price)| *price)?;
    }
    let visits = if prices.dig.0 > 0 {
        let whole = stack.0.max(0) / prices.dig.0;
        let rest = i64::from(stack.0.max(0) % prices.dig.0 > 0);
        u32::try_from(whole + rest).ok()
    } else {
        None
    };
    let years = visits
        .zip(years_between_visits)
        .map(|(visits, years)| f64::from(visits) * years);
    Some(Payback {
        stack,
        dig: prices.dig,
        visits,
        years,
    })
}
