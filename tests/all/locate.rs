//! Pins, tape ties and the house frame against published lines and a surveying text's worked case.
#![allow(
    clippy::unreadable_literal,
    clippy::excessive_precision,
    clippy::inconsistent_digit_grouping,
    clippy::redundant_closure_for_method_calls,
    reason = "published figures stand digit for digit"
)]

use lidmark::domain::locate::fix::{Fix, FixQuality, OPEN_SKY_FLOOR_M, average};
use lidmark::domain::locate::frame::{self, FitError, Known, Shared, fit_rigid};
use lidmark::domain::locate::plane::Ellipse;
use lidmark::domain::locate::ties::{Agreement, Side, TapeError, Tie, TieError, cross_circles, locate};
use lidmark::domain::locate::{LocalPlane, Point, Position, Spread};
use lidmark::domain::units::Length;
use proptest::prelude::*;

fn place(latitude: f64, longitude: f64) -> Position {
    Position::new(latitude, longitude).unwrap()
}

fn tie(x_m: f64, y_m: f64, distance_m: f64) -> Tie {
    Tie {
        from: Point::new(x_m, y_m),
        from_spread: Spread::NONE,
        distance: Length::from_real_mm(distance_m * 1000.0).unwrap(),
        error: TapeError::default(),
    }
}

fn ties_to(at: Point, from: &[(f64, f64)]) -> Vec<Tie> {
    from.iter()
        .map(|(x, y)| tie(*x, *y, at.distance_m(Point::new(*x, *y))))
        .collect()
}

/// Source: GDA technical manual's Vincenty example (ICSM), read in public test suites; recomputed with
/// geographiclib 2.1 on WGS 84: 54,972.2711 m, 306°52'05.3731", 127°10'25.0703".
#[test]
fn flinders_peak_to_buninyong() {
    let dms = |d: f64, m: f64, s: f64| d + m / 60.0 + s / 3600.0;
    let flinders = place(-dms(37.0, 57.0, 3.72030), dms(144.0, 25.0, 29.52440));
    let buninyong = place(-dms(37.0, 39.0, 10.15610), dms(143.0, 55.0, 35.38390));
    assert!((flinders.distance_m(buninyong) - 54_972.271).abs() < 0.0005);
    assert!((flinders.bearing_deg(buninyong) - dms(306.0, 52.0, 5.3731)).abs() < 1e-7);
    assert!((buninyong.bearing_deg(flinders) - dms(127.0, 10.0, 25.0703)).abs() < 1e-7);
    let back = flinders.travel(dms(306.0, 52.0, 5.3731), 54_972.2711);
    assert!(back.distance_m(buninyong) < 0.001);
}

/// Source: Karney, `GeodTest`, doi:10.5281/zenodo.32156: lat1 azi1 lat2 lon2 azi2 s12, with lon1 = 0.
const SHORT_LINES: [[f64; 6]; 3] = [
    [
        18.725775553796,
        98.927919777265,
        18.724785210853172866,
        0.006615636046166963,
        98.930043600815390181,
        706.2676803,
    ],
    [
        47.900780879363,
        148.758779524609,
        47.899309788344023215,
        0.001327005894209747,
        148.759764131627358008,
        191.3088022,
    ],
    [
        2.514600234503,
        166.362139719401,
        2.506446532968658234,
        0.00196695535966103,
        166.362225877709852834,
        927.7647972,
    ],
];

#[test]
fn geodesics_agree_with_karneys_short_lines() {
    for [lat1, azi1, lat2, lon2, azi2, s12] in SHORT_LINES {
        let (a, b) = (place(lat1, 0.0), place(lat2, lon2));
        assert!((a.distance_m(b) - s12).abs() < 1e-6);
        assert!((a.bearing_deg(b) - azi1).abs() < 1e-7);
        assert!(((b.bearing_deg(a) - 180.0).rem_euclid(360.0) - azi2).abs() < 1e-7);
        assert!(a.travel(azi1, s12).distance_m(b) < 1e-6);
    }
}

/// The plane is held to the same lines, seen from a corner that neither end stands on.
/// Lines held against PROJ's `geod`, an implementation in C that shares no code with the geo crate: 400 lines within a
/// site and 200 over the globe, drawn from a fixed seed.
#[test]
fn geodesics_agree_with_projs_own_program() {
    use std::fmt::Write as _;
    use std::io::Write as _;
    let mut state = 20_261_125_u64;
    // Knuth's MMIX generator: enough to spread places.
    let mut unit = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let lines: Vec<[f64; 4]> = (0..600)
        .map(|n| {
            let (lat, lon) = (170.0 * unit() - 85.0, 360.0 * unit() - 180.0);
            if n < 400 {
                let step = |u: f64| (u - 0.5) * 0.01;
                [lat, lon, lat + step(unit()), (lon + step(unit())).clamp(-180.0, 180.0)]
            } else {
                [lat, lon, 170.0 * unit() - 85.0, 360.0 * unit() - 180.0]
            }
        })
        .collect();
    let mut geod = std::process::Command::new("geod")
        .args(["+ellps=WGS84", "-I", "-f", "%.10f", "-F", "%.6f"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| {
            panic!("geod cannot be run ({error}); install Debian's proj-bin, this test means nothing without it")
        });
    let mut input = geod.stdin.take().unwrap();
    let mut text = String::new();
    for [a, b, c, d] in &lines {
        writeln!(text, "{a:.12} {b:.12} {c:.12} {d:.12}").unwrap();
    }
    let writer = std::thread::spawn(move || input.write_all(text.as_bytes()).unwrap());
    let output = geod.wait_with_output().unwrap();
    writer.join().unwrap();
    let answers = String::from_utf8(output.stdout).unwrap();
    assert_eq!(answers.lines().count(), lines.len());
    for ([lat1, lon1, lat2, lon2], answer) in lines.into_iter().zip(answers.lines()) {
        let said: Vec<f64> = answer
            .split_whitespace()
            .map(|number| number.parse().unwrap())
            .collect();
        let (from, to) = (place(lat1, lon1), place(lat2, lon2));
        assert!(
            (from.distance_m(to) - said[2]).abs() < 2e-6,
            "{lat1} {lon1} {lat2} {lon2}: {answer}"
        );
        // Degrees were printed to twelve decimals: a ten-millionth of a metre turns a short line by this much.
        let allowed = (1e-6 / said[2].max(1e-3)).to_degrees().max(1e-8);
        let turned = |ours: f64, theirs: f64| ((ours - theirs + 540.0).rem_euclid(360.0) - 180.0).abs();
        assert!(turned(from.bearing_deg(to), said[0]) < allowed, "{answer}");
        assert!(turned(to.bearing_deg(from), said[1]) < allowed, "{answer}");
    }
}

#[test]
fn the_plane_keeps_distances_within_a_site() {
    for [lat1, _, lat2, lon2, _, s12] in SHORT_LINES {
        let (a, b) = (place(lat1, 0.0), place(lat2, lon2));
        let plane = LocalPlane::at(place(lat1 + 0.001, 0.001));
        let (p, q) = (plane.point(a), plane.point(b));
        assert!((p.distance_m(q) - s12).abs() < 1e-5, "{}", p.distance_m(q) - s12);
        assert!(plane.position(p).distance_m(a) < 1e-7);
    }
}

#[test]
fn the_plane_works_across_the_date_line() {
    let (west, east) = (place(-16.5, 179.9999), place(-16.5, -179.9999));
    let plane = LocalPlane::at(west);
    assert!((plane.point(east).length_m() - west.distance_m(east)).abs() < 1e-6);
    assert!(plane.point(east).x_m > 0.0 && plane.point(east).x_m < 30.0);
}

#[test]
fn a_position_off_the_globe_is_refused() {
    for (latitude, longitude) in [
        (90.1, 0.0),
        (f64::NAN, 0.0),
        (0.0, 180.5),
        (0.0, f64::INFINITY),
        (-91.0, 0.0),
    ] {
        assert!(Position::new(latitude, longitude).is_err());
    }
}

/// The floor is the published open-sky figure; a thousand good fixes do not buy a better pin.
#[test]
fn averaging_never_shows_less_than_the_floor() {
    let base = place(44.0, -93.0);
    let fixes: Vec<Fix> = (0..1000).map(|_| Fix::new(base, Some(3.0))).collect();
    let pin = average(&fixes).unwrap();
    assert!((pin.error_m - OPEN_SKY_FLOOR_M).abs() < 1e-9);
    assert_eq!(pin.fixes, 1000);
    assert!(average(&[]).is_none());
}

/// A receiver that says 20 m over and over has shown no scatter, so nothing has been averaged away.
#[test]
fn a_poor_fix_repeated_stays_poor() {
    let fixes = vec![Fix::new(place(44.0, -93.0), Some(20.0)); 500];
    assert!((average(&fixes).unwrap().error_m - 20.0).abs() < 1e-9);
}

#[test]
fn fixes_are_weighted_by_their_accuracy() {
    let base = place(44.0, -93.0);
    let east = base.travel(90.0, 10.0);
    let pin = average(&[Fix::new(base, Some(5.0)), Fix::new(east, Some(10.0))]).unwrap();
    // Weights 1/25 and 1/100: one fifth of the way, worked by hand.
    assert!((base.distance_m(pin.position) - 2.0).abs() < 1e-4);
    assert!(pin.error_m >= OPEN_SKY_FLOOR_M);
}

#[test]
fn scatter_averages_out_and_bias_does_not() {
    let base = place(44.0, -93.0);
    let ring = |n: u32| -> Vec<Fix> {
        (0..n)
            .map(|i| Fix::new(base.travel(f64::from(i) * 360.0 / f64::from(n), 9.0), Some(9.0)))
            .collect()
    };
    let (few, many) = (average(&ring(4)).unwrap(), average(&ring(400)).unwrap());
    assert!(many.error_m < few.error_m && many.error_m >= OPEN_SKY_FLOOR_M);
    assert!((many.error_m - (OPEN_SKY_FLOOR_M.powi(2) + 81.0 / 399.0).sqrt()).abs() < 1e-3);
}

#[test]
fn a_carrier_phase_pin_is_floored_by_its_own_best_fix() {
    let fix = Fix {
        quality: FixQuality::RtkFixed,
        ..Fix::new(place(44.0, -93.0), Some(0.02))
    };
    assert!((average(&[fix; 50]).unwrap().error_m - 0.02).abs() < 1e-9);
    let mixed = average(&[fix, Fix::new(place(44.0, -93.0), Some(3.0))]).unwrap();
    assert!(mixed.error_m >= OPEN_SKY_FLOOR_M);
}

/// Source: Mahun, Open Surveying Library, COGO chapter E, direction-distance example: J (N 1419.51, E 3511.69),
/// K (N 2056.64, E 2341.36), K-T 738.15 ft, published J-T 878.915 ft; T and its mirror derived from those figures.
#[test]
fn mahuns_two_distances_give_the_point_and_its_mirror() {
    let (j, k) = (Point::new(3511.69, 1419.51), Point::new(2341.36, 2056.64));
    let crossings = cross_circles(j, 878.915, k, 738.15).unwrap();
    let near = |n: f64, e: f64| crossings.iter().any(|p| p.distance_m(Point::new(e, n)) < 0.002);
    assert!(near(2178.973, 3069.302), "{crossings:?}");
    assert!(near(1378.854, 2633.716), "{crossings:?}");
    let located = locate(&[tie(j.x_m, j.y_m, 878.915), tie(k.x_m, k.y_m, 738.15)]).unwrap();
    assert_eq!(located.candidates.len(), 2);
    for candidate in &located.candidates {
        assert!((candidate.at.distance_m(j) - 878.915).abs() < 1e-6);
        assert!((candidate.at.distance_m(k) - 738.15).abs() < 1e-6);
    }
    assert_eq!(located.agreement, Agreement::Unchecked);
}

/// House corners (0,0) and (30,0) ft with tapes of 25 and 20 ft: (18.75, ±16.5359), by the circle equations.
#[test]
fn two_house_corners_give_both_sides() {
    let ft = 0.3048;
    let located = locate(&[tie(0.0, 0.0, 25.0 * ft), tie(30.0 * ft, 0.0, 20.0 * ft)]).unwrap();
    let [left, right] = located.candidates.as_slice() else {
        panic!("two places expected")
    };
    assert!(left.at.distance_m(Point::new(18.75 * ft, 16.5359 * ft)) < 1e-4);
    assert!(right.at.distance_m(Point::new(18.75 * ft, -16.5359 * ft)) < 1e-4);
    assert_eq!((left.side, right.side), (Side::Left, Side::Right));
    assert!(!left.is_weak());
    assert!(located.advice.is_none());
}

#[test]
fn tapes_that_cannot_meet_are_refused_with_the_shortfall() {
    let too_short = locate(&[tie(0.0, 0.0, 3.0), tie(10.0, 0.0, 5.5)]).unwrap_err();
    let TieError::CannotMeet {
        first: 0,
        second: 1,
        shortfall_m,
    } = too_short
    else {
        panic!("{too_short}")
    };
    assert!((shortfall_m - 1.5).abs() < 1e-9);
    let inside = locate(&[tie(0.0, 0.0, 20.0), tie(10.0, 0.0, 5.0)]).unwrap_err();
    let TieError::CannotMeet { shortfall_m, .. } = inside else {
        panic!("{inside}")
    };
    assert!((shortfall_m - 5.0).abs() < 1e-9);
    assert!(matches!(locate(&[tie(0.0, 0.0, 3.0)]), Err(TieError::TooFew(1))));
    assert!(matches!(
        locate(&[tie(1.0, 0.0, 3.0), tie(1.0, 0.0, 4.0)]),
        Err(TieError::SamePlace { .. })
    ));
}

#[test]
fn grazing_arcs_are_weak_and_the_advice_helps() {
    let lid = Point::new(4.9, 0.4);
    let known = [(0.0, 0.0), (10.0, 0.0)];
    let located = locate(&ties_to(lid, &known)).unwrap();
    assert!(located.candidates.iter().all(|c| c.is_weak()));
    let advice = located.advice.unwrap();
    // The lid is nearly in line with the wall, so the loose direction is across it.
    assert!(advice.bearing_deg < 5.0 || advice.bearing_deg > 175.0, "{advice:?}");
    let held_at = advice.from[0];
    let mut more = ties_to(lid, &known);
    more.push(tie(held_at.x_m, held_at.y_m, lid.distance_m(held_at)));
    let better = locate(&more).unwrap();
    assert!(better.candidates[0].ellipse.major_m < 0.5 * advice.now_m);
    assert!(!better.candidates[0].is_weak());
}

#[test]
fn a_tie_with_one_blunder_is_named_and_left_out() {
    let lid = Point::new(6.0, 7.0);
    let known = [(0.0, 0.0), (12.0, 0.0), (12.0, 9.0), (-3.0, 8.0), (4.0, 15.0)];
    for wrong in 0..known.len() {
        for slip_m in [0.3048, -0.3048, 1.0, 3.048, -3.0] {
            let mut ties = ties_to(lid, &known);
            let read = ties[wrong].distance.mm() / 1000.0 + slip_m;
            ties[wrong].distance = Length::from_real_mm(read * 1000.0).unwrap();
            let located = locate(&ties).unwrap();
            let Agreement::OneDisagrees(suspect) = located.agreement else {
                panic!("{slip_m} {:?}", located.agreement)
            };
            assert_eq!(suspect.tie, wrong);
            assert!((suspect.off_m - slip_m).abs() < 0.01, "{suspect:?}");
            assert!(located.candidates[0].at.distance_m(lid) < 0.005);
        }
    }
}

/// With three ties any one could be the wrong one: geometry alone cannot tell, and the answer says so.
#[test]
fn three_ties_that_disagree_name_every_suspect() {
    let lid = Point::new(6.0, 7.0);
    let mut ties = ties_to(lid, &[(0.0, 0.0), (12.0, 0.0), (12.0, 12.0)]);
    ties[2].distance = Length::from_mm(ties[2].distance.as_mm() + 1000);
    let located = locate(&ties).unwrap();
    let Agreement::SomeDisagree(suspects) = located.agreement else {
        panic!("{:?}", located.agreement)
    };
    assert!(
        suspects.iter().any(|s| s.tie == 2 && (s.off_m - 1.0).abs() < 0.01),
        "{suspects:?}"
    );
}

#[test]
fn ties_all_along_one_wall_leave_both_sides_open() {
    let located = locate(&ties_to(Point::new(4.0, 6.0), &[(0.0, 0.0), (5.0, 0.0), (11.0, 0.0)])).unwrap();
    assert_eq!(located.candidates.len(), 2);
    assert!((located.candidates[0].at.y_m + located.candidates[1].at.y_m).abs() < 1e-6);
    assert_eq!(located.agreement, Agreement::Agree);
}

/// The stated ellipse against a thousand simulated tapings of the same lid (fixed seed inside the generator).
#[test]
fn the_ellipse_holds_the_share_it_says() {
    let lid = Point::new(7.0, 5.0);
    let known = [(0.0, 0.0), (10.0, 0.0), (13.0, 8.0)];
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut uniform = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut normal = move || (-2.0 * uniform().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos();
    let mut inside = 0;
    for _ in 0..1000 {
        let ties: Vec<Tie> = known
            .iter()
            .map(|(x, y)| {
                let true_m = lid.distance_m(Point::new(*x, *y));
                tie(*x, *y, true_m + TapeError::default().sigma_m(true_m) * normal())
            })
            .collect();
        let best = &locate(&ties).unwrap().candidates[0];
        let off = lid.minus(best.at);
        let s = best.spread;
        let det = s.xx * s.yy - s.xy * s.xy;
        let distance_sq = (off.x_m * off.x_m * s.yy - 2.0 * off.x_m * off.y_m * s.xy + off.y_m * off.y_m * s.xx) / det;
        inside += i32::from(distance_sq <= -2.0 * 0.05_f64.ln());
    }
    // 95 % of 1,000, three standard deviations of a binomial count being 21.
    assert!((929..=971).contains(&inside), "{inside}");
}

#[test]
fn a_rigid_fit_finds_turn_and_move_and_names_a_bad_pin() {
    let corners = [
        Point::new(0.0, 0.0),
        Point::new(12.0, 0.0),
        Point::new(12.0, 8.0),
        Point::new(0.0, 8.0),
    ];
    let shared: Vec<Shared> = corners
        .iter()
        .map(|corner| Shared {
            frame: *corner,
            pin: corner.turned_deg(37.0).plus(Point::new(100.0, -50.0)),
            pin_error_m: 4.9,
        })
        .collect();
    let fit = fit_rigid(&shared).unwrap();
    assert!((fit.turned_deg - 37.0).abs() < 1e-9 && fit.agrees && fit.rms_m < 1e-9);
    let lid = Known {
        at: Point::new(6.0, 14.0),
        spread: Spread::round(0.03),
    };
    assert!(fit.to_frame(fit.to_plane(lid.at)).distance_m(lid.at) < 1e-9);
    assert!(fit.spread_on_plane(lid).ellipse().major_m > fit.middle_sigma_m);

    let mut bad = shared.clone();
    bad[1].pin = bad[1].pin.plus(Point::new(60.0, 0.0));
    let fit = fit_rigid(&bad).unwrap();
    assert!(!fit.agrees && fit.worst == Some(1), "{fit:?}");
    // Two places share what they disagree by: neither can be named.
    let two = fit_rigid(&bad[..2]).unwrap();
    assert!(!two.agrees && two.worst.is_none(), "{two:?}");
    assert!(matches!(fit_rigid(&shared[..1]), Err(FitError::TooFew(1))));
    assert!(matches!(fit_rigid(&[shared[0], shared[0]]), Err(FitError::OneSpot)));
}

/// No scaling: pins spread 10 % too wide leave the frame its own size.
#[test]
fn a_rigid_fit_never_stretches() {
    let shared: Vec<Shared> = [(0.0, 0.0), (20.0, 0.0), (20.0, 10.0)]
        .iter()
        .map(|(x, y)| Shared {
            frame: Point::new(*x, *y),
            pin: Point::new(x * 1.1, y * 1.1),
            pin_error_m: 4.9,
        })
        .collect();
    let fit = fit_rigid(&shared).unwrap();
    let (a, b) = (fit.to_plane(shared[0].frame), fit.to_plane(shared[1].frame));
    assert!((a.distance_m(b) - 20.0).abs() < 1e-9);
    assert!(fit.rms_m > 0.3 && fit.agrees);
}

#[test]
fn a_baseline_starts_the_frame() {
    let [a, b] = frame::baseline(Length::from_mm(9144), TapeError::default());
    assert!(a.at.length_m() < 1e-12 && (b.at.x_m - 9.144).abs() < 1e-12 && b.spread.xx > 0.0);
}

#[test]
fn an_ellipse_reads_its_axes_off_the_spread() {
    // Standard deviations 3 and 1 with the long axis on a bearing of 30°.
    let made = Spread {
        xx: 1.0,
        xy: 0.0,
        yy: 9.0,
    }
    .turned_deg(30.0);
    let Ellipse {
        major_m,
        minor_m,
        bearing_deg,
    } = made.ellipse();
    assert!((major_m - 3.0).abs() < 1e-9 && (minor_m - 1.0).abs() < 1e-9 && (bearing_deg - 30.0).abs() < 1e-9);
}

fn corner() -> impl Strategy<Value = (f64, f64)> {
    (-30.0..30.0_f64, -30.0..30.0_f64)
}

proptest! {
    #[test]
    fn turning_and_moving_a_site_changes_no_distance(
        lid in corner(),
        known in proptest::collection::vec(corner(), 3..6),
        turn in 0.0..360.0_f64,
        shift in (-500.0..500.0_f64, -500.0..500.0_f64),
    ) {
        let lid = Point::new(lid.0, lid.1);
        let moved = |p: Point| p.turned_deg(turn).plus(Point::new(shift.0, shift.1));
        let here = ties_to(lid, &known);
        let there: Vec<Tie> = here.iter().map(|t| Tie { from: moved(t.from), ..*t }).collect();
        let (Ok(a), Ok(b)) = (locate(&here), locate(&there)) else { return Ok(()) };
        // Only well-held places: on a grazing one the millimetre of the tape itself moves the place by more.
        prop_assume!(a.candidates.len() == 1 && b.candidates.len() == 1 && !a.candidates[0].is_weak());
        prop_assert!(moved(a.candidates[0].at).distance_m(b.candidates[0].at) < 1e-4);
        for (t, u) in here.iter().zip(&there) {
            let one = a.candidates[0].at.distance_m(t.from);
            let other = b.candidates[0].at.distance_m(u.from);
            prop_assert!((one - other).abs() < 1e-4);
        }
    }

    #[test]
    fn a_consistent_tie_never_enlarges_the_ellipse(
        lid in corner(),
        known in proptest::collection::vec(corner(), 2..5),
        extra in corner(),
    ) {
        let lid = Point::new(lid.0, lid.1);
        let mut ties = ties_to(lid, &known);
        let nearest = |l: &lidmark::domain::locate::ties::Located| {
            l.candidates.iter().min_by(|a, b| a.at.distance_m(lid).total_cmp(&b.at.distance_m(lid))).cloned()
        };
        let Ok(before) = locate(&ties) else { return Ok(()) };
        ties.push(tie(extra.0, extra.1, lid.distance_m(Point::new(extra.0, extra.1))));
        let after = locate(&ties).unwrap();
        let (before, after) = (nearest(&before).unwrap(), nearest(&after).unwrap());
        // Where arcs graze, the millimetre of the tape moves the place along them and the ellipse is judged elsewhere.
        prop_assume!(before.crossing_deg > 5.0 && before.at.distance_m(lid) < 0.05);
        prop_assert!(after.ellipse.major_m <= before.ellipse.major_m * 1.01);
        prop_assert!(after.ellipse.minor_m <= before.ellipse.minor_m * 1.01);
    }

    #[test]
    fn nothing_the_tapes_say_panics(
        ties in proptest::collection::vec((any::<f64>(), any::<f64>(), any::<u32>()), 0..7),
        error_mm in any::<u32>(),
    ) {
        let error = TapeError { fixed: Length::from_mm(error_mm), per_mille: 2.0 };
        let ties: Vec<Tie> = ties
            .into_iter()
            .map(|(x, y, mm)| Tie { from: Point::new(x, y), from_spread: Spread::NONE, distance: Length::from_mm(mm), error })
            .collect();
        if let Ok(located) = locate(&ties) {
            for candidate in located.candidates {
                prop_assert!(candidate.at.is_finite());
            }
        }
    }
}
