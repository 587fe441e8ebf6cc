//! Rule sets: every embedded file, judging at the limits, the published sludge table, the document's list.

use chrono::NaiveDate;
use lidmark::domain::assess::SiteFacts;
use lidmark::domain::judge::{Decision, Household, JudgedIn, Verdict, contents, judge, table_distance_mm};
use lidmark::domain::reading::Reading;
use lidmark::domain::riser::{Lid, LidSecurity, Need, Prices, advise, stack};
use lidmark::domain::rules::{Finish, HauledWaste, Restraint, RiserRule, RuleSet, Sense, Test, exact_half_inches_mm};
use lidmark::domain::tank::{Compartment, Tank, TankShape};
use lidmark::domain::units::{Cents, Length, MM_PER_INCH, Offset, Volume};
use lidmark::domain::waste::Condition;
use lidmark::exchange::rulefile;
use lidmark::exchange::work::sense_word;
use std::fmt::Write;

fn set(id: &str) -> RuleSet {
    rulefile::embedded()
        .unwrap()
        .into_iter()
        .find(|set| set.id == id)
        .unwrap()
}

fn inches(inches: f64) -> Length {
    Length::from_inches(inches).unwrap()
}

/// 1000 gal or so: straight walls, 48 in of liquid, outlet device 16 in.
fn tank() -> Tank {
    let mut compartment = Compartment::new(
        TankShape::Box {
            length: inches(96.0),
            width: inches(50.0),
        },
        inches(48.0),
    );
    compartment.outlet_device = Some(inches(16.0));
    compartment.outlet_top = Some(inches(6.0));
    Tank {
        compartments: vec![compartment],
    }
}

fn reading(scum: f64, sludge: f64) -> Reading {
    Reading {
        scum: Some(inches(scum)),
        sludge: Some(inches(sludge)),
        ..Reading::default()
    }
}

const HOUSE: Household = Household {
    residents: Some(3.0),
    grinder: false,
    years_since_emptied: None,
};

fn judged(id: &str, reading: Reading) -> Verdict {
    judge(&tank(), &[reading], HOUSE, &set(id))
}

#[test]
fn every_embedded_set_reads_and_names_its_source() {
    let sets = rulefile::embedded().unwrap();
    let mut ids: Vec<&str> = sets.iter().map(|set| set.id.as_str()).collect();
    assert_eq!(ids[0], rulefile::GENERAL);
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), 18);
    for set in &sets {
        assert!(
            !set.source.is_empty() && !set.section.is_empty() && !set.jurisdiction.is_empty(),
            "{}",
            set.id
        );
        assert!(!set.clauses.is_empty(), "{}", set.id);
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/exchange/rulesets");
    assert_eq!(
        std::fs::read_dir(folder).unwrap().count(),
        sets.len(),
        "a file in rulesets/ is not embedded"
    );
}

/// Figures and senses from the sources named in each rule file: the clearance just inside, at, and just outside each limit.
#[test]
fn each_clearance_rule_pumps_on_the_right_side_of_its_limit() {
    // id, clause, limit in inches, whether the limit itself asks for pumping
    let cases = [
        ("epa-septicsmart", "sludge-clearance", 12.0, true),
        ("epa-septicsmart", "scum-clearance", 6.0, true),
        ("usphs-526", "scum-clearance", 3.0, true),
        ("mn-7080.2450", "sludge-clearance", 12.0, false),
        ("mn-7080.2450", "scum-clearance", 3.0, false),
        ("mn-north-st-paul", "sludge-clearance", 12.0, false),
        ("mn-north-st-paul", "scum-clearance", 3.0, false),
        ("ma-310-cmr-15.351", "sludge-clearance", 12.0, true),
        ("ma-310-cmr-15.351", "scum-clearance", 2.0, true),
        ("ma-310-cmr-15.351", "scum-top", 2.0, true),
        ("ne-title-124", "sludge-clearance", 12.0, false),
        ("ne-title-124", "scum-clearance", 3.0, false),
        ("ne-title-124", "scum-top", 1.0, true),
        ("ca-el-dorado", "sludge-clearance", 12.0, true),
        ("ca-el-dorado", "scum-clearance", 3.0, true),
    ];
    for (id, clause, limit, at_pumps) in cases {
        for (step, expected) in [(-0.5, true), (0.0, at_pumps), (0.5, false)] {
            let clearance = limit + step;
            let mut reading = reading(0.0, 0.0);
            match clause {
                "sludge-clearance" => reading.sludge = Some(inches(48.0 - 16.0 - clearance)),
                "scum-clearance" => reading.scum = Some(inches(16.0 - clearance)),
                _ => reading.scum_top = Some(Offset::from_mm(i32::try_from(inches(6.0 - clearance).as_mm()).unwrap())),
            }
            let verdict = judged(id, reading);
            let result = verdict.clauses.iter().find(|result| result.id == clause).unwrap();
            assert_eq!(result.met, expected, "{id} {clause} at {clearance} in: {result:?}");
            assert_eq!(result.at_limit, step == 0.0, "{id} {clause} at {clearance} in");
            let judged_in = if step == 0.0 {
                JudgedIn::HalfInches
            } else {
                JudgedIn::Millimetres
            };
            assert_eq!(
                result.judged_in, judged_in,
                "only the limit itself is a matter of half inches"
            );
        }
    }
}

/// The published table asks for some 6 in at 1,000 gal and 48 in of liquid; a compartment without liquid is not judged by it.
#[test]
fn the_published_table_pumps_on_the_right_side_of_its_distance() {
    let of = |tank: &Tank, clearance: f64| {
        let reading = reading(0.0, 48.0 - 16.0 - clearance);
        let verdict = judge(tank, &[reading], HOUSE, &set("usphs-526"));
        let result = verdict
            .clauses
            .into_iter()
            .find(|result| result.id == "sludge-distance")
            .unwrap();
        (result.value.is_some(), result.met)
    };
    assert_eq!(of(&tank(), 5.0), (true, true));
    assert_eq!(of(&tank(), 7.0), (true, false));
    let mut dry = tank();
    dry.compartments[0].liquid_depth = inches(0.0);
    assert_eq!(of(&dry, 5.0), (false, false));
}

/// Of two compartments with the same room the first is named; otherwise the one with less.
#[test]
fn the_compartment_with_the_least_room_is_named() {
    let mut two = tank();
    two.compartments.push(tank().compartments[0].clone());
    for (second, named) in [(10.0, 0), (9.0, 0), (11.0, 1)] {
        let verdict = judge(
            &two,
            &[reading(0.0, 10.0), reading(0.0, second)],
            HOUSE,
            &set("mn-7080.2450"),
        );
        let result = verdict
            .clauses
            .iter()
            .find(|result| result.id == "sludge-clearance")
            .unwrap();
        assert_eq!(result.compartment, Some(named), "{second} in of sludge in the second");
    }
}

/// The error of what was read, by hand: 96 x 50 in are 2,438 x 1,270 mm as they are kept, so 25 mm at one edge are 77.41 L; two
/// edges add as squares, and a layer of nothing has no edge.
#[test]
fn a_layer_of_nothing_has_no_error() {
    for (scum, sludge, edges) in [
        (0.0, 0.0, 0.0),
        (10.0, 0.0, 1.0),
        (0.0, 10.0, 1.0),
        (10.0, 10.0, 2.0_f64),
    ] {
        let found = contents(&tank(), &[reading(scum, sludge)]).solids_error().unwrap();
        let expected = 2.438 * 1.270 * 25.0 * edges.sqrt();
        assert!(
            (found.as_litres() - expected).abs() < 0.01,
            "{scum} and {sludge} in: {found:?} against {expected} L"
        );
    }
}

/// Shares: 25 % excluded (Minnesota, EPA), 30 % included (general) or excluded (Ireland), one third included (Kenosha, N.H.).
#[test]
fn each_share_rule_pumps_on_the_right_side_of_its_limit() {
    let cases = [
        ("mn-7080.2450", "solids-volume", 12.0, false),
        ("epa-septicsmart", "solids-volume", 12.0, false),
        ("wi-kenosha-15.06.030", "solids-volume", 16.0, true),
        ("nh-env-wq-1023.01", "solids-depth", 16.0, true),
    ];
    for (id, clause, thickness, at_pumps) in cases {
        for (step, expected) in [(-0.5, false), (0.0, at_pumps), (0.5, true)] {
            let verdict = judged(id, reading(4.0, thickness - 4.0 + step));
            let result = verdict.clauses.iter().find(|result| result.id == clause).unwrap();
            assert_eq!(
                result.met,
                expected,
                "{id} at {} in of 48: {result:?}",
                thickness + step
            );
            assert_eq!(result.at_limit, step == 0.0, "{id} {result:?}");
        }
    }
    // 30 % of 50 in is 15 in.
    for (id, at_pumps) in [("general", true), ("ie-epa", false)] {
        let mut tank = tank();
        tank.compartments[0].liquid_depth = inches(50.0);
        for (step, expected) in [(-0.5, false), (0.0, at_pumps), (0.5, true)] {
            let verdict = judge(&tank, &[reading(3.0, 12.0 + step)], HOUSE, &set(id));
            assert_eq!(verdict.clauses[0].met, expected, "{id} at {} in of 50", 15.0 + step);
        }
    }
}

/// Worked example: one third of 54 in is 18 in; kept as 1372, 152 and 305 mm the raw share is 457 / 1372, just under a third.
#[test]
fn half_inches_are_judged_exactly_and_other_lengths_in_millimetres() {
    let mut tank = tank();
    tank.compartments[0].liquid_depth = inches(54.0);
    let kept = judge(&tank, &[reading(6.0, 12.0)], HOUSE, &set("wi-kenosha-15.06.030"));
    assert_eq!(kept.decision, Decision::Pump);
    assert!(kept.clauses[0].at_limit && kept.clauses[0].judged_in == JudgedIn::HalfInches);
    let raw = lidmark::domain::judge::contents(&tank, &[reading(6.0, 12.0)])
        .fraction_volume
        .unwrap();
    assert!(raw < 1.0 / 3.0 - 1e-4, "{raw}");
    // 155 mm is no half inch, so everything is judged as kept: 460 of 1372 mm.
    let other = Reading {
        scum: Some(Length::from_mm(155)),
        sludge: Some(Length::from_mm(305)),
        ..Reading::default()
    };
    let result = judge(&tank, &[other], HOUSE, &set("wi-kenosha-15.06.030")).clauses[0].clone();
    assert_eq!(result.judged_in, JudgedIn::Millimetres);
    assert!((result.value.unwrap() - 460.0 / 1372.0).abs() < 1e-12);
    // The tops belong to their own clause only: 130 mm is no half inch, and the sludge at its limit is still judged in half inches.
    let top = Reading {
        scum_top: Some(Offset::from_mm(130)),
        ..reading(6.0, 20.0)
    };
    let mut tank = crate::rules::tank();
    tank.compartments[0].outlet_top = Some(inches(6.0));
    let massachusetts = judge(&tank, &[top], HOUSE, &set("ma-310-cmr-15.351"));
    let judged_in: Vec<JudgedIn> = massachusetts.clauses.iter().map(|clause| clause.judged_in).collect();
    assert_eq!(
        judged_in,
        [JudgedIn::HalfInches, JudgedIn::Millimetres, JudgedIn::Millimetres]
    );
    for half_inches in 0..2_000_u32 {
        let exact = f64::from(half_inches) * 12.7;
        let kept = Length::from_real_mm(exact).unwrap();
        assert!(
            (exact_half_inches_mm(kept).unwrap() - exact).abs() < 1e-6,
            "{half_inches}"
        );
    }
    assert_eq!(exact_half_inches_mm(Length::from_mm(100)), None);
}

/// Worked example: 60 in lying cylinder, 48 in liquid, 12 in sludge, 6 in scum: 37.5 % by depth, 29.42 % by volume; the one-third
/// rule says pump by depth and not yet by volume.
#[test]
fn depth_and_volume_part_ways_in_a_lying_cylinder() {
    let shape = TankShape::LevelCylinder {
        diameter: Length::from_mm(1524),
        length: Length::from_mm(2438),
    };
    let tank = Tank {
        compartments: vec![Compartment::new(shape, inches(48.0))],
    };
    let by_volume = judge(&tank, &[reading(6.0, 12.0)], HOUSE, &set("wi-kenosha-15.06.030"));
    let by_depth = judge(&tank, &[reading(6.0, 12.0)], HOUSE, &set("nh-env-wq-1023.01"));
    // Millimetres are kept, so the figures are those of the inches within the rounding of three lengths.
    assert!((by_volume.clauses[0].value.unwrap() - 0.2942).abs() < 2e-4);
    assert!((by_depth.clauses[0].value.unwrap() - 0.375).abs() < 2e-4);
    assert_eq!(
        (by_volume.decision, by_depth.decision),
        (Decision::NotYet, Decision::Pump)
    );
}

/// Source: USPHS Publication 526, table of allowable sludge, as reprinted by Dickinson County, Kansas.
#[test]
fn the_published_sludge_table_is_exact_at_its_cells_and_straight_between() {
    let rules = set("usphs-526");
    let Test::SludgeDistanceTable(table) = &rules.clauses[1].test else {
        panic!("{rules:?}")
    };
    let rows = [
        (750.0, [5.0, 6.0, 10.0, 13.0]),
        (900.0, [4.0, 4.0, 7.0, 10.0]),
        (1000.0, [4.0, 4.0, 6.0, 8.0]),
    ];
    let depths = [30.0, 36.0, 48.0, 60.0];
    let at = |gallons: f64, depth: f64| {
        table_distance_mm(table, Volume::from_us_gallons(gallons), depth * MM_PER_INCH).unwrap()
    };
    for (gallons, cells) in rows {
        for (depth, cell) in depths.into_iter().zip(cells) {
            let (distance, inside) = at(gallons, depth);
            assert!(
                (distance / MM_PER_INCH - cell).abs() < 1e-9 && inside,
                "{gallons} {depth}: {distance}"
            );
        }
    }
    // Halfway between 750 and 900 gal and between 36 and 48 in: the mean of 6, 10, 4 and 7.
    assert!((at(825.0, 42.0).0 / MM_PER_INCH - 6.75).abs() < 1e-9);
    assert!(!at(1500.0, 48.0).1);
    assert!((at(1500.0, 48.0).0 / MM_PER_INCH - 6.0).abs() < 1e-9);
    assert!(!at(1000.0, 61.0).1);
}

#[test]
fn calendar_rules_count_from_the_last_pump_out() {
    let orange = set("oh-orange-915.10");
    let decide = |residents: f64, grinder: bool, years: Option<f64>, rules: &RuleSet, tank: &Tank| {
        judge(
            tank,
            &[Reading::default()],
            Household {
                residents: Some(residents),
                grinder,
                years_since_emptied: years,
            },
            rules,
        )
        .decision
    };
    let large = Tank {
        compartments: vec![Compartment::new(
            TankShape::Nominal {
                capacity: Volume::from_us_gallons(1000.0),
            },
            Length::ZERO,
        )],
    };
    let small = Tank {
        compartments: vec![Compartment::new(
            TankShape::Nominal {
                capacity: Volume::from_us_gallons(999.0),
            },
            Length::ZERO,
        )],
    };
    assert_eq!(decide(2.0, false, Some(5.0), &orange, &large), Decision::NotYet);
    assert_eq!(decide(2.0, false, Some(6.0), &orange, &large), Decision::Pump);
    assert_eq!(decide(2.0, true, Some(5.0), &orange, &large), Decision::Pump);
    assert_eq!(decide(3.0, false, Some(5.0), &orange, &large), Decision::Pump);
    assert_eq!(decide(2.0, false, Some(5.0), &orange, &small), Decision::Pump);
    assert_eq!(decide(2.0, false, None, &orange, &large), Decision::NotMeasured);
    for (id, years) in [
        ("oh-pepper-pike-1044.10", 3.0),
        ("au-sa-wattle-range", 4.0),
        ("au-sa-mount-barker", 5.0),
        ("au-nt", 7.0),
    ] {
        assert_eq!(
            decide(3.0, false, Some(years), &set(id), &large),
            Decision::Pump,
            "{id}"
        );
        assert_eq!(
            decide(3.0, false, Some(years - 0.1), &set(id), &large),
            Decision::NotYet,
            "{id}"
        );
    }
}

#[test]
fn what_was_not_read_is_not_judged() {
    let nothing = judged("mn-7080.2450", Reading::default());
    assert_eq!(nothing.decision, Decision::NotMeasured);
    let only_sludge = judged(
        "mn-7080.2450",
        Reading {
            sludge: Some(inches(21.0)),
            ..Reading::default()
        },
    );
    assert_eq!(only_sludge.decision, Decision::Pump);
    assert!(
        only_sludge
            .clauses
            .iter()
            .any(|clause| clause.id == "sludge-clearance" && clause.met)
    );
    // Half the tank in sludge is past 25 % whatever the scum is; a little sludge alone is not judged.
    let general = |sludge| {
        judged(
            "general",
            Reading {
                sludge: Some(inches(sludge)),
                ..Reading::default()
            },
        )
        .decision
    };
    assert_eq!((general(24.0), general(6.0)), (Decision::Pump, Decision::NotMeasured));
    let top = judged("ma-310-cmr-15.351", reading(2.0, 2.0));
    assert!(
        top.clauses
            .iter()
            .any(|clause| clause.id == "scum-top" && !clause.is_measured())
    );
}

#[test]
fn the_clause_exceeded_by_most_binds() {
    // Sludge 22 in: 10 in left of 12; scum 15 in: 1 in left of 3, the larger part missing.
    let verdict = judged("ca-el-dorado", reading(15.0, 22.0));
    assert_eq!(verdict.binding_clause().unwrap().id, "scum-clearance");
    let verdict = judged("ca-el-dorado", reading(12.0, 19.0));
    assert_eq!(
        (verdict.decision, verdict.binding_clause().unwrap().id.as_str()),
        (Decision::NotYet, "sludge-clearance")
    );
}

#[test]
fn a_bad_rule_file_gives_line_and_reason() {
    let good = "id = \"mine\"\nname = \"Mine\"\njurisdiction = \"here\"\nsection = \"1\"\nsource = \"the county\"\nconfidence = \"user\"\n\n[[clause]]\nid = \"a\"\nwords = \"half full\"\nkind = \"volume_fraction\"\nsense = \"at\"\nfraction = \"1/2\"\n";
    let set = rulefile::parse(good).unwrap();
    assert_eq!((set.clauses[0].sense, set.clauses.len()), (Sense::At, 1));
    let cases = [
        (
            "sense = \"at\"",
            "sense = \"near\"",
            12,
            "`sense` must be \"at\" or \"past\"",
        ),
        (
            "kind = \"volume_fraction\"",
            "kind = \"fullness\"",
            11,
            "`kind` must be one of",
        ),
        (
            "fraction = \"1/2\"",
            "fraction = \"3/2\"",
            13,
            "`fraction` must be a share",
        ),
        ("fraction = \"1/2\"", "limit_in = 3", 13, "does not belong"),
        ("fraction = \"1/2\"\n", "", 8, "needs `fraction`"),
        (
            "fraction = \"1/2\"",
            "fraction = \"1/2\"\nfrcation = 2",
            14,
            "unknown field",
        ),
        ("id = \"mine\"", "id = \"My Rules\"", 1, "`id` must be"),
        (
            "confidence = \"user\"",
            "confidence = \"sure\"",
            6,
            "`confidence` must be",
        ),
        ("source = \"the county\"", "source = 5", 5, "invalid type"),
        ("name = \"Mine\"", "name = ", 2, ""),
        (
            "section = \"1\"",
            "section = \"1\"\neffective = 12:00:00",
            5,
            "must be a date",
        ),
        (
            "section = \"1\"",
            "section = \"1\"\nmax_interval_years = 0",
            5,
            "more than 0",
        ),
    ];
    for (from, to, line, reason) in cases {
        let error = rulefile::parse(&good.replacen(from, to, 1)).unwrap_err();
        assert!(error.line == line && error.reason.contains(reason), "{to}: {error}");
    }
    assert!(rulefile::parse("").is_err());
}

fn lid(cover_mm: i32) -> Lid {
    Lid {
        name: "outlet".to_owned(),
        cover: Offset::from_mm(cover_mm),
        opening: None,
    }
}

/// Sources: common practice below 6 in; N.C. G.S. 130A-335.1(b), 30 TAC 285.38 (2012 text and current), El Dorado County.
#[test]
fn riser_advice_follows_depth_and_rule() {
    let site = SiteFacts::default();
    let general = |cover| advise(&lid(cover), &site, &set("general").riser_rules, None, None).need;
    // 2 in, 6 in and 12 in are kept as 51, 152 and 305 mm and count as exactly that.
    let cases = [
        (-51, Need::NotNeeded),
        (0, Need::NotNeeded),
        (50, Need::NotNeeded),
        (51, Need::YourChoice),
        (152, Need::YourChoice),
        (305, Need::YourChoice),
        (318, Need::Recommended),
    ];
    for (cover, need) in cases {
        assert_eq!(general(cover), need, "{cover} mm");
    }
    let clause = |cover| advise(&lid(cover), &site, &[], None, None).clause;
    assert_eq!(
        (clause(152), clause(153)),
        ("2_to_6_in".to_owned(), "deeper_than_6_in".to_owned())
    );
    assert!(advise(&lid(160), &site, &[], None, None).words.contains("offer"));

    let on = |y, m, d| SiteFacts {
        permit_date: NaiveDate::from_ymd_opt(y, m, d),
        ..SiteFacts::default()
    };
    let texas = set("tx-285.38").riser_rules;
    let current = advise(&lid(51), &on(2023, 9, 1), &texas, None, None);
    assert_eq!((current.need, current.clause.as_str()), (Need::Required, "tx-2023"));
    // 2 in of soil and 2 in above grade: 4 in wanted, a 6 in section, 2 in to trim or leave proud.
    assert_eq!(current.sections_in, [6]);
    assert!((current.excess_mm - 50.8).abs() < 1e-6);
    assert!(
        current
            .security
            .iter()
            .any(|demand| demand.restraint == Restraint::SecondBarrier)
    );
    // At grade it is asked for once, whether a rule says so or common practice.
    let barriers = |security: &[LidSecurity]| {
        let barrier = |demand: &&LidSecurity| demand.restraint == Restraint::SecondBarrier;
        security.iter().filter(barrier).count()
    };
    assert_eq!(barriers(&current.security), 1);
    assert_eq!(barriers(&advise(&lid(-51), &site, &[], None, None).security), 1);
    assert_eq!(barriers(&advise(&lid(0), &site, &[], None, None).security), 1);
    let old = |cover| advise(&lid(cover), &on(2015, 1, 1), &texas, None, None);
    assert_eq!((old(305).need, old(318).need), (Need::YourChoice, Need::Required));
    // 18 in of soil to no more than 6 in below ground: 12 in.
    assert_eq!(old(457).sections_in, [12]);
    // It ends 6 in below the ground: nobody lifts that lid by chance, so no second barrier is asked for.
    assert_eq!(barriers(&old(457).security), 0);
    let unknown = advise(&lid(457), &site, &texas, None, None);
    assert_eq!(unknown.need, Need::Recommended);
    assert_eq!(unknown.depends_on.len(), 2);
    assert!(unknown.depends_on.iter().all(|words| words.contains("2023-09-01")));

    // Of two rules that hold the one whose riser ends higher binds, whichever is read first.
    let any_day = |id: &str, finish| RiserRule {
        id: id.to_owned(),
        permitted_from: None,
        permitted_before: None,
        finish: Some(finish),
        ..texas.iter().find(|rule| rule.id == "tx-2023").unwrap().clone()
    };
    let Some(Finish::AboveAtLeast(limit)) = texas[0].finish else {
        panic!("the first rule ends above grade")
    };
    let higher = any_day("higher", Finish::AboveAtLeast(limit));
    let lower = any_day("lower", Finish::BelowAtMost(limit));
    for rules in [[higher.clone(), lower.clone()], [lower, higher]] {
        assert_eq!(advise(&lid(305), &site, &rules, None, None).clause, "higher");
    }

    // Permitted on the very day is not before it.
    let early = [RiserRule {
        permitted_before: NaiveDate::from_ymd_opt(2020, 1, 1),
        ..any_day("early", Finish::AboveAtLeast(limit))
    }];
    let need = |site: &SiteFacts| advise(&lid(305), site, &early, None, None).need;
    assert_eq!(
        (need(&on(2019, 12, 31)), need(&on(2020, 1, 1))),
        (Need::Required, Need::YourChoice)
    );

    let carolina = set("nc-130a-335.1").riser_rules;
    assert_eq!(advise(&lid(152), &site, &carolina, None, None).need, Need::YourChoice);
    assert_eq!(advise(&lid(165), &site, &carolina, None, None).need, Need::Required);

    let el_dorado = set("ca-el-dorado").riser_rules;
    let new = SiteFacts {
        new_work: true,
        ..SiteFacts::default()
    };
    assert_eq!(advise(&lid(330), &new, &el_dorado, None, None).need, Need::Required);
    assert_eq!(advise(&lid(330), &site, &el_dorado, None, None).need, Need::Recommended);

    let wisconsin = set("wi-kenosha-15.06.030").riser_rules;
    let locks = |cover, opening| {
        let lid = Lid {
            opening: Some(Length::from_mm(opening)),
            ..lid(cover)
        };
        advise(&lid, &site, &wisconsin, None, None)
            .security
            .iter()
            .any(|demand| demand.restraint == Restraint::LockAndLabel)
    };
    assert_eq!((locks(-10, 300), locks(-10, 203), locks(40, 300)), (true, false, false));
}

#[test]
fn a_clause_that_could_not_be_judged_says_its_limit_and_why() {
    let (mut shares, mut lengths) = (0, 0);
    for set in rulefile::embedded().unwrap() {
        let unread = Reading::default();
        for (clause, result) in set.clauses.iter().zip(judged(&set.id, unread).clauses) {
            match &clause.test {
                Test::DepthFraction(limit) => {
                    assert_eq!(result.limit, Some(limit.value), "{} {}", set.id, clause.id);
                    shares += 1;
                }
                Test::SludgeClearance(limit) | Test::ScumClearance(limit) | Test::ScumTopClearance(limit) => {
                    assert_eq!(result.limit, Some(limit.mm()), "{} {}", set.id, clause.id);
                    lengths += 1;
                }
                _ => continue,
            }
            assert!(!result.met && result.why_not.is_some(), "{} {}", set.id, clause.id);
        }
    }
    assert!(shares > 0 && lengths > 0, "{shares} shares, {lengths} lengths");
}

#[test]
fn stacks_are_least_high_then_fewest_pieces() {
    let usual = [6, 12, 18, 24];
    // Checked by trying every list of up to six sections.
    for wanted in 1..=96_u32 {
        let found = stack(f64::from(wanted) * MM_PER_INCH, &usual).unwrap();
        let height: u32 = found.iter().sum();
        let least = wanted.div_ceil(6) * 6;
        assert_eq!(height, least, "{wanted}");
        assert_eq!(
            u32::try_from(found.len()).unwrap(),
            least.div_ceil(24),
            "{wanted}: {found:?}"
        );
    }
    assert_eq!(stack(MM_PER_INCH * 20.0, &[16, 10]).unwrap(), [10, 10]);
    assert_eq!(stack(MM_PER_INCH, &[]), None);
    assert_eq!(stack(1.0e9, &usual), None);
}

/// Worked by hand: 12 in of soil, a 12 in section at 80.00 and fitting at 70.00 against 60.00 of digging: three visits.
#[test]
fn a_riser_is_paid_by_the_digging_it_saves() {
    let prices = Prices {
        dig: Cents(6_000),
        sections: vec![(12, Cents(8_000)), (6, Cents(5_000))],
        fitting: Cents(7_000),
    };
    let paid = advise(&lid(305), &SiteFacts::default(), &[], Some(&prices), Some(2.5))
        .payback
        .unwrap();
    assert_eq!(
        (paid.stack, paid.visits, paid.years),
        (Cents(15_000), Some(3), Some(7.5))
    );
    // 50.00 less for the fitting: 100.00 against 50.00 are two visits to the cent.
    let even = Prices {
        dig: Cents(5_000),
        fitting: Cents(2_000),
        ..prices.clone()
    };
    let paid = advise(&lid(305), &SiteFacts::default(), &[], Some(&even), None)
        .payback
        .unwrap();
    assert_eq!((paid.stack, paid.visits), (Cents(10_000), Some(2)));
    let free = Prices {
        dig: Cents(0),
        ..prices
    };
    assert_eq!(
        advise(&lid(305), &SiteFacts::default(), &[], Some(&free), None)
            .payback
            .unwrap()
            .visits,
        None
    );
    assert_eq!(advise(&lid(305), &SiteFacts::default(), &[], None, None).payback, None);
}

fn write_hauled_waste(text: &mut String, rule: &HauledWaste) {
    writeln!(text, "\nHauled-waste record ({}; {}):\n", rule.source, rule.confidence).unwrap();
    for (condition, words) in [
        (Condition::Always, "asks for"),
        (Condition::WithoutAddress, "where there is no address"),
        (Condition::AmountsDiffer, "where the place took another amount"),
        (Condition::LandApplied, "where it is spread on land"),
        (
            Condition::NotByMaintenanceHole,
            "where it was not pumped through the maintenance hole",
        ),
    ] {
        let fields = rule
            .required
            .iter()
            .filter(|(_, own)| *own == condition)
            .map(|(field, _)| {
                let memory = if rule.from_memory.contains(field) {
                    " (from memory)"
                } else {
                    ""
                };
                format!("`{}`{memory}", field.word())
            })
            .collect::<Vec<_>>();
        if !fields.is_empty() {
            writeln!(text, "- {words}: {}", fields.join(", ")).unwrap();
        }
    }
    if let Some(years) = rule.retention_years {
        writeln!(text, "- kept {years} years").unwrap();
    }
    if let Some(days) = rule.report_within_days {
        writeln!(text, "- handed on within {days} days").unwrap();
    }
    for note in &rule.notes {
        writeln!(text, "- {note}").unwrap();
    }
}

#[test]
fn the_document_lists_every_rule_set() {
    let mut text = String::new();
    for set in rulefile::embedded().unwrap() {
        let since = set
            .effective
            .map_or("date not stated".to_owned(), |day| format!("in force since {day}"));
        writeln!(text, "### `{}`: {}\n", set.id, set.name).unwrap();
        writeln!(
            text,
            "{}; {}; {since}.\nSource: {}.\nHow sure: {}.\n",
            set.jurisdiction, set.section, set.source, set.confidence
        )
        .unwrap();
        text.push_str("| clause | pump when | at the limit |\n|---|---|---|\n");
        for clause in &set.clauses {
            let at = if clause.sense == Sense::At { "pump" } else { "not yet" };
            writeln!(
                text,
                "| `{}` | {} | {at} (`{}`) |",
                clause.id,
                clause.words,
                sense_word(clause.sense)
            )
            .unwrap();
        }
        text.push('\n');
        for rule in &set.riser_rules {
            writeln!(
                text,
                "- Risers and lids, `{}`: {} ({}; {})",
                rule.id, rule.words, rule.source, rule.confidence
            )
            .unwrap();
        }
        for (years, words) in [
            (set.max_interval_years, "Longest interval"),
            (set.inspect_every_years, "Look in every"),
            (set.inspect_every_years_with_grinder, "With a grinder, look in every"),
            (set.recheck_years, "After \"not yet\", look in every"),
        ] {
            if let Some(years) = years {
                let unit = if years.to_string() == "1" { "year" } else { "years" };
                writeln!(text, "- {words}: {years} {unit}").unwrap();
            }
        }
        for note in &set.notes {
            writeln!(text, "- {note}").unwrap();
        }
        if let Some(rule) = &set.hauled_waste {
            write_hauled_waste(&mut text, rule);
        }
        text.push('\n');
    }
    crate::check_generated_block("docs/rules.md", "rule sets", &text);
}
