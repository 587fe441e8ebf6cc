//! The probing map: its laws, its cost, and its worth over invented lots.
#![allow(
    clippy::too_many_lines,
    clippy::similar_names,
    clippy::format_push_string,
    clippy::doc_markdown,
    reason = "a generator reads best in one piece"
)]
//!
//! How the lots are drawn, and what the figures mean, is told in `docs/probing.md`.

use lidmark::domain::locate::Point;
use lidmark::domain::locate::clue::Clue;
use lidmark::domain::locate::depth::SewerDepth;
use lidmark::domain::locate::probe::{MapError, Met, Probe, ProbeMap, Reason};
use lidmark::domain::locate::yard::{Firmness, METRES_PER_FOOT, SetbackCode, Yard, contains};
use lidmark::domain::units::Length;
use proptest::prelude::*;

const ROD: Length = Length::from_mm(1200);

fn at(x: f64, y: f64) -> Point {
    Point::new(x, y)
}

/// A house of 12 by 8 m whose back wall runs along the x axis, on a lot of 40 by 50 m. Invented.
fn yard() -> Yard {
    Yard {
        house: vec![at(0.0, 0.0), at(12.0, 0.0), at(12.0, -8.0), at(0.0, -8.0)],
        lot: vec![at(-14.0, -20.0), at(26.0, -20.0), at(26.0, 30.0), at(-14.0, 30.0)],
        ..Yard::default()
    }
}

fn exit() -> Clue {
    Clue::SewerExit {
        at: at(5.0, 0.0),
        pipe_deg: None,
    }
}

fn map(clues: Vec<Clue>) -> ProbeMap {
    ProbeMap::new(yard(), clues, SewerDepth::default()).unwrap()
}

fn miss(x: f64, y: f64) -> Probe {
    Probe {
        at: at(x, y),
        depth: ROD,
        met: Met::Nothing,
    }
}

#[test]
fn the_best_place_is_out_from_the_sewer_and_says_why() {
    let map = map(vec![exit(), Clue::Field { at: at(6.0, 22.0) }]);
    let places = map.best_places(3);
    assert_eq!(places.len(), 3);
    assert!(places[0].chance >= places[1].chance && places[1].chance >= places[2].chance);
    let best = &places[0];
    assert!((best.at.x_m - 5.2).abs() < 1.0, "{best:?}");
    // 10 to 25 ft from the wall to its near edge: the published range.
    assert!((2.5..9.0).contains(&best.at.y_m), "{best:?}");
    assert!(
        best.reasons.iter().any(|r| matches!(r, Reason::SewerLine { .. })),
        "{best:?}"
    );
    assert!(
        best.reasons
            .iter()
            .any(|r| matches!(r, Reason::TowardField { clue: 1, .. })),
        "{best:?}"
    );
    assert_eq!(map.next_probe(), Some(best.at));
    assert!(
        places
            .iter()
            .all(|a| places.iter().all(|b| a == b || a.at.distance_m(b.at) > 2.0))
    );
}

#[test]
fn chances_are_chances() {
    let mut map = map(vec![exit()]);
    map.add_probe(miss(5.0, 5.0));
    let sum: f64 = map.grid().centres().map(|c| map.cell_chance(c)).sum();
    assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    assert!(map.shading().all(|(_, chance)| (0.0..=1.0).contains(&chance)));
}

/// Working only around a miss must give what working everything out again gives.
#[test]
fn a_miss_worked_out_locally_equals_the_whole() {
    // Within the house's outline, so that the grid is the same with it and without.
    let clue = Clue::Customer {
        at: at(8.0, -0.5),
        radius: Length::from_mm(6000),
    };
    let mut quick = map(vec![exit()]);
    for (x, y) in [(5.0, 5.0), (6.5, 4.0), (5.2, 7.1)] {
        quick.add_probe(miss(x, y));
    }
    quick.add_clue(clue);
    // A pipe hit makes the map work everything out from its clues and probes.
    let pipe = Probe {
        at: at(5.0, 1.0),
        depth: ROD,
        met: Met::Pipe,
    };
    quick.add_probe(pipe);
    let mut first = map(vec![exit(), clue]);
    first.add_probe(pipe);
    for (x, y) in [(5.0, 5.0), (6.5, 4.0), (5.2, 7.1)] {
        first.add_probe(miss(x, y));
    }
    for (centre, chance) in quick.shading() {
        assert!((first.chance(centre) - chance).abs() < 1e-6);
    }
}

/// A map made in one go is the map that grew push by push.
#[test]
fn a_map_made_at_once_equals_the_one_that_grew() {
    let push = |x: f64, y: f64, met: Met| Probe { met, ..miss(x, y) };
    let probes = vec![
        push(5.0, 5.0, Met::Nothing),
        push(5.4, 1.2, Met::Pipe),
        push(6.0, 6.5, Met::Edge),
        push(6.3, 6.0, Met::Tank),
        push(8.5, 6.0, Met::Nothing),
    ];
    let clues = vec![exit(), Clue::Field { at: at(7.0, 20.0) }];
    let mut grew = map(clues.clone());
    for probe in &probes {
        grew.add_probe(*probe);
    }
    let made = ProbeMap::with_probes(yard(), clues, SewerDepth::default(), probes).unwrap();
    for (centre, chance) in made.shading() {
        assert!((grew.chance(centre) - chance).abs() < 1e-9, "{centre:?}");
    }
}

/// Thousands of records, also such as contradict each other, still give chances, and in bounded time.
#[test]
fn thousands_of_pushes_and_clues_still_give_chances() {
    let mut dice = Dice(4);
    let place = |dice: &mut Dice| at(dice.between(-10.0, 20.0), dice.between(0.0, 25.0));
    let kinds = [Met::Nothing, Met::Tank, Met::Edge, Met::Pipe];
    let probes: Vec<Probe> = (0..2_000)
        .map(|n| Probe {
            at: place(&mut dice),
            depth: ROD,
            met: kinds[n % 4],
        })
        .collect();
    let mut clues = vec![exit()];
    for _ in 0..100 {
        clues.push(Clue::Vent { at: place(&mut dice) });
        clues.push(Clue::Field { at: place(&mut dice) });
        clues.push(Clue::Marker { at: place(&mut dice) });
    }
    let map = ProbeMap::with_probes(yard(), clues, SewerDepth::default(), probes).unwrap();
    let sum: f64 = map.grid().centres().map(|centre| map.cell_chance(centre)).sum();
    assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    assert_eq!(map.best_places(3).len(), 3);
}

/// A cleanout a step out, where square to the wall would have it, says more of the bearing than square alone; one that
/// stands aside turns the line towards itself; and a bearing that was seen and contradicts the wall leaves both open.
#[test]
fn what_is_known_of_the_bearing_is_put_together() {
    let cleanout = |x: f64| Clue::Cleanout {
        at: at(x, 1.4),
        pipe_deg: None,
    };
    let beside = |map: &ProbeMap| map.chance_within(at(1.0, 6.0), 2.0) + map.chance_within(at(9.0, 6.0), 2.0);
    let square = map(vec![exit()]);
    let straight = map(vec![exit(), cleanout(5.0)]);
    assert!(
        beside(&straight) < 0.8 * beside(&square),
        "{} {}",
        beside(&straight),
        beside(&square)
    );
    let aside = map(vec![exit(), cleanout(6.2)]);
    assert!(aside.chance(at(7.5, 6.0)) > 2.0 * aside.chance(at(2.5, 6.0)));
    let seen = map(vec![Clue::SewerExit {
        at: at(5.0, 0.0),
        pipe_deg: Some(60.0),
    }]);
    let out = |deg: f64| seen.chance_within(at(5.0, 0.0).plus(Point::polar(deg, 7.0)), 2.0);
    assert!(out(60.0) > 2.0 * out(0.0), "{} {}", out(60.0), out(0.0));
    // However much speaks for a bearing, a sewer may be bent farther on.
    assert!(straight.chance_within(at(11.0, 5.0), 2.0) > 0.001);
}

#[test]
fn a_hit_narrows_and_an_edge_lies_beside_the_middle() {
    let mut hit = map(vec![exit()]);
    let before = hit.area(0.7).square_m;
    hit.add_probe(Probe {
        at: at(5.0, 6.0),
        depth: ROD,
        met: Met::Tank,
    });
    assert!(
        hit.area(0.7).square_m < before / 4.0,
        "{before} {}",
        hit.area(0.7).square_m
    );
    assert!(hit.chance(at(5.0, 6.0)) > 0.7, "{}", hit.chance(at(5.0, 6.0)));
    let mut edge = map(vec![exit()]);
    edge.add_probe(Probe {
        at: at(5.0, 6.0),
        depth: ROD,
        met: Met::Edge,
    });
    assert!(edge.cell_chance(at(5.0, 6.0)) < edge.cell_chance(at(5.0, 6.9)));
}

#[test]
fn a_pipe_hit_turns_the_line() {
    let mut map = map(vec![exit()]);
    let (left, right) = (at(2.0, 5.0), at(8.0, 5.0));
    assert!((map.chance(left) / map.chance(right) - 1.0).abs() < 0.3);
    map.add_probe(Probe {
        at: at(6.0, 1.6),
        depth: ROD,
        met: Met::Pipe,
    });
    assert!(map.chance(right) > 5.0 * map.chance(left));
}

/// A shallow push says little of a deep tank.
#[test]
fn a_shallow_miss_lowers_less_than_a_deep_one() {
    let (mut shallow, mut deep) = (map(vec![exit()]), map(vec![exit()]));
    shallow.add_probe(Probe {
        depth: Length::from_mm(200),
        ..miss(5.0, 5.0)
    });
    deep.add_probe(miss(5.0, 5.0));
    assert!(deep.chance(at(5.0, 5.0)) < 0.5 * shallow.chance(at(5.0, 5.0)));
}

/// Source: Clark County 24.17.120 Table IV (5 ft, 5 ft, 50 ft) and 310 CMR 15.211 (10 ft, 10 ft, 50 ft).
#[test]
fn hard_setbacks_leave_no_chance_inside_them() {
    for (code, feet) in [(SetbackCode::Washington, 5.0), (SetbackCode::Massachusetts, 10.0)] {
        let well = at(20.0, 12.0);
        let yard = Yard {
            wells: vec![well],
            code,
            firmness: Firmness::Hard,
            ..yard()
        };
        let map = ProbeMap::new(yard.clone(), vec![exit()], SewerDepth::default()).unwrap();
        for centre in map.grid().centres() {
            let wall = yard.wall_distance_m(centre).unwrap();
            if wall < feet * METRES_PER_FOOT || well.distance_m(centre) < 50.0 * METRES_PER_FOOT {
                assert!(map.cell_chance(centre) <= 0.0, "{centre:?}");
            }
        }
    }
}

#[test]
fn limits_that_leave_nothing_say_so() {
    let yard = Yard {
        blocked: vec![yard().lot],
        ..yard()
    };
    assert_eq!(
        ProbeMap::new(yard, vec![exit()], SewerDepth::default()).unwrap_err(),
        MapError::NothingLeft
    );
    let nothing = ProbeMap::new(Yard::default(), vec![], SewerDepth::default());
    assert_eq!(nothing.unwrap_err(), MapError::NothingKnown);
    let far = vec![Clue::Vent { at: at(0.0, 0.0) }, Clue::Vent { at: at(1e6, 0.0) }];
    assert_eq!(
        ProbeMap::new(Yard::default(), far, SewerDepth::default()).unwrap_err(),
        MapError::TooWide
    );
}

/// Source: the depth check derived in the project's references from the IPC slopes and 15A NCAC 18A .1954: sewer 24 in
/// down, 16 ft out, lid 13 to 16 in down.
#[test]
fn the_lids_depth_follows_the_sewer() {
    let sewer = SewerDepth {
        invert: Length::from_inches(24.0),
    };
    let lid = sewer.lid(16.0 * METRES_PER_FOOT);
    // The sewer's depth is kept as 610 mm, 0.016 in more than 24 in.
    assert!((lid.from_m / 0.0254 - 13.0).abs() < 0.02, "{lid:?}");
    assert!((lid.to_m / 0.0254 - 16.0).abs() < 0.02, "{lid:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn a_miss_never_raises_its_own_cell(
        pushes in proptest::collection::vec((-10.0..20.0_f64, 0.0..20.0_f64, 0..2000_u32), 1..12),
        with_depth in any::<bool>(),
        field in (0.0..20.0_f64, 10.0..25.0_f64),
    ) {
        let depth = SewerDepth { invert: with_depth.then_some(Length::from_mm(700)) };
        let clues = vec![exit(), Clue::Field { at: at(field.0, field.1) }];
        let mut map = ProbeMap::new(yard(), clues, depth).unwrap();
        for (x, y, depth) in pushes {
            let (middle, under) = (map.cell_chance(at(x, y)), map.chance(at(x, y)));
            map.add_probe(Probe { at: at(x, y), depth: Length::from_mm(depth), met: Met::Nothing });
            prop_assert!(map.cell_chance(at(x, y)) <= middle + 1e-12);
            prop_assert!(map.chance(at(x, y)) <= under + 1e-9);
        }
    }

    #[test]
    fn turning_and_moving_a_site_moves_the_map_with_it(turn in 0.0..360.0_f64, dx in -300.0..300.0_f64) {
        let moved = |p: Point| p.turned_deg(turn).plus(at(dx, -dx));
        let all = |points: Vec<Point>| points.into_iter().map(moved).collect::<Vec<_>>();
        let here = map(vec![exit()]);
        let there = Yard { house: all(yard().house), lot: all(yard().lot), ..Yard::default() };
        let clue = Clue::SewerExit { at: moved(at(5.0, 0.0)), pipe_deg: None };
        let there = ProbeMap::new(there, vec![clue], SewerDepth::default()).unwrap();
        let (a, b) = (here.best_places(1), there.best_places(1));
        // The grid may fall half a cell differently.
        prop_assert!(moved(a[0].at).distance_m(b[0].at) < 0.8, "{:?} {:?}", moved(a[0].at), b[0].at);
        prop_assert!((a[0].chance - b[0].chance).abs() < 0.03);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn no_clue_panics(
        places in proptest::collection::vec((any::<f64>(), any::<f64>()), 9),
        radius in any::<u32>(),
        deg in any::<f64>(),
    ) {
        let p = |i: usize| at(places[i].0, places[i].1);
        let radius = Length::from_mm(radius);
        let clues = vec![
            Clue::SewerExit { at: p(0), pipe_deg: Some(deg) }, Clue::Cleanout { at: p(1), pipe_deg: None },
            Clue::Field { at: p(2) }, Clue::Oval { at: p(3), radius }, Clue::Vent { at: p(4) },
            Clue::Settled { at: p(5), radius }, Clue::Marker { at: p(6) }, Clue::Customer { at: p(7), radius },
            Clue::Record { from: p(8), distance: radius },
        ];
        for clue in &clues {
            let mut map = map(vec![exit()]);
            map.add_clue(*clue);
            map.add_probe(Probe { at: clue.at(), depth: radius, met: Met::Pipe });
            prop_assert!(map.best_places(3).iter().all(|best| best.at.is_finite()));
        }
        drop(ProbeMap::new(yard(), clues, SewerDepth::default()));
    }
}

// ---------------------------------------------------------------------------------------------------------------------
// The simulation.

/// SplitMix64 (Steele, Lea and Flood 2014): the same lots on every machine.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn normal(&mut self, sigma: f64) -> f64 {
        sigma * (-2.0 * self.unit().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }

    fn chance(&mut self, of: f64) -> bool {
        self.unit() < of
    }
}

/// An invented lot that keeps the rules.
struct Lot {
    yard: Yard,
    exit: Point,
    square_deg: f64,
    seen_deg: Option<f64>,
    tank: Vec<Point>,
    middle: Point,
    lid_m: f64,
    clues: Vec<Clue>,
    sewer: SewerDepth,
}

fn rectangle(middle: Point, along_deg: f64, length: f64, width: f64) -> Vec<Point> {
    [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]
        .iter()
        .map(|(w, l)| middle.plus(at(w * width, l * length).turned_deg(along_deg)))
        .collect()
}

/// Every place on an outline's edge, a hand apart: plain, and no function of the code under test.
fn rim(outline: &[Point]) -> Vec<Point> {
    (0..outline.len())
        .flat_map(|i| {
            let (a, b) = (outline[i], outline[(i + 1) % outline.len()]);
            (0..20).map(move |s| a.plus(b.minus(a).times(f64::from(s) / 20.0)))
        })
        .collect()
}

fn clear_of(rim_a: &[Point], rim_b: &[Point], metres: f64) -> bool {
    rim_a.iter().all(|a| rim_b.iter().all(|b| a.distance_m(*b) >= metres))
}

fn draw(dice: &mut Dice) -> Lot {
    loop {
        if let Some(lot) = try_draw(dice) {
            return lot;
        }
    }
}

fn try_draw(dice: &mut Dice) -> Option<Lot> {
    let (wide, deep) = (dice.between(9.0, 20.0), dice.between(7.0, 13.0));
    let house = vec![at(0.0, 0.0), at(wide, 0.0), at(wide, -deep), at(0.0, -deep)];
    let (left, right) = (dice.between(4.0, 20.0), dice.between(4.0, 20.0));
    let (front, back) = (dice.between(8.0, 20.0), dice.between(15.0, 45.0));
    let lot = vec![
        at(-left, -deep - front),
        at(wide + right, -deep - front),
        at(wide + right, back),
        at(-left, back),
    ];
    // Which wall the sewer leaves: mostly the back.
    let share = dice.between(0.08, 0.92);
    let (exit, square_deg) = match dice.unit() {
        u if u < 0.6 => (at(wide * share, 0.0), 0.0),
        u if u < 0.75 => (at(wide, -deep * share), 90.0),
        u if u < 0.9 => (at(0.0, -deep * share), 270.0),
        _ => (at(wide * share, -deep), 180.0),
    };
    let pipe_deg = square_deg
        + if dice.chance(0.75) {
            dice.normal(9.0)
        } else {
            dice.between(-50.0, 50.0)
        };
    // Near edge from the house: median 16 ft, about two in three between 10 and 25 ft, a lognormal and so no shape the map has.
    let run_m = 16.0 * METRES_PER_FOOT * dice.normal(0.48).exp();
    let length = dice.between(1.9, 3.2);
    let width = (length / dice.between(1.6, 2.0)).max(1.2);
    let crosswise = dice.chance(0.3);
    let ahead = if crosswise { width } else { length };
    let middle = exit.plus(Point::polar(pipe_deg, run_m + ahead / 2.0));
    let along_deg = pipe_deg + if crosswise { 90.0 } else { 0.0 } + dice.normal(5.0);
    let tank = rectangle(middle, along_deg, length, width);
    // The rules: inside the lot, 5 ft from foundation and line (Clark County 24.17.120 Table IV).
    let tank_rim = rim(&tank);
    let five = 5.0 * METRES_PER_FOOT;
    if !tank.iter().all(|corner| contains(&lot, *corner)) || tank.iter().any(|corner| contains(&house, *corner)) {
        return None;
    }
    let (house_rim, lot_rim) = (rim(&house), rim(&lot));
    if !clear_of(&tank_rim, &house_rim, five - 0.4) || !clear_of(&tank_rim, &lot_rim, five - 0.4) {
        return None;
    }
    // The field begins 5 ft or more past the tank (30 TAC 285.33(a)(4)) and keeps 10 ft from the house.
    let field_deg = pipe_deg + dice.normal(35.0);
    let field_m = dice.between(2.0, 9.0);
    let field = middle.plus(Point::polar(field_deg, ahead / 2.0 + field_m + dice.between(0.0, 8.0)));
    if !contains(&lot, field) || house_rim.iter().any(|p| p.distance_m(field) < 10.0 * METRES_PER_FOOT) {
        return None;
    }
    let well = (0..40)
        .map(|_| at(dice.between(-left, wide + right), dice.between(-deep - front, back)))
        .find(|well| {
            well.distance_m(middle) > 50.0 * METRES_PER_FOOT + 2.0
                && well.distance_m(field) > 100.0 * METRES_PER_FOOT
                && !contains(&house, *well)
        });
    let invert_m = dice.between(0.4, 0.95);
    let slope = dice.between(1.0 / 96.0, 1.0 / 48.0);
    let lid_m = (invert_m + slope * run_m - 0.32 + dice.normal(0.08)).max(0.05);

    // What the crew sees.
    let seen_deg = dice.chance(0.4).then(|| pipe_deg + dice.normal(8.0));
    let shown = exit.plus(at(dice.normal(0.2), dice.normal(0.2)));
    let mut clues = vec![Clue::SewerExit {
        at: shown,
        pipe_deg: seen_deg,
    }];
    let near = |dice: &mut Dice, of: Point, sigma: f64| of.plus(at(dice.normal(sigma), dice.normal(sigma)));
    let anywhere = |dice: &mut Dice| at(dice.between(-left, wide + right), dice.between(-deep - front, back));
    if dice.chance(0.4) {
        // Within 5 ft of the wall (Wis. SPS 382.35(5)(e)).
        let on = exit.plus(Point::polar(pipe_deg, dice.between(0.3, five)));
        clues.push(Clue::Cleanout {
            at: near(dice, on, 0.1),
            pipe_deg: None,
        });
    }
    if dice.chance(0.6) {
        clues.push(Clue::Field {
            at: near(dice, field, 1.0),
        });
    }
    if dice.chance(0.2) {
        let over = if dice.chance(0.55) {
            near(dice, middle, 0.8)
        } else {
            near(dice, field, 2.0)
        };
        clues.push(Clue::Oval {
            at: over,
            radius: Length::from_mm(1000),
        });
    }
    if dice.chance(0.15) {
        let over = if dice.chance(0.5) {
            near(dice, middle, 0.8)
        } else {
            anywhere(dice)
        };
        clues.push(Clue::Settled {
            at: over,
            radius: Length::from_mm(800),
        });
    }
    if dice.chance(0.1) {
        let stands = if dice.chance(0.5) {
            near(dice, middle, 2.5)
        } else {
            near(dice, field, 3.0)
        };
        clues.push(Clue::Vent { at: stands });
    }
    if dice.chance(0.08) {
        let stands = if dice.chance(0.85) {
            near(dice, middle, 0.9)
        } else {
            anywhere(dice)
        };
        clues.push(Clue::Marker { at: stands });
    }
    if dice.chance(0.6) {
        let points = if dice.chance(0.65) {
            near(dice, middle, 3.0)
        } else {
            anywhere(dice)
        };
        clues.push(Clue::Customer {
            at: points,
            radius: Length::from_mm(3000),
        });
    }
    if dice.chance(0.1) {
        let from = house[usize::from(dice.chance(0.5))];
        let true_m = from.distance_m(middle);
        let drawn_m = if dice.chance(0.8) {
            true_m + dice.normal(0.9)
        } else {
            dice.between(3.0, 20.0)
        };
        clues.push(Clue::Record {
            from,
            distance: Length::from_real_mm(drawn_m.max(0.5) * 1000.0)?,
        });
    }
    let sewer = SewerDepth {
        invert: if dice.chance(0.5) {
            Length::from_real_mm(invert_m * 1000.0)
        } else {
            None
        },
    };
    let yard = Yard {
        house,
        lot,
        wells: well.into_iter().collect(),
        ..Yard::default()
    };
    Some(Lot {
        yard,
        exit: shown,
        square_deg,
        seen_deg,
        tank,
        middle,
        lid_m,
        clues,
        sewer,
    })
}

const MOST_PUSHES: usize = 400;

impl Lot {
    fn meets(&self, push: Point) -> bool {
        self.lid_m < 1.2 && contains(&self.tank, push)
    }

    fn open(&self, push: Point) -> bool {
        contains(&self.yard.lot, push) && !contains(&self.yard.house, push)
    }

    fn count(&self, pushes: impl Iterator<Item = Point>) -> usize {
        pushes
            .filter(|push| self.open(*push))
            .take(MOST_PUSHES)
            .position(|push| self.meets(push))
            .map_or(MOST_PUSHES, |n| n + 1)
    }

    /// Outward along the pipe (as seen, else square to the wall) from 5 ft to 50 ft, then along lines beside it.
    fn along_the_pipe(&self, step_m: f64) -> usize {
        let bearing = self.seen_deg.unwrap_or(self.square_deg);
        let lines = (0..40).map(|n| f64::from((n + 1) / 2) * if n % 2 == 0 { -1.2 } else { 1.2 });
        let start = 5.0 * METRES_PER_FOOT;
        self.count(lines.flat_map(|beside| {
            let mut out = start;
            std::iter::from_fn(move || {
                let push = self.exit.plus(at(beside, out).turned_deg(bearing));
                out += step_m;
                (out < 50.0 * METRES_PER_FOOT).then_some(push)
            })
        }))
    }

    /// A spiral from the sewer exit whose turns and pushes are `step_m` apart; what is under the house is not counted.
    fn spiral(&self, step_m: f64) -> usize {
        let mut turned = 1.0_f64;
        self.count(std::iter::from_fn(move || {
            let radius = step_m * turned / std::f64::consts::TAU;
            turned += step_m / radius;
            (radius < 60.0).then(|| self.exit.plus(Point::polar(turned.to_degrees(), radius)))
        }))
    }

    /// The map's own way, and whether its 90 % area held the tank before the first push.
    fn by_map(&self) -> (usize, bool) {
        let mut map = ProbeMap::new(self.yard.clone(), self.clues.clone(), self.sewer).unwrap();
        let held = map.is_in(map.area(0.9), self.middle);
        for pushes in 1..=60 {
            let push = map.next_probe().unwrap();
            if self.meets(push) {
                return (pushes, held);
            }
            map.add_probe(Probe {
                at: push,
                depth: ROD,
                met: Met::Nothing,
            });
        }
        (MOST_PUSHES, held)
    }
}

fn median(mut of: Vec<usize>) -> f64 {
    of.sort_unstable();
    let half = of.len() / 2;
    (of[half] + of[(of.len() - 1) / 2]) as f64 / 2.0
}

fn mean(of: &[usize]) -> f64 {
    of.iter().sum::<usize>() as f64 / of.len() as f64
}

/// How many lots are drawn.
const LOTS: usize = 1000;

/// All of them take two minutes without optimisation, so such a build probes every fifth;
/// `cargo test --release --no-default-features probing -- --nocapture` probes all and prints the table.
const EVERY: usize = if cfg!(debug_assertions) { 5 } else { 1 };

#[test]
fn the_map_halves_the_probing_over_invented_lots() {
    let mut dice = Dice(20_260_501);
    let lots: Vec<Lot> = (0..LOTS).map(|_| draw(&mut dice)).step_by(EVERY).collect();
    let (first, second) = lots.split_at(lots.len() / 2);
    let ours = |lots: &[Lot]| lots.iter().map(Lot::by_map).collect::<Vec<_>>();
    let mut results = std::thread::scope(|scope| {
        let other = scope.spawn(|| ours(second));
        let mut all = ours(first);
        all.extend(other.join().unwrap());
        all
    });
    let held = results.iter().filter(|(_, held)| *held).count() as f64 / lots.len() as f64;
    let pushes: Vec<usize> = results.drain(..).map(|(pushes, _)| pushes).collect();
    // How-to pages say to probe "every couple of feet"; 3 ft is already a wide reading of that.
    let feet = |n: f64| n * METRES_PER_FOOT;
    let plain = |way: fn(&Lot, f64) -> usize, step_m: f64| lots.iter().map(|lot| way(lot, step_m)).collect::<Vec<_>>();
    let unfound = |of: &[usize]| of.iter().filter(|pushes| **pushes >= MOST_PUSHES).count();
    let mut table = String::new();
    let mut row = |name: &str, of: &[usize]| {
        table += &format!(
            "| {name} | {} | {:.1} | {} |\n",
            median(of.to_vec()),
            mean(of),
            unfound(of)
        );
    };
    row("the map", &pushes);
    for step_ft in [2.0, 3.0, 4.0, 5.0] {
        row(
            &format!("along the pipe, every {step_ft} ft"),
            &plain(Lot::along_the_pipe, feet(step_ft)),
        );
        row(
            &format!("spiral, every {step_ft} ft"),
            &plain(Lot::spiral, feet(step_ft)),
        );
    }
    println!(
        "{table}90 % area before the first push: held the tank in {:.1} % of lots",
        held * 100.0
    );
    assert!((0.85..=0.95).contains(&held), "the 90 % area holds {held}");
    for step_ft in [2.0, 3.0] {
        let (pipe, spiral) = (
            plain(Lot::along_the_pipe, feet(step_ft)),
            plain(Lot::spiral, feet(step_ft)),
        );
        assert!(
            median(pushes.clone()) * 2.0 <= median(pipe).min(median(spiral)),
            "every {step_ft} ft"
        );
    }
    // Steps as wide as a tank, which can pass one by, are the plain way's best: found with hindsight, and halved too
    // over all lots. A fifth of them is too few to tell a median of 2 from one of 3.
    for step_ft in [4.0, 5.0] {
        let pipe = median(plain(Lot::along_the_pipe, feet(step_ft)));
        let ours = median(pushes.clone());
        assert!(
            ours < pipe && (EVERY > 1 || ours * 2.0 <= pipe),
            "every {step_ft} ft: {ours} against {pipe}"
        );
    }
}

/// What the steps between a tap and its picture cost, as a table: over twenty lots, the median of each step, and as a
/// ratio to one pass over the map's own numbers, the least any update of all of it could take.
#[test]
fn what_an_update_costs() {
    use lidmark::app::plan_view::{Lens, Shading};
    use std::hint::black_box;
    let mut dice = Dice(5);
    let lots: Vec<Lot> = (0..20).map(|_| draw(&mut dice)).collect();
    let made = |lot: &Lot| ProbeMap::new(lot.yard.clone(), lot.clues.clone(), lot.sewer).unwrap();
    let maps: Vec<ProbeMap> = lots.iter().map(made).collect();
    let cost = |step: &mut dyn FnMut(&Lot, ProbeMap)| {
        let mut all: Vec<f64> = lots
            .iter()
            .zip(&maps)
            .flat_map(|pair| [pair; 5])
            .map(|(lot, map)| {
                let map = map.clone();
                let started = std::time::Instant::now();
                step(lot, map);
                started.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let mut numbers = vec![0.5_f64; 12_000 * 6];
    let least = cost(&mut |_, _| {
        for number in &mut numbers {
            *number *= 0.999;
        }
        black_box(&mut numbers);
    });
    let push = |met: Met| {
        move |_: &Lot, mut map: ProbeMap| {
            let at = map.grid().centre(map.grid().columns() / 2, map.grid().rows() / 2);
            map.add_probe(Probe { at, depth: ROD, met });
            black_box(map);
        }
    };
    let clue = |clue: fn(Point) -> Clue| {
        move |lot: &Lot, mut map: ProbeMap| {
            map.add_clue(clue(lot.exit.plus(at(1.0, 2.0))));
            black_box(map);
        }
    };
    let shade = |dp: (f64, f64)| {
        move |lot: &Lot, map: ProbeMap| {
            let lens = Lens::over(&lot.yard.lot, dp.0, dp.1);
            let shading = Shading::of(&map, 0.4, lens);
            // As the window makes it: four bytes a pixel.
            let picture: Vec<[u8; 4]> = shading.alpha.iter().map(|alpha| [255, 255, 255, *alpha]).collect();
            black_box(picture);
        }
    };
    let rows = [
        ("a push that met nothing", cost(&mut push(Met::Nothing))),
        ("a push that met the tank", cost(&mut push(Met::Tank))),
        ("a push that met the pipe", cost(&mut push(Met::Pipe))),
        ("a clue", cost(&mut clue(|at| Clue::Vent { at }))),
        (
            "a clue about the sewer",
            cost(&mut clue(|at| Clue::Cleanout { at, pipe_deg: None })),
        ),
        ("a new map", cost(&mut |lot, _| drop(black_box(made(lot))))),
        (
            "the best three places with reasons",
            cost(&mut |_, map| drop(black_box(map.best_places(3)))),
        ),
        ("the shading's picture, 412 x 892 dp", cost(&mut shade((396.0, 327.0)))),
        ("the shading's picture, 360 x 640 dp", cost(&mut shade((344.0, 200.0)))),
    ];
    println!("| step | ms | one pass over the map: {least:.3} ms |");
    for (name, ms) in rows {
        println!("| {name} | {ms:.3} | {:.1} |", ms / least);
    }
    // A miss is worked out around itself alone, and adding to a map never costs more than making it.
    assert!(rows[0].1 < rows[5].1 / 4.0, "{rows:?}");
    assert!(rows[1].1 < rows[5].1 && rows[3].1 < rows[5].1, "{rows:?}");
}

/// A lot from another generator, which shares no shape and no share with the first: a house with a wing, a distance
/// drawn evenly within the published ranges (usually 10-25 ft, some say from 5; one in five farther), catalogue sizes of
/// tanks, and fewer clues. Invented; shares are common practice.
fn draw_other(dice: &mut Dice) -> Lot {
    loop {
        let (wide, deep, wing) = (dice.between(8.0, 14.0), dice.between(6.0, 9.0), dice.between(3.0, 6.0));
        // The wing stands out behind the right half of the house.
        let house = vec![
            at(0.0, 0.0),
            at(wide / 2.0, 0.0),
            at(wide / 2.0, wing),
            at(wide, wing),
            at(wide, -deep),
            at(0.0, -deep),
        ];
        let side = dice.between(8.0, 25.0);
        let lot = rectangle(at(wide / 2.0, 0.0), 0.0, 70.0, wide + 2.0 * side);
        let (exit, square_deg) = match dice.unit() {
            u if u < 0.4 => (at(wide * dice.between(0.05, 0.45), 0.0), 0.0),
            u if u < 0.6 => (at(wide * dice.between(0.55, 0.95), wing), 0.0),
            u if u < 0.8 => (at(0.0, -deep * dice.unit()), 270.0),
            _ => (at(wide, -deep * dice.unit()), 90.0),
        };
        let bent = if dice.chance(0.7) { 12.0 } else { 40.0 };
        let pipe_deg = square_deg + dice.between(-bent, bent);
        let (from_ft, to_ft) = match dice.unit() {
            u if u < 0.7 => (10.0, 25.0),
            u if u < 0.8 => (5.5, 10.0),
            _ => (25.0, 45.0),
        };
        let run_m = dice.between(from_ft, to_ft) * METRES_PER_FOOT;
        let (length, width) = [(2.4, 1.5), (2.6, 1.6), (3.1, 1.8)][(dice.unit() * 3.0) as usize];
        let middle = exit.plus(Point::polar(pipe_deg, run_m + length / 2.0));
        let tank = rectangle(middle, pipe_deg, length, width);
        let tank_rim = rim(&tank);
        let five = 5.0 * METRES_PER_FOOT;
        if !tank.iter().all(|corner| contains(&lot, *corner))
            || !clear_of(&tank_rim, &rim(&house), five)
            || !clear_of(&tank_rim, &rim(&lot), five)
        {
            continue;
        }
        let mut clues = vec![Clue::SewerExit {
            at: exit,
            pipe_deg: None,
        }];
        let mut seen_deg = None;
        if dice.chance(0.5) {
            let seen = pipe_deg + dice.between(-10.0, 10.0);
            seen_deg = Some(seen);
            clues = vec![Clue::SewerExit {
                at: exit,
                pipe_deg: Some(seen),
            }];
        }
        if dice.chance(0.4) {
            let field = middle.plus(Point::polar(
                pipe_deg + dice.between(-60.0, 60.0),
                dice.between(4.0, 12.0),
            ));
            if !contains(&lot, field) {
                continue;
            }
            clues.push(Clue::Field { at: field });
        }
        if dice.chance(0.3) {
            let radius = Length::from_mm(3_000);
            let at = middle.plus(Point::polar(dice.between(0.0, 360.0), dice.between(0.0, 4.0)));
            clues.push(Clue::Customer { at, radius });
        }
        return Lot {
            yard: Yard {
                house,
                lot,
                ..Yard::default()
            },
            exit,
            square_deg,
            seen_deg,
            tank,
            middle,
            lid_m: dice.between(0.1, 0.9),
            clues,
            sewer: SewerDepth::default(),
        };
    }
}

/// Lots from the other generator: the map was fitted to seeds of the first alone.
#[test]
fn the_map_holds_on_lots_from_another_generator() {
    let lots: Vec<Lot> = {
        let mut dice = Dice(77);
        (0..LOTS / EVERY).map(|_| draw_other(&mut dice)).collect()
    };
    let (pushes, held): (Vec<usize>, Vec<bool>) = lots.iter().map(Lot::by_map).unzip();
    let held = held.iter().filter(|held| **held).count() as f64 / lots.len() as f64;
    let plain = |way: fn(&Lot, f64) -> usize| median(lots.iter().map(|lot| way(lot, 2.0 * METRES_PER_FOOT)).collect());
    let (ours, pipe, spiral) = (median(pushes.clone()), plain(Lot::along_the_pipe), plain(Lot::spiral));
    println!(
        "another generator: the map {ours} (mean {:.1}), along the pipe {pipe}, spiral {spiral}; 90 % area holds {held}",
        mean(&pushes)
    );
    assert!(ours * 2.0 <= pipe.min(spiral), "{ours} against {pipe} and {spiral}");
    assert!((0.85..=0.95).contains(&held), "the 90 % area holds {held}");
}
