//! The order of a day's stops: nearest insertion, then 2-opt and moving stops, with truck room and time windows.
//!
//! Distances come in as a table, so nothing here knows where anything lies. A day of few stops is tried out whole.
//!
//! Sources: nearest insertion and 2-opt are textbook (Rosenkrantz, Stearns, Lewis, "An analysis of several heuristics for
//! the traveling salesman problem", SIAM J. Comput. 6(3), 1977; Croes, "A method for solving traveling-salesman
//! problems", Operations Research 6(6), 1958).

/// Up to this many stops every order is tried.
pub const MOST_TRIED: usize = 8;

/// More stops than this are no day's work: moves that shorten the way are looked for one by one, and windows and disposal
/// trips count only when the ways found are compared.
pub const MOST_IMPROVED: usize = 120;

/// One stop of the day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Job {
    /// What is expected to come out, millilitres.
    pub volume_ml: i64,
    /// Minutes of the day between which the truck must arrive.
    pub window_min: Option<(i64, i64)>,
}

/// The day around the stops.
///
/// Places are numbered: 0 is the start, 1 to `jobs.len()` the stops, then the end, then the disposal places.
#[derive(Clone, Debug, Default)]
pub struct Day {
    /// Metres from place to place, row by row.
    pub metres: Vec<Vec<f64>>,
    /// The stops in the order entered.
    pub jobs: Vec<Job>,
    /// How many disposal places there are.
    pub disposals: usize,
    /// What the truck holds, millilitres; no limit when not given.
    pub capacity_ml: Option<i64>,
    /// What is on board at the start, millilitres.
    pub on_board_ml: i64,
    /// Minute of the day the truck leaves.
    pub depart_min: f64,
    /// Minutes at each stop.
    pub service_min: f64,
    /// Minutes at a disposal place.
    pub disposal_min: f64,
    /// Metres the truck makes in a minute, counted along the table's distances.
    pub metres_per_min: f64,
}

/// A trip to a disposal place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trip {
    /// Before the stop at this place in the order.
    pub before: usize,
    /// Which disposal place.
    pub disposal: usize,
}

/// How a day goes in one order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Course {
    /// The stops, by their place in the order entered.
    pub order: Vec<usize>,
    /// How far the truck drives, metres.
    pub metres: f64,
    /// The disposal trips.
    pub trips: Vec<Trip>,
    /// Minute of the day of each arrival.
    pub arrive_min: Vec<f64>,
    /// Minutes behind each window.
    pub late_min: Vec<f64>,
    /// Stops whose expected volume does not fit even the empty truck.
    pub too_large: Vec<usize>,
    /// A disposal trip is needed and no place is known.
    pub lacks_disposal: bool,
}

impl Course {
    /// Minutes behind all windows.
    #[must_use]
    pub fn late(&self) -> f64 {
        self.late_min.iter().sum()
    }

    /// Whether this course is to be preferred: less late first, then shorter.
    fn beats(&self, other: &Self) -> bool {
        let (own, others) = (self.late(), other.late());
        if (own - others).abs() > 1e-6 {
            own < others
        } else {
            self.metres + 1e-6 < other.metres
        }
    }
}

impl Day {
    fn between(&self, from: usize, to: usize) -> f64 {
        self.metres
            .get(from)
            .and_then(|row| row.get(to))
            .copied()
            .unwrap_or(0.0)
    }

    const fn end(&self) -> usize {
        self.jobs.len() + 1
    }

    /// The disposal place with the least way round between two places.
    fn nearest_disposal(&self, from: usize, to: usize) -> Option<usize> {
        let way = |disposal: usize| {
            let at = self.end() + 1 + disposal;
            self.between(from, at) + self.between(at, to)
        };
        (0..self.disposals).min_by(|a, b| way(*a).total_cmp(&way(*b)))
    }

    /// Drives the day in this order.
    #[must_use]
    pub fn drive(&self, order: &[usize]) -> Course {
        let mut course = Course {
            order: order.to_vec(),
            ..Course::default()
        };
        let (mut at, mut load, mut minute) = (0, self.on_board_ml, self.depart_min);
        let speed = self.metres_per_min.max(1e-6);
        for (place, job_index) in order.iter().enumerate() {
            let Some(job) = self.jobs.get(*job_index) else { continue };
            let node = job_index + 1;
            let capacity = self.capacity_ml.unwrap_or(i64::MAX);
            let fits = load.saturating_add(job.volume_ml) <= capacity;
            if !fits && load > 0 {
                if let Some(disposal) = self.nearest_disposal(at, node) {
                    let there = self.end() + 1 + disposal;
                    let metres = self.between(at, there);
                    course.metres += metres;
                    minute += metres / speed + self.disposal_min;
                    course.trips.push(Trip {
                        before: place,
                        disposal,
                    });
                    (at, load) = (there, 0);
                } else {
                    course.lacks_disposal = true;
                    load = 0;
                }
            }
            let metres = self.between(at, node);
            course.metres += metres;
            minute += metres / speed;
            let mut late = 0.0;
            if let Some((from, to)) = job.window_min {
                minute = minute.max(whole(from));
                late = (minute - whole(to)).max(0.0);
            }
            course.arrive_min.push(minute);
            course.late_min.push(late);
            minute += self.service_min;
            if job.volume_ml > capacity {
                course.too_large.push(*job_index);
            }
            load = load.saturating_add(job.volume_ml).min(capacity);
            at = node;
        }
        course.metres += self.between(at, self.end());
        course
    }

    /// Orders the stops: the best of the order entered and of nearest insertion, each improved until no 2-opt move and
    /// no moved stop helps; up to [`MOST_TRIED`] stops the best order there is. Above [`MOST_IMPROVED`] the way of nearest
    /// insertion is shortened by [`Self::shortened`] alone.
    ///
    /// Never worse than the order entered.
    #[must_use]
    pub fn order(&self) -> Course {
        let entered = self.drive(&(0..self.jobs.len()).collect::<Vec<_>>());
        if self.jobs.len() <= MOST_TRIED {
            return self.best_of_all();
        }
        let inserted = self.drive(&self.nearest_insertion());
        let courses = if self.jobs.len() <= MOST_IMPROVED {
            vec![self.improved(entered), self.improved(inserted)]
        } else {
            let shortened = self.drive(&self.shortened(inserted.order.clone()));
            vec![entered, inserted, shortened]
        };
        let better = |best: Course, course: Course| if course.beats(&best) { course } else { best };
        courses.into_iter().reduce(better).unwrap_or_default()
    }

    /// Grows a way from start to end: always the stop nearest to the way so far, where it makes it longer by the least.
    #[must_use]
    pub fn nearest_insertion(&self) -> Vec<usize> {
        let mut way = vec![0, self.end()];
        // Each stop that is left, with how near it is to the way.
        let mut left = (1..=self.jobs.len())
            .map(|node| (node, self.between(0, node).min(self.between(self.end(), node))))
            .collect::<Vec<_>>();
        while let Some(index) = (0..left.len()).min_by(|a, b| {
            let nearness = |at: &usize| left.get(*at).map_or(f64::INFINITY, |(_, near)| *near);
            nearness(a).total_cmp(&nearness(b))
        }) {
            let (node, _) = left.remove(index);
            let longer =
                |(from, to): (usize, usize)| self.between(from, node) + self.between(node, to) - self.between(from, to);
            let place = way
                .windows(2)
                .enumerate()
                .filter_map(|(place, pair)| match pair {
                    [from, to] => Some((place, longer((*from, *to)))),
                    _ => None,
                })
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map_or(1, |(place, _)| place + 1);
            way.insert(place, node);
            for (other, near) in &mut left {
                *near = near.min(self.between(node, *other));
            }
        }
        way.iter()
            .filter(|node| (1..=self.jobs.len()).contains(*node))
            .map(|node| node - 1)
            .collect()
    }

    /// Shortens the way by 2-opt moves and by moving up to three stops in a row, each move taken as it is found; windows and
    /// disposal trips are not looked at.
    #[must_use]
    pub fn shortened(&self, order: Vec<usize>) -> Vec<usize> {
        let mut way = vec![0];
        way.extend(order.into_iter().map(|job| job + 1));
        way.push(self.end());
        // Every move makes the way shorter, so this ends; the bound keeps a bad table from taking all day.
        for _ in 0..100 {
            let is_shorter = self.reverse_stretches(&mut way);
            if !self.move_stops(&mut way) && !is_shorter {
                break;
            }
        }
        let stops = way.get(1..way.len() - 1).unwrap_or_default();
        stops.iter().map(|node| node - 1).collect()
    }

    /// How long the way is between the places that stand here in it.
    fn leg(&self, way: &[usize], from: usize, to: usize) -> f64 {
        match (way.get(from), way.get(to)) {
            (Some(from), Some(to)) => self.between(*from, *to),
            _ => 0.0,
        }
    }

    fn reverse_stretches(&self, way: &mut [usize]) -> bool {
        let mut is_shorter = false;
        for i in 1..way.len() - 1 {
            for j in i + 1..way.len() - 1 {
                let now = self.leg(way, i - 1, i) + self.leg(way, j, j + 1);
                let then = self.leg(way, i - 1, j) + self.leg(way, i, j + 1);
                if then + 1e-6 < now
                    && let Some(stretch) = way.get_mut(i..=j)
                {
                    stretch.reverse();
                    is_shorter = true;
                }
            }
        }
        is_shorter
    }

    fn move_stops(&self, way: &mut [usize]) -> bool {
        let mut is_shorter = false;
        for count in 1..=3 {
            for i in 1..(way.len() - 1).saturating_sub(count - 1) {
                let last = i + count - 1;
                let saved = self.leg(way, i - 1, i) + self.leg(way, last, last + 1) - self.leg(way, i - 1, last + 1);
                let added = |at: usize| self.leg(way, at, i) + self.leg(way, last, at + 1) - self.leg(way, at, at + 1);
                // Between the stop here and the next one, neither of them being moved.
                let places = (0..i - 1).chain(last + 1..way.len() - 1);
                let best = places.min_by(|a, b| added(*a).total_cmp(&added(*b)));
                let Some(at) = best.filter(|at| added(*at) + 1e-6 < saved) else {
                    continue;
                };
                if at < i {
                    if let Some(stretch) = way.get_mut(at + 1..=last) {
                        stretch.rotate_right(count);
                    }
                } else if let Some(stretch) = way.get_mut(i..=at) {
                    stretch.rotate_left(count);
                }
                is_shorter = true;
            }
        }
        is_shorter
    }

    /// Reverses stretches and moves stops as long as the day gets better.
    #[must_use]
    pub fn improved(&self, mut best: Course) -> Course {
        let count = best.order.len();
        // A course only ever gets better, so this ends; the bound keeps a bad table from taking all day.
        for _ in 0..200 {
            let mut found = None::<Course>;
            let mut consider = |course: Course| {
                if course.beats(found.as_ref().unwrap_or(&best)) {
                    found = Some(course);
                }
            };
            for i in 0..count {
                for j in i + 1..count {
                    let mut order = best.order.clone();
                    if let Some(stretch) = order.get_mut(i..=j) {
                        stretch.reverse();
                    }
                    consider(self.drive(&order));
                    let mut forward = best.order.clone();
                    if let Some(stretch) = forward.get_mut(i..=j) {
                        stretch.rotate_left(1);
                    }
                    consider(self.drive(&forward));
                    let mut back = best.order.clone();
                    if let Some(stretch) = back.get_mut(i..=j) {
                        stretch.rotate_right(1);
                    }
                    consider(self.drive(&back));
                }
            }
            match found {
                Some(better) => best = better,
                None => break,
            }
        }
        best
    }

    /// Tries every order; the first of the best ones stays.
    #[must_use]
    pub fn best_of_all(&self) -> Course {
        let mut order = (0..self.jobs.len()).collect::<Vec<_>>();
        let mut best = self.drive(&order);
        // Heap's algorithm (B. R. Heap, The Computer Journal 6(3), 1963), without recursion.
        let mut counters = vec![0; order.len()];
        let mut i = 1;
        while i < order.len() {
            let Some(counter) = counters.get_mut(i) else { break };
            if *counter < i {
                order.swap(if i % 2 == 0 { 0 } else { *counter }, i);
                *counter += 1;
                let next = self.drive(&order);
                if next.beats(&best) {
                    best = next;
                }
                i = 1;
            } else {
                *counter = 0;
                i += 1;
            }
        }
        best
    }
}

/// Minutes of a day as a real number.
fn whole(minutes: i64) -> f64 {
    i32::try_from(minutes).map_or(f64::MAX, f64::from)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::cast_precision_loss)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn flat(points: &[(f64, f64)], jobs: Vec<Job>, disposals: usize) -> Day {
        let metres = points
            .iter()
            .map(|a| points.iter().map(|b| (a.0 - b.0).hypot(a.1 - b.1)).collect())
            .collect();
        Day {
            metres,
            jobs,
            disposals,
            service_min: 30.0,
            disposal_min: 20.0,
            metres_per_min: 500.0,
            ..Day::default()
        }
    }

    /// All orders, by plain recursion: an oracle that shares nothing with the search but the drive itself.
    fn shortest(day: &Day, chosen: &mut Vec<usize>, best: &mut f64) {
        if chosen.len() == day.jobs.len() {
            *best = best.min(day.drive(chosen).metres);
            return;
        }
        for next in 0..day.jobs.len() {
            if !chosen.contains(&next) {
                chosen.push(next);
                shortest(day, chosen, best);
                chosen.pop();
            }
        }
    }

    /// By hand: of two disposal places the second is chosen, 5 and 5 m away, over the first, 1 and 10 m away. The end of the
    /// day, whose row stands before theirs, is far from both.
    #[test]
    fn the_disposal_place_of_the_least_way_round_is_chosen() {
        // Start, one stop, the end, and the two disposal places.
        let mut metres = vec![vec![1_000.0; 5]; 5];
        for (from, to, metre) in [(0, 3, 1.0), (3, 1, 10.0), (0, 4, 5.0), (4, 1, 5.0)] {
            metres[from][to] = metre;
        }
        let day = Day {
            metres,
            jobs: vec![Job::default()],
            disposals: 2,
            ..Day::default()
        };
        assert_eq!(day.nearest_disposal(0, 1), Some(1));
    }

    /// The only way along a line is along the line.
    #[test]
    fn stops_on_a_line_are_driven_along_it() {
        let points: Vec<_> = [0.0, 7.0, 3.0, 9.0, 1.0, 5.0, 10.0]
            .iter()
            .map(|x| (*x * 1_000.0, 0.0))
            .collect();
        let day = flat(&points, vec![Job::default(); 5], 0);
        let course = day.order();
        assert_eq!(course.order, [3, 1, 4, 0, 2]);
        assert!((course.metres - 10_000.0).abs() < 1e-9);
    }

    /// A tank that no empty truck holds is no reason to let out nothing.
    #[test]
    fn an_empty_truck_is_not_emptied() {
        let jobs = vec![Job {
            volume_ml: 9_000_000,
            ..Job::default()
        }];
        let points = [(0.0, 0.0), (1_000.0, 0.0), (0.0, 0.0), (3_000.0, 0.0)];
        let day = Day {
            capacity_ml: Some(5_000_000),
            ..flat(&points, jobs, 1)
        };
        assert!(day.drive(&[0]).trips.is_empty());
        let begun = Day { on_board_ml: 1, ..day };
        assert_eq!(begun.drive(&[0]).trips.len(), 1);
    }

    /// Start and end at 0, stops at 1 and 2 km with 600 L each, 1,000 L of room, disposal at 3 km: by hand
    /// 0 -> 1 -> 3 (dispose) -> 2 -> 0 is 1 + 2 + 1 + 2 = 6 km, as is 0 -> 2 -> 3 -> 1 -> 0.
    #[test]
    fn what_does_not_fit_is_taken_away_first() {
        let jobs = vec![
            Job {
                volume_ml: 600_000,
                window_min: None
            };
            2
        ];
        let mut day = flat(&[(0.0, 0.0), (1e3, 0.0), (2e3, 0.0), (0.0, 0.0), (3e3, 0.0)], jobs, 1);
        day.capacity_ml = Some(1_000_000);
        let course = day.order();
        assert!((course.metres - 6_000.0).abs() < 1e-9);
        assert_eq!(course.trips, [Trip { before: 1, disposal: 0 }]);
        day.capacity_ml = Some(1_200_000);
        assert!(day.order().trips.is_empty());
        day.capacity_ml = Some(500_000);
        assert_eq!(day.order().too_large.len(), 2);
        (day.capacity_ml, day.disposals) = (Some(1_000_000), 0);
        assert!(day.order().lacks_disposal);
    }

    /// Stops at 1 and 9 km, disposal at -1 and 6 km. By hand from 1 km to 9 km: by -1 km 2 + 10, by 6 km 5 + 3. At 500 m a
    /// minute, 30 min a stop and 20 min a disposal, from minute 480 on: 482 the first stop, 548 the second.
    #[test]
    fn the_disposal_place_least_out_of_the_way_is_driven_to_and_takes_its_time() {
        let job = Job {
            volume_ml: 600_000,
            window_min: None,
        };
        let points = [(0.0, 0.0), (1e3, 0.0), (9e3, 0.0), (0.0, 0.0), (-1e3, 0.0), (6e3, 0.0)];
        let mut day = flat(&points, vec![job; 2], 2);
        (day.depart_min, day.service_min, day.disposal_min) = (480.0, 30.0, 20.0);
        // Just as much as one stop gives is not too much for the truck.
        day.capacity_ml = Some(600_000);
        let course = day.drive(&[0, 1]);
        assert_eq!(course.trips, [Trip { before: 1, disposal: 1 }]);
        assert_eq!(course.too_large, Vec::<usize>::new());
        assert!((course.metres - 18_000.0).abs() < 1e-9);
        assert!((course.arrive_min[0] - 482.0).abs() < 1e-9 && (course.arrive_min[1] - 548.0).abs() < 1e-9);
    }

    #[test]
    fn of_two_days_equally_late_the_shorter_is_preferred_and_no_day_to_itself() {
        let late = Course {
            metres: 2e3,
            late_min: vec![5.0],
            ..Course::default()
        };
        let shorter = Course {
            metres: 1e3,
            ..late.clone()
        };
        let in_time = Course {
            metres: 9e3,
            ..Course::default()
        };
        assert!(shorter.beats(&late) && !late.beats(&shorter));
        assert!(in_time.beats(&shorter) && !shorter.beats(&in_time));
        assert!(!late.beats(&late));
    }

    /// 500 m a minute, 30 min a stop: the far stop must be first for its window, though the near one lies on the way.
    #[test]
    fn a_window_turns_the_order_round_and_one_that_cannot_be_met_is_said() {
        let jobs = vec![
            Job::default(),
            Job {
                volume_ml: 0,
                window_min: Some((0, 25)),
            },
        ];
        let mut day = flat(&[(0.0, 0.0), (1e3, 0.0), (1e4, 0.0), (0.0, 0.0)], jobs, 0);
        let course = day.order();
        assert_eq!(course.order, [1, 0]);
        assert!(course.late() < 1e-9);
        assert!((course.arrive_min[0] - 20.0).abs() < 1e-9);
        day.jobs[1].window_min = Some((0, 15));
        let course = day.order();
        assert!((course.late_min[0] - 5.0).abs() < 1e-9, "{course:?}");
        // Too early: it waits.
        day.jobs[1].window_min = Some((60, 90));
        assert!(day.order().late() < 1e-9);
    }

    /// The shortest way over all stops from the start to the end by dynamic programming over sets (Held and Karp, "A
    /// dynamic programming approach to sequencing problems", J. SIAM 10(1), 1962).
    fn held_karp(day: &Day) -> f64 {
        let count = day.jobs.len();
        let mut best = vec![vec![f64::INFINITY; count]; 1 << count];
        for last in 0..count {
            best[1 << last][last] = day.between(0, last + 1);
        }
        for set in 1..1_usize << count {
            for last in (0..count).filter(|last| set & (1 << last) != 0) {
                for next in (0..count).filter(|next| set & (1 << next) == 0) {
                    let way = best[set][last] + day.between(last + 1, next + 1);
                    let into = &mut best[set | 1 << next][next];
                    *into = into.min(way);
                }
            }
        }
        let all = (1 << count) - 1;
        (0..count)
            .map(|last| best[all][last] + day.between(last + 1, day.end()))
            .fold(f64::INFINITY, f64::min)
    }

    /// The instance burma14 of TSPLIB 95 (Reinelt, "TSPLIB - a traveling salesman problem library", ORSA Journal on
    /// Computing 3(4), 1991): coordinates as degrees.minutes, distance type GEO, length of the shortest tour 3323.
    #[test]
    fn a_published_tour_is_found_nearly_and_never_undercut() {
        let cities: [(f64, f64); 14] = [
            (16.47, 96.10),
            (16.47, 94.44),
            (20.09, 92.54),
            (22.39, 93.37),
            (25.23, 97.24),
            (22.00, 96.05),
            (20.47, 97.02),
            (17.20, 96.29),
            (16.30, 97.38),
            (14.05, 98.12),
            (16.53, 97.38),
            (21.52, 95.59),
            (19.41, 97.13),
            (20.09, 94.55),
        ];
        // The type GEO as TSPLIB defines it, its shortened pi and its radius included.
        #[expect(clippy::approx_constant, reason = "the definition says this many digits")]
        let radians = |x: f64| 3.141_592 * (x.trunc() + 5.0 * (x - x.trunc()) / 3.0) / 180.0;
        let geo = |a: (f64, f64), b: (f64, f64)| {
            let (q1, q2, q3) = (
                (radians(a.1) - radians(b.1)).cos(),
                (radians(a.0) - radians(b.0)).cos(),
                (radians(a.0) + radians(b.0)).cos(),
            );
            if a == b {
                0.0
            } else {
                (6_378.388 * (0.5 * ((1.0 + q1) * q2 - (1.0 - q1) * q3)).acos() + 1.0).trunc()
            }
        };
        let mut points = cities.to_vec();
        points.push(cities[0]);
        let day = Day {
            metres: points
                .iter()
                .map(|a| points.iter().map(|b| geo(*a, *b)).collect())
                .collect(),
            jobs: vec![Job::default(); 13],
            metres_per_min: 1.0,
            ..Day::default()
        };
        assert!(
            (held_karp(&day) - 3_323.0).abs() < 1e-9,
            "the table is not the published one"
        );
        let found = day.order().metres;
        assert!((3_323.0 - 1e-9..=3_323.0 * 1.05).contains(&found), "{found}");
    }

    /// Places in convex position: the shortest tour is the way around, because every other one crosses itself (Flood,
    /// "The traveling-salesman problem", Operations Research 4(1), 1956), and what crosses itself a 2-opt move mends.
    #[test]
    fn places_around_an_ellipse_are_driven_around_it() {
        let place = |n: usize| {
            let angle = std::f64::consts::TAU * (n * 7 % 30) as f64 / 30.0;
            (9_000.0 * angle.cos(), 4_000.0 * angle.sin())
        };
        let mut points = (0..30).map(place).collect::<Vec<_>>();
        points.push(points[0]);
        let around: f64 = (0..30)
            .map(|n| {
                let at = |n: usize| std::f64::consts::TAU * (n % 30) as f64 / 30.0;
                let (a, b) = (at(n), at(n + 1));
                (9_000.0 * (a.cos() - b.cos())).hypot(4_000.0 * (a.sin() - b.sin()))
            })
            .sum();
        let day = flat(&points, vec![Job::default(); 29], 0);
        assert!((day.order().metres - around).abs() < 1e-6);
    }

    /// A shuffled grid of 20 by 50 places a kilometre apart: no way over all of them is shorter than a kilometre a stop, and
    /// with an even number of rows there is one of just that length, so 1,000 km from a place back to it.
    #[test]
    fn a_thousand_stops_are_ordered_nearly_as_well_as_can_be() {
        let place = |n: usize| {
            let n = n * 387 % 1_000;
            ((n % 20) as f64 * 1e3, (n / 20) as f64 * 1e3)
        };
        let mut points = (0..1_000).map(place).collect::<Vec<_>>();
        points.push(points[0]);
        let day = flat(&points, vec![Job::default(); 999], 0);
        let course = day.order();
        let mut seen = course.order.clone();
        seen.sort_unstable();
        assert_eq!(seen, (0..999).collect::<Vec<_>>());
        assert!((1e6 - 1e-6..1.15e6).contains(&course.metres), "{}", course.metres);
        let inserted = day.drive(&day.nearest_insertion()).metres;
        assert!(course.metres < inserted, "{} against {inserted}", course.metres);
    }

    /// From the start over the stops to the end, metres.
    fn length(day: &Day, stops: &[usize]) -> f64 {
        let mut way = vec![0];
        way.extend(stops.iter().map(|job| job + 1));
        way.push(day.end());
        way.windows(2).map(|pair| day.between(pair[0], pair[1])).sum()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        /// Every move of the kinds looked for, made and measured whole: none of them shortens what has been shortened.
        #[test]
        fn what_is_shortened_is_not_shortened_by_one_more_move(points in proptest::collection::vec((0.0..1e4_f64, 0.0..1e4_f64), 12)) {
            let day = flat(&points, vec![Job::default(); 10], 0);
            let entered = (0..10).collect::<Vec<_>>();
            let found = day.shortened(entered.clone());
            let least = length(&day, &found) - 1e-3;
            prop_assert!(least <= length(&day, &entered));
            for i in 0..10 {
                for j in i + 1..=10 {
                    let mut other = found.clone();
                    other[i..j].reverse();
                    prop_assert!(length(&day, &other) > least, "reversed {i}..{j} of {found:?}");
                    if j - i > 3 { continue; }
                    let mut rest = found.clone();
                    let moved = rest.drain(i..j).collect::<Vec<_>>();
                    for place in 0..=rest.len() {
                        let mut other = rest.clone();
                        other.splice(place..place, moved.iter().copied());
                        prop_assert!(length(&day, &other) > least, "{i}..{j} of {found:?} moved to {place}");
                    }
                }
            }
        }

        /// The same by its definition, worked out anew at each step (Rosenkrantz, Stearns, Lewis 1977).
        #[test]
        fn the_nearest_stop_is_inserted_where_it_costs_least(points in proptest::collection::vec((0.0..1e4_f64, 0.0..1e4_f64), 10)) {
            let day = flat(&points, vec![Job::default(); 8], 0);
            let mut way: Vec<usize> = Vec::new();
            while way.len() < 8 {
                let near = |job: usize| way.iter().map(|other| other + 1).chain([0, day.end()])
                    .map(|node| day.between(job + 1, node)).fold(f64::INFINITY, f64::min);
                let next = (0..8).filter(|job| !way.contains(job)).min_by(|a, b| near(*a).total_cmp(&near(*b))).unwrap();
                let with = |place: usize| { let mut longer = way.clone(); longer.insert(place, next); longer };
                way = (0..=way.len()).map(with).min_by(|a, b| length(&day, a).total_cmp(&length(&day, b))).unwrap();
            }
            prop_assert_eq!(day.nearest_insertion(), way);
        }

        /// Every order tried by an oracle of its own. Seven stops: the best there is. The search alone stays within a
        /// quarter of it; nearest insertion alone is within twice (Rosenkrantz, Stearns, Lewis 1977, for closed tours).
        #[test]
        fn small_days_are_ordered_as_well_as_can_be(points in proptest::collection::vec((0.0..1e4_f64, 0.0..1e4_f64), 9)) {
            let day = flat(&points, vec![Job::default(); 7], 0);
            let mut best = f64::INFINITY;
            shortest(&day, &mut Vec::new(), &mut best);
            prop_assert!((day.order().metres - best).abs() < 1e-6);
            let searched = day.improved(day.drive(&day.nearest_insertion()));
            prop_assert!(searched.metres <= best * 1.25 + 1e-6, "{} against {best}", searched.metres);
        }

        #[test]
        fn never_worse_than_entered_and_nobody_is_left_out(
            points in proptest::collection::vec((0.0..1e5_f64, 0.0..1e5_f64), 15),
            volumes in proptest::collection::vec(0_i64..6_000_000, 12),
            windows in proptest::collection::vec(proptest::option::of((0_i64..600, 0_i64..900)), 12),
        ) {
            let jobs: Vec<_> = volumes.iter().zip(&windows)
                .map(|(v, w)| Job { volume_ml: *v, window_min: w.map(|(a, b)| (a, a + b)) }).collect();
            let mut day = flat(&points, jobs, 1);
            day.capacity_ml = Some(9_500_000);
            let entered = day.drive(&(0..12).collect::<Vec<_>>());
            let course = day.order();
            prop_assert!(!entered.beats(&course));
            let mut seen = course.order.clone();
            seen.sort_unstable();
            prop_assert_eq!(seen, (0..12).collect::<Vec<_>>());
            // The load never passes what the truck holds: driven again by hand.
            let mut load = 0;
            for (place, job) in course.order.iter().enumerate() {
                if course.trips.iter().any(|trip| trip.before == place) { load = 0; }
                load += day.jobs[*job].volume_ml;
                prop_assert!(load <= 9_500_000);
            }
        }
    }
}
