//! The forecast against the published table, and against simulated households.

use chrono::NaiveDate;
use lidmark::domain::forecast::{
    self, BETA, MEDIAN_K_LITRES, Posterior, Question, SPREAD_CYCLE, SPREAD_HOUSE, Split, Stop, Z_75, Z_90,
    days_as_years, learn, solids_after, years_to,
};
use lidmark::domain::judge::{CompartmentContents, Contents};
use lidmark::domain::rules::{Clause, RuleSet, Test};
use lidmark::domain::tank::{Compartment, Tank, TankShape};
use lidmark::domain::units::{Length, Volume};
use lidmark::exchange::rulefile;
use std::fmt::Write;

/// Pumping intervals in years, people 1 to 10.
///
/// Source: K. Mancl, "Estimating septic tank pumping frequency", J. Environ. Eng. 110(1), 1984, as reprinted by state extension
/// services; three independent reprints, all cells compared.
const PUBLISHED: [(f64, [Option<f64>; 10]); 10] = {
    #[allow(clippy::unnecessary_wraps, reason = "a short name for Some keeps the table readable")]
    const fn s(years: f64) -> Option<f64> {
        Some(years)
    }
    [
        (
            500.0,
            [
                s(5.8),
                s(2.6),
                s(1.5),
                s(1.0),
                s(0.7),
                s(0.4),
                s(0.3),
                s(0.2),
                s(0.1),
                None,
            ],
        ),
        (
            750.0,
            [
                s(9.1),
                s(4.2),
                s(2.6),
                s(1.8),
                s(1.3),
                s(1.0),
                s(0.7),
                s(0.6),
                s(0.4),
                s(0.3),
            ],
        ),
        (
            900.0,
            [
                s(11.0),
                s(5.2),
                s(3.3),
                s(2.3),
                s(1.7),
                s(1.3),
                s(1.0),
                s(0.8),
                s(0.7),
                s(0.5),
            ],
        ),
        (
            1000.0,
            [
                s(12.4),
                s(5.9),
                s(3.7),
                s(2.6),
                s(2.0),
                s(1.5),
                s(1.2),
                s(1.0),
                s(0.8),
                s(0.7),
            ],
        ),
        (
            1250.0,
            [
                s(15.6),
                s(7.5),
                s(4.8),
                s(3.4),
                s(2.6),
                s(2.0),
                s(1.7),
                s(1.4),
                s(1.2),
                s(1.0),
            ],
        ),
        (
            1500.0,
            [
                s(18.9),
                s(9.1),
                s(5.9),
                s(4.2),
                s(3.3),
                s(2.6),
                s(2.1),
                s(1.8),
                s(1.5),
                s(1.3),
            ],
        ),
        (
            1750.0,
            [
                s(22.1),
                s(10.7),
                s(6.9),
                s(5.0),
                s(3.9),
                s(3.1),
                s(2.6),
                s(2.2),
                s(1.9),
                s(1.6),
            ],
        ),
        (
            2000.0,
            [
                s(25.4),
                s(12.4),
                s(8.0),
                s(5.9),
                s(4.5),
                s(3.7),
                s(3.1),
                s(2.6),
                s(2.2),
                s(2.0),
            ],
        ),
        (
            2250.0,
            [
                s(28.6),
                s(14.0),
                s(9.1),
                s(6.7),
                s(5.2),
                s(4.2),
                s(3.5),
                s(3.0),
                s(2.6),
                s(2.3),
            ],
        ),
        (
            2500.0,
            [
                s(31.9),
                s(15.6),
                s(10.2),
                s(7.5),
                s(5.9),
                s(4.8),
                s(4.0),
                s(3.5),
                s(3.0),
                s(2.6),
            ],
        ),
    ]
};

fn cells() -> impl Iterator<Item = (f64, f64, Option<f64>)> {
    PUBLISHED.iter().flat_map(|(gallons, row)| {
        row.iter()
            .zip(1_u32..)
            .map(move |(years, people)| (*gallons, f64::from(people), *years))
    })
}

/// Nothing measured, 30 % of the volume, q = 0.75, no cap.
fn model_years(gallons: f64, people: f64) -> f64 {
    years_to(
        Volume::from_us_gallons(0.30 * gallons),
        Volume::ZERO,
        people,
        false,
        learn(&[]).k_at(Z_75),
    )
}

#[test]
fn the_formula_is_within_a_tenth_of_a_year_of_every_published_cell() {
    let mut count = 0;
    for (gallons, people, published) in cells() {
        let found = forecast::published_table_years(Volume::from_us_gallons(gallons), people);
        match published {
            Some(years) => {
                let found = found.unwrap();
                assert!(
                    (found - years).abs() <= 0.10,
                    "{gallons} gal, {people} people: {found} against {years}"
                );
                count += 1;
            }
            None => assert_eq!(found, None, "{gallons} gal, {people} people"),
        }
    }
    assert_eq!(count, 99);
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len().is_multiple_of(2) {
        f64::midpoint(values[middle - 1], values[middle])
    } else {
        values[middle]
    }
}

/// Cells of 750 to 2500 gal that print 1 to 6 years: what the method was set to.
fn ratios() -> Vec<f64> {
    cells()
        .filter(|(gallons, _, _)| *gallons >= 750.0)
        .filter_map(|(gallons, people, published)| Some((gallons, people, published?)))
        .filter(|(_, _, published)| (1.0..=6.0).contains(published))
        .map(|(gallons, people, published)| model_years(gallons, people) / published)
        .collect()
}

/// Source of the figures: docs/method.md, the statement the method makes about itself.
#[test]
fn the_shown_date_reproduces_the_published_table_where_nothing_was_measured() {
    let ratios = ratios();
    assert_eq!(ratios.len(), 60);
    let median = median(ratios);
    assert!((median - 0.995).abs() < 0.0005, "{median}");
    for (people, years) in [(2.0, 5.9), (4.0, 2.6), (6.0, 1.6)] {
        assert!(
            (model_years(1000.0, people) - years).abs() <= 0.05,
            "{people}: {}",
            model_years(1000.0, people)
        );
    }
}

/// Source: Gray N.F. 1995, Environ. Technol. 16(8):795-800, 92.7 L per person and year over 6 months, 64.9 over 60 months; and
/// normal quantiles (any table: 0.6745 at 0.75, 1.2816 at 0.90).
#[test]
fn the_constants_follow_from_their_sources() {
    let beta = ((64.9_f64 * 5.0) / (92.7 * 0.5)).ln() / 10.0_f64.ln();
    assert!((beta - BETA).abs() < 0.0005, "{beta}");
    // 46.35 L after half a year, brought to one year, plus 6 L of scum.
    assert!((46.35 / 0.5_f64.powf(BETA) + 6.0 - MEDIAN_K_LITRES).abs() < 0.5);
    assert!((Z_75 - 0.6745).abs() < 5e-5 && (Z_90 - 1.2816).abs() < 5e-5);
    assert!((SPREAD_HOUSE.hypot(SPREAD_CYCLE) * Z_75 - 0.3577).abs() < 0.0005);
}

#[test]
fn the_document_shows_the_comparison_the_code_makes() {
    let mut text = String::from(
        "| gal | 1 | 2 | 3 | 4 | 5 | 6 | 7 | 8 | 9 | 10 |\n|---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    for (gallons, row) in PUBLISHED {
        write!(text, "| {gallons} |").unwrap();
        for (published, people) in row.iter().zip(1_u32..) {
            match published {
                Some(years) => write!(text, " {:.1} / {years:.1} |", model_years(gallons, f64::from(people))).unwrap(),
                None => text.push_str(" - |"),
            }
        }
        text.push('\n');
    }
    let ratios = ratios();
    let worst = ratios.iter().fold(1.0_f64, |worst, ratio| {
        if (ratio.ln()).abs() > worst.ln().abs() {
            *ratio
        } else {
            worst
        }
    });
    writeln!(
        text,
        "\nMedian of model over table, {} cells of 750 to 2500 gal printing 1 to 6 years: {:.3}; the farthest cell is at {:.2}.",
        ratios.len(),
        median(ratios.clone()),
        worst
    )
    .unwrap();
    let largest = cells()
        .filter_map(|(gallons, people, years)| {
            Some((forecast::published_table_years(Volume::from_us_gallons(gallons), people)? - years?).abs())
        })
        .fold(0.0, f64::max);
    writeln!(
        text,
        "Largest difference between the formula of the table and its 99 printed cells: {largest:.3} years."
    )
    .unwrap();
    crate::check_generated_block("docs/method.md", "comparison", &text);
}

/// A small generator with a fixed seed (`SplitMix64` and Box-Muller), so that the simulation repeats exactly.
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        f64::from(u32::try_from((z ^ (z >> 31)) >> 32).unwrap()) / 4_294_967_296.0 + 1e-12
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Share of simulated households not yet due at the dates for q = 0.90, 0.75 and 0.25, after `stops` measured stops each.
fn simulate(stops: usize, seed: u64) -> [f64; 3] {
    const HOUSEHOLDS: u32 = 20_000;
    let mut dice = Dice(seed);
    let emptied = NaiveDate::from_ymd_opt(2000, 1, 1).unwrap();
    let mut not_yet = [0_u32; 3];
    for _ in 0..HOUSEHOLDS {
        let house = MEDIAN_K_LITRES.ln() + SPREAD_HOUSE * dice.normal();
        let people = 1.0 + (dice.uniform() * 6.0).floor();
        let history: Vec<Stop> = (0..stops)
            .map(|_| {
                let cycle = (house + SPREAD_CYCLE * dice.normal()).exp();
                let days = 300 + i64::from((dice.uniform() * 1500.0) as u32);
                let truly = solids_after(days_as_years(days), Volume::ZERO, people, false, cycle).as_litres();
                let relative = 0.05 + 0.10 * dice.uniform();
                let read = truly * (relative * dice.normal()).exp();
                Stop {
                    date: emptied + chrono::TimeDelta::days(days),
                    last_emptied: Some(emptied),
                    solids: Some(Volume::from_litres(read)),
                    solids_error: Some(Volume::from_litres(relative * read)),
                    heel: Volume::ZERO,
                    residents: Some(people),
                    grinder: false,
                }
            })
            .collect();
        let posterior = learn(&history);
        assert_eq!(posterior.used.len(), stops);
        let limit = Volume::from_litres(0.30 * 3785.0);
        let truly = years_to(
            limit,
            Volume::ZERO,
            people,
            false,
            (house + SPREAD_CYCLE * dice.normal()).exp(),
        );
        for (count, z) in not_yet.iter_mut().zip([Z_90, Z_75, -Z_75]) {
            if truly > years_to(limit, Volume::ZERO, people, false, posterior.k_at(z)) {
                *count += 1;
            }
        }
    }
    not_yet.map(|count| f64::from(count) / f64::from(HOUSEHOLDS))
}

#[test]
fn three_of_four_simulated_households_are_not_yet_due_at_the_shown_date() {
    for (stops, seed) in [(0, 11), (1, 12), (2, 13), (5, 14)] {
        let shares = simulate(stops, seed);
        for (share, q) in shares.into_iter().zip([0.90, 0.75, 0.25_f64]) {
            // Four standard errors of a share among 20,000 households.
            let allowed = 4.0 * (q * (1.0 - q) / 20_000.0).sqrt();
            assert!(
                (share - q).abs() < allowed,
                "{stops} stops: {share} at {q}, allowed {allowed}"
            );
            println!("{stops} stops, q {q}: {share:.4}");
        }
    }
}

#[test]
fn evidence_narrows_the_window_and_moves_the_date() {
    let stop = |solids: f64| Stop {
        date: NaiveDate::from_ymd_opt(2004, 1, 1).unwrap(),
        last_emptied: NaiveDate::from_ymd_opt(2000, 1, 1),
        solids: Some(Volume::from_litres(solids)),
        solids_error: None,
        heel: Volume::ZERO,
        residents: Some(3.0),
        grinder: false,
    };
    let prior = learn(&[]);
    let quick = learn(&[stop(3000.0)]);
    let slow = learn(&[stop(300.0)]);
    assert!((prior.median_k() - 89.0).abs() < 1e-9 && (prior.spread - 0.4915).abs() < 1e-9);
    assert!(quick.spread < prior.spread && quick.median_k() > prior.median_k() && slow.median_k() < prior.median_k());
    // By hand: 100 + 3 · 1.3 · 50 · 1 and, in four years, 100 + 3 · 50 · 4^0.845.
    let litres = Volume::from_litres;
    let after = |years, grinder| solids_after(years, litres(100.0), 3.0, grinder, 50.0).as_litres();
    assert!((after(1.0, true) - 295.0).abs() < 1e-9);
    assert!((after(4.0, false) - (100.0 + 150.0 * 4.0_f64.powf(0.845))).abs() < 1e-9);
    // Worked by hand: weights 1/0.4915² and 1/0.2², t = 1461 / 365.25 = 4 years.
    let (a, b) = (1.0 / 0.4915_f64.powi(2), 1.0 / 0.04);
    let x = (3000.0 / (3.0 * 4.0_f64.powf(0.845))).ln();
    assert!((quick.mean - (a * 89.0_f64.ln() + b * x) / (a + b)).abs() < 1e-12);
    assert!((quick.spread - (a + b).recip().sqrt()).abs() < 1e-12);
    let not_used = |change: fn(&mut Stop)| {
        let mut stop = stop(1000.0);
        change(&mut stop);
        let Posterior { used, not_used, .. } = learn(&[stop]);
        assert!(used.is_empty());
        not_used[0].reason.clone()
    };
    assert!(not_used(|stop| stop.last_emptied = None).contains("not known"));
    assert!(not_used(|stop| stop.heel = Volume::from_litres(1000.0)).contains("left behind"));
    assert!(not_used(|stop| stop.date = NaiveDate::from_ymd_opt(2000, 1, 30).unwrap()).contains("30 days"));
    assert!(not_used(|stop| stop.residents = Some(0.0)).contains("nobody"));
    assert!(not_used(|stop| stop.solids = None).contains("not both read"));
    assert!(not_used(|stop| stop.date = NaiveDate::from_ymd_opt(1999, 1, 30).unwrap()).contains("before"));
    // The day of the pump-out itself is no day before it; thirty days on it teaches something.
    let on = |day: u32| NaiveDate::from_ymd_opt(2000, 1, day).unwrap();
    assert!(not_used(|stop| stop.date = NaiveDate::from_ymd_opt(2000, 1, 1).unwrap()).contains("30 days"));
    let month = Stop {
        date: on(31),
        ..stop(1000.0)
    };
    assert_eq!(learn(&[month]).used.len(), 1);
    assert!(not_used(|stop| stop.date = NaiveDate::from_ymd_opt(1999, 12, 31).unwrap()).contains("before"));
    // Figures no tank has: people without end, almost nobody, an error without end.
    assert!(not_used(|stop| stop.residents = Some(f64::INFINITY)).contains("too large or too small"));
    assert!(not_used(|stop| stop.residents = Some(1e-320)).contains("too large or too small"));
    assert!(not_used(|stop| stop.solids_error = Some(Volume::from_litres(1e300))).contains("too large or too small"));
}

/// Three parts of sludge and one of scum lie three to one; parts that cannot be are not gone by.
#[test]
fn solids_lie_as_they_were_read() {
    let contents = |parts: &[(f64, f64)]| {
        let litres = Volume::from_litres;
        let part = |&(sludge, scum): &(f64, f64)| CompartmentContents {
            sludge: Some(litres(sludge)),
            scum: Some(litres(scum)),
            ..CompartmentContents::default()
        };
        Contents {
            sludge: Some(litres(parts.iter().map(|part| part.0).sum())),
            scum: Some(litres(parts.iter().map(|part| part.1).sum())),
            compartments: parts.iter().map(part).collect(),
            ..Contents::default()
        }
    };
    let split = |parts: &[(f64, f64)]| format!("{:?}", Split::of(&contents(parts)));
    assert_eq!(split(&[(300.0, 100.0)]), "Some(Split([(0.75, 0.25)]))");
    assert_eq!(
        split(&[(200.0, 100.0), (100.0, 0.0)]),
        "Some(Split([(0.5, 0.25), (0.25, 0.0)]))"
    );
    assert_eq!(split(&[(0.0, 0.0)]), "None");
    assert_eq!(split(&[(300.0, 480.0), (-380.0, 0.0)]), "None");
    assert_eq!(split(&[(300.0, -80.0), (180.0, 0.0)]), "None");
}

/// By hand: in two boxes of 2 m x 1 m with 1 m of liquid, four fifths of the solids in the first, a share of the depth is
/// reached in the first at share · 2,000 L / 0.8 and in the second at share · 2,000 L / 0.2; without any clause the tank is
/// full at 30 % of its 4,000 L.
#[test]
fn a_share_of_depth_is_reached_where_the_solids_lie() {
    let shape = TankShape::Box {
        length: Length::from_mm(2_000),
        width: Length::from_mm(1_000),
    };
    let tank = Tank {
        compartments: vec![Compartment::new(shape, Length::from_mm(1_000)); 2],
    };
    let litres = Volume::from_litres;
    let part = |sludge| CompartmentContents {
        sludge: Some(litres(sludge)),
        scum: Some(Volume::ZERO),
        ..CompartmentContents::default()
    };
    let contents = Contents {
        sludge: Some(litres(500.0)),
        scum: Some(Volume::ZERO),
        compartments: vec![part(400.0), part(100.0)],
        ..Contents::default()
    };
    let sets = rulefile::embedded().unwrap();
    let clause = sets
        .iter()
        .flat_map(|set| &set.clauses)
        .find(|clause| matches!(clause.test, Test::DepthFraction(_)))
        .unwrap();
    let Test::DepthFraction(limit) = &clause.test else {
        unreachable!()
    };
    let limits = |clauses: Vec<Clause>| {
        let rule_set = RuleSet {
            clauses,
            forecast_volume_fraction: None,
            ..sets[0].clone()
        };
        let question = Question {
            tank: &tank,
            outlet_devices: vec![None; 2],
            rule_set: &rule_set,
            posterior: learn(&[]),
            start: None,
            today: NaiveDate::from_ymd_opt(2026, 6, 17).unwrap(),
            heel: Volume::ZERO,
            residents: Some(3.0),
            grinder: false,
            split: Split::of(&contents).unwrap(),
        };
        forecast::forecast(&question).limits
    };
    let by_depth = limits(vec![clause.clone()]);
    let found = by_depth
        .iter()
        .map(|limit| (limit.compartment, limit.volume.as_litres()))
        .collect::<Vec<_>>();
    assert_eq!(found.len(), 2, "{found:?}");
    for ((place, litres), (expected_place, part)) in found.into_iter().zip([(0, 0.8), (1, 0.2)]) {
        assert_eq!(place, Some(expected_place));
        let expected = limit.value * 2_000.0 / part;
        assert!((litres - expected).abs() < 0.01, "{litres} L, not {expected} L");
    }
    let general = limits(Vec::new());
    assert_eq!(general.len(), 1);
    assert!((general[0].volume.as_litres() - 1_200.0).abs() < 1e-9);
    assert!(
        general[0].words.starts_with("solids at 30 % of the volume"),
        "{}",
        general[0].words
    );
}

/// A tank without liquid has no limit, whatever the rules ask for. By hand: a third of 10,000 L takes one person some 50 years,
/// so the longest interval holds: the calendar's ten years where there is one, else the usual five.
#[test]
fn a_tank_that_holds_nothing_has_no_limit_and_a_calendar_stands_for_the_usual_years() {
    let sets = rulefile::embedded().unwrap();
    let by_volume = sets
        .iter()
        .flat_map(|set| &set.clauses)
        .find(|clause| matches!(clause.test, Test::VolumeFraction(_)))
        .unwrap();
    let calendar = Clause {
        test: Test::Calendar {
            years: 10.0,
            unless: None,
        },
        ..by_volume.clone()
    };
    let asked = |litres, clauses: &[&Clause]| {
        let shape = TankShape::Nominal {
            capacity: Volume::from_litres(litres),
        };
        let tank = Tank {
            compartments: vec![Compartment::new(shape, Length::from_mm(1_000))],
        };
        let rule_set = RuleSet {
            clauses: clauses.iter().map(|clause| (*clause).clone()).collect(),
            max_interval_years: None,
            forecast_volume_fraction: None,
            ..sets[0].clone()
        };
        forecast::forecast(&Question {
            tank: &tank,
            outlet_devices: vec![None],
            rule_set: &rule_set,
            posterior: learn(&[]),
            start: NaiveDate::from_ymd_opt(2026, 6, 17),
            today: NaiveDate::from_ymd_opt(2026, 6, 17).unwrap(),
            heel: Volume::ZERO,
            residents: Some(1.0),
            grinder: false,
            split: Split::usual(1),
        })
    };
    for clauses in [&[][..], &[by_volume], &[&calendar]] {
        let found = asked(0.0, clauses);
        assert!(found.limits.is_empty(), "{:?}", found.limits);
        assert!(found.no_date.unwrap().contains("liquid volume is not known"));
    }
    for (clauses, years) in [(&[&calendar][..], 10.0), (&[], 5.0), (&[by_volume, &calendar], 10.0)] {
        let found = asked(10_000.0, clauses).years.unwrap();
        assert!((found.due - years).abs() < 1e-9, "{found:?}");
    }
}

/// 1,000 gal hold four people's 50 gal a day for five days.
#[test]
fn where_nobody_lives_or_too_many_there_is_no_figure() {
    let gallons = Volume::from_us_gallons;
    for nobody in [0.0, -2.0, f64::NAN] {
        assert_eq!(
            forecast::published_table_years(gallons(1000.0), nobody),
            None,
            "{nobody}"
        );
        assert_eq!(forecast::retention_days(gallons(1000.0), nobody), None, "{nobody}");
        assert!(!forecast::is_under_one_day(gallons(1000.0), nobody));
        assert!(!forecast::is_under_one_day(gallons(0.0), nobody));
    }
    let days = forecast::retention_days(gallons(1000.0), 4.0).unwrap();
    assert!((days - 5.0).abs() < 1e-9);
    assert!(!forecast::is_under_one_day(gallons(1000.5), 20.0));
    // A day's water or less: no figure, though the formula still gives one.
    for (people, under) in [(19.9, false), (20.0, true), (20.1, true)] {
        assert_eq!(forecast::is_under_one_day(gallons(1000.0), people), under, "{people}");
        assert_eq!(
            forecast::published_table_years(gallons(1000.0), people).is_none(),
            under,
            "{people}"
        );
    }
    assert_eq!(forecast::retention_days(gallons(f64::INFINITY), 4.0), None);
}

/// The same method once more, in another language, written from the document and not from this code: 400 invented tanks.
#[test]
fn a_second_program_written_from_the_document_agrees() {
    use lidmark::exchange::{rulefile, work};
    use serde_json::{Value, json};
    use std::io::Write as _;
    use std::process::{Command, Stdio};

    let mut dice = crate::fixture::Dice::new(20_260_617);
    let mut cases = Vec::new();
    for _ in 0..400 {
        let shape = if dice.below(2) == 0 {
            json!({"kind": "box", "length_mm": 1_500 + dice.below(2_000), "width_mm": 900 + dice.below(1_200)})
        } else {
            json!({"kind": "level_cylinder", "diameter_mm": 1_500 + dice.below(500), "length_mm": 2_000 + dice.below(2_000)})
        };
        let depth = 1_000 + dice.below(400);
        let mut year = 2_010;
        let visit = |year: usize, dice: &mut crate::fixture::Dice| {
            json!({"date": format!("{year}-{:02}-{:02}", 1 + dice.below(12), 1 + dice.below(28)), "pumped": true,
                "scum_mm": dice.below(150), "sludge_mm": 40 + dice.below(400), "heel_l": dice.below(60)})
        };
        let mut history = Vec::new();
        let mut emptied = "2009-06-01".to_owned();
        for _ in 0..dice.below(4) {
            year += 1 + dice.below(4);
            let mut before = visit(year, &mut dice);
            before["last_emptied"] = json!(emptied);
            emptied = before["date"].as_str().unwrap().to_owned();
            history.push(before);
        }
        year += 1 + dice.below(4);
        cases.push(json!({
            "rule_set": "general",
            "site": {"residents": 1 + dice.below(8), "grinder": dice.below(2) == 0},
            "tank": {"shape": shape, "liquid_depth_mm": depth},
            "last_emptied": emptied,
            "visit": visit(year, &mut dice),
            "history": history,
        }));
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/vectors/work/second.py");
    let mut python = Command::new("python3")
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 cannot be run; install Debian's python3, this test means nothing without it");
    let asked = serde_json::to_vec(&cases).unwrap();
    python.stdin.take().unwrap().write_all(&asked).unwrap();
    let said = python.wait_with_output().unwrap();
    assert!(said.status.success());
    let second: Vec<Value> = serde_json::from_slice(&said.stdout).unwrap();
    let rules = rulefile::embedded().unwrap();
    let (mut dates, mut learned) = (0, 0);
    for (case, second) in cases.iter().zip(&second) {
        let text = work::answer(&work::read(&case.to_string()).unwrap(), &rules, rulefile::GENERAL).unwrap();
        let ours: Value = serde_json::from_str(&text).unwrap();
        let close = |what: &str, ours: &Value, theirs: &Value| {
            let (a, b) = (ours.as_f64().unwrap(), theirs.as_f64().unwrap());
            assert!(
                (a - b).abs() <= 1e-7 * b.abs().max(1e-3),
                "{what}: {a} against {b} for {case}"
            );
        };
        close("median", &ours["posterior"]["median_k"], &second["median_k"]);
        close("spread", &ours["posterior"]["spread"], &second["spread"]);
        let used = ours["posterior"]["evidence_used"].as_array().unwrap().len();
        assert_eq!(used as u64, second["used"], "{case}");
        learned += used;
        let Some(quantiles) = ours["forecast"]["quantiles"].as_array() else {
            continue;
        };
        close("limit", &ours["forecast"]["limit_l"], &second["limit_l"]);
        for quantile in quantiles {
            close(
                "years",
                &quantile["years_before_caps"],
                &second["years"][quantile["q"].to_string()],
            );
            dates += 1;
        }
    }
    println!("{dates} dates and {learned} measured stops agree");
    assert!(dates > 1_200 && learned > 600, "{dates} {learned}");
}
