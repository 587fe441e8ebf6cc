//! The probing map: where the tank is, as chances on a grid, and where to push the rod next.

use super::clue::{Clue, Evidence, SewerLine};
use super::depth::{DepthRange, SewerDepth};
use super::grid::Grid;
use super::plane::Point;
use super::yard::Yard;
use crate::domain::units::{Length, round_to_i64};

/// How far around the house and the clues a tank is looked for, m.
///
/// Beyond it the published distances leave less than one chance in a hundred.
const REACH_M: f64 = 25.0;

/// Tanks' outside length and width, m, and how common each is.
///
/// Source: common practice for tanks of 500 to 1,500 gal; a code asks for a length of twice the width or more
/// (15A NCAC 18A .1954(a)(3)).
const FOOTPRINTS: [(f64, f64, f64); 3] = [(1.9, 1.2, 0.3), (2.4, 1.5, 0.4), (3.0, 1.7, 0.3)];

/// Share of tanks that lie lengthwise along the sewer (common practice); the others lie across it.
const LENGTHWISE: f64 = 0.65;

/// A rod that meets something hard met something else (common practice).
const FALSE_HIT: f64 = 0.02;

/// How often a rod well inside of a tank is taken for one at its edge (common practice).
const INSIDE_OF_RIM: f64 = 0.05;

/// What the rod met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Met {
    /// Nothing, down to where it was pushed.
    Nothing,
    /// The top of the tank.
    Tank,
    /// The edge of the tank: it met it and, a hand beside, slipped past.
    Edge,
    /// The sewer pipe.
    Pipe,
}

/// One push of the rod.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// Where.
    pub at: Point,
    /// How deep it went.
    pub depth: Length,
    /// What it met.
    pub met: Met,
}

/// Why there is no map.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MapError {
    /// Nothing says where to look.
    #[error("nothing says where to look: give the house, the lot or one clue")]
    NothingKnown,
    /// A place is not a number or kilometres off.
    #[error("the places span more than ten kilometres or are not numbers")]
    TooWide,
    /// The limits leave no place for a tank.
    #[error("the limits leave no place for a tank: the setbacks or outlines contradict each other")]
    NothingLeft,
}

/// A place to push the rod.
#[derive(Clone, Debug, PartialEq)]
pub struct BestPlace {
    /// Where.
    pub at: Point,
    /// The chance that the tank lies under it.
    pub chance: f64,
    /// Why, the strongest first.
    pub reasons: Vec<Reason>,
    /// How deep the lid's top is to be expected there.
    pub lid: DepthRange,
}

/// One reason for a place, in numbers; words are made where a language is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reason {
    /// On the sewer's line.
    SewerLine {
        /// How far off it, m.
        off_m: f64,
        /// How far from where the sewer was last seen, m.
        along_m: f64,
        /// Whether the bearing was seen, not taken as square to the wall.
        seen: bool,
    },
    /// As far from the wall as tanks usually are.
    FromWall {
        /// How far, m.
        distance_m: f64,
    },
    /// On the line to the field.
    TowardField {
        /// Which clue, counted from zero.
        clue: usize,
        /// How far off the line, m.
        off_m: f64,
    },
    /// Near something seen or pointed out.
    NearClue {
        /// Which clue, counted from zero.
        clue: usize,
        /// How far from it, m.
        distance_m: f64,
    },
    /// Where a record drawing's distance puts it.
    Record {
        /// Which clue, counted from zero.
        clue: usize,
        /// How far off that distance, m.
        off_m: f64,
    },
    /// A rod met the tank or the pipe near here.
    Hit {
        /// Which probe, counted from zero.
        probe: usize,
        /// How far from it, m.
        distance_m: f64,
    },
    /// What the rods that met nothing leave.
    Misses {
        /// How many they are.
        count: usize,
    },
}

/// The chances of where the tank's middle is, cell by cell.
#[derive(Clone, Debug)]
pub struct ProbeMap {
    grid: Grid,
    yard: Yard,
    clues: Vec<Clue>,
    probes: Vec<Probe>,
    sewer_depth: SewerDepth,
    area_m2: f64,
    /// Per cell, what the yard says of it and how far it is from the house; neither changes.
    ground: Vec<(f64, Option<f64>)>,
    /// Per kind of tank, how likely its middle is in each cell. Kept apart, because a rod that just missed a large tank
    /// says nothing of a small one, push after push.
    layers: Vec<Layer>,
    /// Per cell, the sum of the layers.
    weights: Vec<f64>,
    /// Per cell, how much of that weight a rod pushed there would meet.
    under: Vec<f64>,
    /// The sum of all weights.
    total: f64,
}

impl ProbeMap {
    /// Makes the map from what is known before the first probe.
    ///
    /// # Errors
    /// When nothing is known, the places are kilometres apart, or the limits leave no place.
    pub fn new(yard: Yard, clues: Vec<Clue>, sewer_depth: SewerDepth) -> Result<Self, MapError> {
        Self::with_probes(yard, clues, sewer_depth, Vec::new())
    }

    /// Makes the map that [`Self::new`] and [`Self::add_probe`] for every probe would make, in one go.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn with_probes(
        yard: Yard,
        clues: Vec<Clue>,
        sewer_depth: SewerDepth,
        probes: Vec<Probe>,
    ) -> Result<Self, MapError> {
        let grid = cover(&yard, &clues)?;
        let mut map = Self {
            grid,
            yard,
            clues,
            probes,
            sewer_depth,
            area_m2: 0.0,
            ground: Vec::new(),
            layers: Vec::new(),
            total: 0.0,
            weights: vec![0.0; grid.len()],
            under: vec![0.0; grid.len()],
        };
        map.ground = grid
            .centres()
            .map(|at| {
                let wall_m = map.yard.wall_distance_m(at);
                (map.yard.weight_from_wall(at, wall_m), wall_m)
            })
            .collect();
        let open = map.ground.iter().filter(|(weight, _)| *weight > 0.0).count();
        map.area_m2 = count(open) * grid.cell_m().powi(2);
        map.rebuild();
        if map.total > 0.0 && map.total.is_finite() {
            Ok(map)
        } else {
            Err(MapError::NothingLeft)
        }
    }

    /// The grid.
    #[must_use]
    pub const fn grid(&self) -> Grid {
        self.grid
    }

    /// The yard it was made for.
    #[must_use]
    pub const fn yard(&self) -> &Yard {
        &self.yard
    }

    /// Whether a map made from these clues would lie on the same grid, so that adding to this one comes to the same.
    #[must_use]
    pub fn lies_on_the_grid_of(&self, clues: &[Clue]) -> bool {
        cover(&self.yard, clues).is_ok_and(|grid| grid == self.grid)
    }

    /// Returns the chance that the tank's middle lies within `radius_m` of a place.
    #[must_use]
    pub fn chance_within(&self, at: Point, radius_m: f64) -> f64 {
        let near = self.grid.centres().zip(&self.weights);
        // Asked for three places at every drawing, so squares are compared.
        let held: f64 = near
            .filter(|(centre, _)| {
                let off = centre.minus(at);
                off.x_m * off.x_m + off.y_m * off.y_m <= radius_m * radius_m
            })
            .map(|(_, weight)| weight)
            .sum();
        (held / self.total).clamp(0.0, 1.0)
    }

    /// The probes so far.
    #[must_use]
    pub fn probes(&self) -> &[Probe] {
        &self.probes
    }

    /// Takes one more clue. A clue off the grid is kept, and says what it can from there.
    pub fn add_clue(&mut self, clue: Clue) {
        self.clues.push(clue);
        if matches!(clue, Clue::SewerExit { .. } | Clue::Cleanout { .. }) {
            // What the field clues say hangs on where the sewer starts.
            self.rebuild();
            return;
        }
        let found = self.pipe_hits();
        let evidence = Evidence::new(&self.yard, &self.clues, &found, self.area_m2);
        let mut said: Vec<f64> = self
            .weights
            .iter()
            .map(|weight| if *weight > 0.0 { 1.0 } else { 0.0 })
            .collect();
        evidence.multiply(&clue, self.grid.centres(), &mut said);
        for layer in &mut self.layers {
            for (weight, said) in layer.weights.iter_mut().zip(&said) {
                *weight *= said;
            }
        }
        self.settle();
    }

    /// Takes one push of the rod.
    ///
    /// A miss lowers only what lies around it, so only that is worked out again.
    pub fn add_probe(&mut self, probe: Probe) {
        self.probes.push(probe);
        match probe.met {
            Met::Pipe => self.rebuild(),
            Met::Nothing => self.miss(probe),
            Met::Tank | Met::Edge => {
                self.hit(probe);
                self.settle();
            }
        }
    }

    /// Returns the chance that a rod pushed at `at` would meet the tank, were it deep enough.
    #[must_use]
    pub fn chance(&self, at: Point) -> f64 {
        self.at_cell(&self.under, at)
    }

    /// Returns the chance that the tank's middle lies in the cell at `at`.
    #[must_use]
    pub fn cell_chance(&self, at: Point) -> f64 {
        self.at_cell(&self.weights, at)
    }

    /// Every cell's middle with the chance that a rod there would meet the tank, for shading.
    pub fn shading(&self) -> impl Iterator<Item = (Point, f64)> {
        let total = self.total;
        self.grid
            .centres()
            .zip(self.under.iter().map(move |under| (under / total).clamp(0.0, 1.0)))
    }

    /// Returns the smallest area that holds the tank's middle with the chance `share`.
    #[must_use]
    pub fn area(&self, share: f64) -> Area {
        let total = self.total;
        let mut sorted: Vec<f64> = self.weights.iter().copied().filter(|weight| *weight > 0.0).collect();
        sorted.sort_by(|a, b| b.total_cmp(a));
        let (mut held, mut cells, mut least) = (0.0, 0, f64::INFINITY);
        for weight in sorted {
            if held >= share * total {
                break;
            }
            held += weight;
            cells += 1;
            least = weight;
        }
        Area {
            square_m: count(cells) * self.grid.cell_m().powi(2),
            least,
        }
    }

    /// Returns whether a place lies in such an area.
    #[must_use]
    pub fn is_in(&self, area: Area, at: Point) -> bool {
        self.value(&self.weights, at).is_some_and(|weight| weight >= area.least)
    }

    /// Returns the place to probe next: where a push is most likely to meet the tank.
    ///
    /// With one cost for every push, the expected number of pushes is the sum over pushes of the chance that the tank
    /// is not found yet; taking the largest piece of what is left each time keeps it within four times the least
    /// possible for any covering problem (Feige, Lovász and Tetali 2004, doi:10.1007/s00453-004-1110-5, not seen), and
    /// here, where one tank's outline covers whole pushes, close to it.
    #[must_use]
    pub fn next_probe(&self) -> Option<Point> {
        self.peaks(1).first().map(|(at, _)| *at)
    }

    /// Returns the best places to push the rod, a tank's length apart, each with its chance and its reasons.
    #[must_use]
    pub fn best_places(&self, most: usize) -> Vec<BestPlace> {
        let found = self.pipe_hits();
        let evidence = Evidence::new(&self.yard, &self.clues, &found, self.area_m2);
        let usual = self.usual(&evidence);
        self.peaks(most)
            .into_iter()
            .map(|(at, chance)| BestPlace {
                at,
                chance,
                reasons: self.reasons(&evidence, &usual, at),
                lid: self.sewer_depth.lid(self.run_m(evidence.sewer(), at)),
            })
            .collect()
    }

    /// The share of tanks that lie along the grid's rows' normal: lengthwise is along the sewer, whichever wall it leaves.
    fn share_ahead(&self, sewer: Option<&SewerLine>) -> f64 {
        let Some(bearing) = sewer.and_then(|sewer| sewer.bearing_deg) else {
            return 0.5;
        };
        let turned = (bearing - self.yard.turned_deg()).to_radians();
        if turned.cos().abs() >= turned.sin().abs() {
            LENGTHWISE
        } else {
            1.0 - LENGTHWISE
        }
    }

    fn run_m(&self, sewer: Option<&SewerLine>, at: Point) -> f64 {
        self.yard
            .wall_distance_m(at)
            .or_else(|| sewer.map(|sewer| sewer.from.distance_m(at)))
            .unwrap_or(0.0)
    }

    /// The chance that a rod went as deep as the lid lies.
    fn reached(&self, sewer: Option<&SewerLine>, probe: Probe) -> f64 {
        self.sewer_depth.reached(self.run_m(sewer, probe.at), probe.depth)
    }

    fn pipe_hits(&self) -> Vec<Point> {
        self.probes
            .iter()
            .filter(|probe| probe.met == Met::Pipe)
            .map(|probe| probe.at)
            .collect()
    }

    fn value(&self, of: &[f64], at: Point) -> Option<f64> {
        let (column, row) = self.grid.cell(at)?;
        of.get(self.grid.index(column, row)).copied()
    }

    fn at_cell(&self, of: &[f64], at: Point) -> f64 {
        (self.value(of, at).unwrap_or(0.0) / self.total).clamp(0.0, 1.0)
    }

    /// Works everything out from the clues and the probes.
    fn rebuild(&mut self) {
        let found = self.pipe_hits();
        let evidence = Evidence::new(&self.yard, &self.clues, &found, self.area_m2);
        let mut said: Vec<f64> = self
            .grid
            .centres()
            .zip(&self.ground)
            .map(|(at, (yard, wall_m))| {
                if *yard > 0.0 {
                    yard * evidence.sewer_weight(*wall_m, at)
                } else {
                    0.0
                }
            })
            .collect();
        for clue in &self.clues {
            evidence.multiply(clue, self.grid.centres(), &mut said);
        }
        let layers = Layer::all(self.grid.cell_m(), self.share_ahead(evidence.sewer()), &said);
        let reached: Vec<f64> = self
            .probes
            .iter()
            .map(|probe| self.reached(evidence.sewer(), *probe))
            .collect();
        self.layers = layers;
        for (probe, reached) in self.probes.clone().into_iter().zip(reached) {
            match probe.met {
                Met::Nothing => self.lower(probe, reached, |_, _, _| ()),
                Met::Tank | Met::Edge => {
                    self.hit(probe);
                    // A hundred hits and more would come to nothing that a number can hold.
                    self.scale();
                }
                Met::Pipe => {}
            }
        }
        self.settle();
    }

    /// Scales the weights so that they sum to one.
    fn scale(&mut self) {
        let total: f64 = self.layers.iter().flat_map(|layer| &layer.weights).sum();
        if total > 0.0 && total.is_finite() {
            let weights = self.layers.iter_mut().flat_map(|layer| &mut layer.weights);
            weights.for_each(|weight| *weight /= total);
        }
    }

    /// Scales the weights and works out what lies under every cell.
    fn settle(&mut self) {
        self.scale();
        self.under.fill(0.0);
        self.weights.fill(0.0);
        for layer in &self.layers {
            for (weight, sum) in layer.weights.iter().zip(&mut self.weights) {
                *sum += *weight;
            }
            layer.kernel.spread_all(self.grid, &mut self.under, &layer.weights);
        }
        self.total = self.weights.iter().sum();
    }

    fn miss(&mut self, probe: Probe) {
        let sewer = SewerLine::from_clues(&self.yard, &self.clues, &self.pipe_hits());
        let reached = self.reached(sewer.as_ref(), probe);
        let mut changed = Vec::new();
        self.lower(probe, reached, |layer, index, change| {
            changed.push((layer, index, change));
        });
        for (layer, index, change) in changed {
            if let Some(layer) = self.layers.get(layer) {
                layer.kernel.spread(self.grid, &mut self.under, index, change);
            }
            if let Some(sum) = self.weights.get_mut(index) {
                *sum = (*sum + change).max(0.0);
            }
        }
        self.total = self.weights.iter().sum();
    }

    /// Lowers the cells a tank could have reached the rod from: `w · (1 - reached · h)`.
    ///
    /// The depth is judged at the rod, so no cell is lowered more than the rod's own and that one never gains.
    fn lower(&mut self, probe: Probe, reached: f64, mut changed: impl FnMut(usize, usize, f64)) {
        let Some((column, row)) = self.grid.cell(probe.at) else {
            return;
        };
        for (number, layer) in self.layers.iter_mut().enumerate() {
            for (index, covered, _) in layer.kernel.around(self.grid, column, row) {
                if let Some(weight) = layer.weights.get_mut(index) {
                    let change = -*weight * reached * covered;
                    *weight += change;
                    changed(number, index, change);
                }
            }
        }
    }

    /// Keeps the cells a tank could have reached the rod from, or its edge.
    fn hit(&mut self, probe: Probe) {
        let Some((column, row)) = self.grid.cell(probe.at) else {
            return;
        };
        for layer in &mut self.layers {
            let before = layer.weights.clone();
            for weight in &mut layer.weights {
                *weight *= FALSE_HIT;
            }
            for (index, covered, at_rim) in layer.kernel.around(self.grid, column, row) {
                let inside_of_rim = probe.met == Met::Edge && !at_rim;
                let likely = if inside_of_rim { INSIDE_OF_RIM } else { covered };
                if let (Some(weight), Some(was)) = (layer.weights.get_mut(index), before.get(index)) {
                    *weight = was * (FALSE_HIT + (1.0 - FALSE_HIT) * likely);
                }
            }
        }
    }

    /// The highest chances, each at least a tank's length from the others.
    fn peaks(&self, most: usize) -> Vec<(Point, f64)> {
        let total = self.total;
        let mut peaks: Vec<(Point, f64)> = Vec::new();
        while peaks.len() < most {
            let mut best: Option<(usize, f64)> = None;
            for (index, under) in self.under.iter().enumerate() {
                let far = |(at, _): &(Point, f64)| {
                    let (column, row) = self.grid.column_row(index);
                    at.distance_m(self.grid.centre(column, row)) > 2.4
                };
                if *under > best.map_or(0.0, |(_, most)| most) && peaks.iter().all(far) {
                    best = Some((index, *under));
                }
            }
            let Some((index, under)) = best else {
                break;
            };
            let (column, row) = self.grid.column_row(index);
            peaks.push((self.grid.centre(column, row), (under / total).clamp(0.0, 1.0)));
        }
        peaks
    }

    /// What the sewer and each clue say of the yard on average, as far as the map still sees a tank in it.
    fn usual(&self, evidence: &Evidence<'_>) -> Usual {
        let mut usual = Usual {
            sewer: 0.0,
            clues: vec![0.0; self.clues.len()],
        };
        let mut open = 0.0;
        let cells = self.grid.centres().zip(&self.ground).zip(&self.weights);
        // Every seventh cell is enough for an average that only orders reasons.
        for ((at, (_, wall_m)), weight) in cells.step_by(7) {
            if *weight > self.total * 1.0e-9 {
                open += 1.0;
                usual.sewer += evidence.sewer_weight(*wall_m, at);
                for (sum, clue) in usual.clues.iter_mut().zip(&self.clues) {
                    *sum += evidence.likelihood(clue, at);
                }
            }
        }
        if open > 0.0 {
            usual.sewer /= open;
            for sum in &mut usual.clues {
                *sum /= open;
            }
        }
        usual
    }

    /// The clues that speak for a place at least half as much again as for the yard as the map sees it.
    fn reasons(&self, evidence: &Evidence<'_>, usual: &Usual, at: Point) -> Vec<Reason> {
        let mut ranked: Vec<(f64, Reason)> = Vec::new();
        let mut speak = |strength: f64, reason: Reason| {
            if strength > 1.5 {
                ranked.push((strength, reason));
            }
        };
        let sewer_strength =
            evidence.sewer_weight(self.yard.wall_distance_m(at), at) / usual.sewer.max(f64::MIN_POSITIVE);
        if let Some((sewer, (off_m, along_m))) = evidence
            .sewer()
            .and_then(|sewer| Some((sewer, sewer.off_and_along_m(at)?)))
        {
            speak(
                sewer_strength,
                Reason::SewerLine {
                    off_m,
                    along_m,
                    seen: sewer.seen,
                },
            );
        }
        if let Some(distance_m) = self.yard.wall_distance_m(at) {
            speak(sewer_strength, Reason::FromWall { distance_m });
        }
        for ((index, clue), usual) in self.clues.iter().enumerate().zip(&usual.clues) {
            let strength = evidence.likelihood(clue, at) / usual.max(f64::MIN_POSITIVE);
            match clue {
                Clue::SewerExit { .. } | Clue::Cleanout { .. } => {}
                Clue::Field { at: field } => {
                    speak(
                        strength,
                        Reason::TowardField {
                            clue: index,
                            off_m: evidence.field_off_m(*field, at),
                        },
                    );
                }
                Clue::Record { from, distance } => {
                    let off_m = (from.distance_m(at) - distance.mm() / 1000.0).abs();
                    speak(strength, Reason::Record { clue: index, off_m });
                }
                _ => speak(
                    strength,
                    Reason::NearClue {
                        clue: index,
                        distance_m: clue.at().distance_m(at),
                    },
                ),
            }
        }
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
        let hits = self
            .probes
            .iter()
            .enumerate()
            .filter(|(_, probe)| probe.met != Met::Nothing);
        let hits = hits.map(|(probe, hit)| Reason::Hit {
            probe,
            distance_m: hit.at.distance_m(at),
        });
        let misses = self.probes.iter().filter(|probe| probe.met == Met::Nothing).count();
        let left = (misses > 0).then_some(Reason::Misses { count: misses });
        hits.chain(ranked.into_iter().map(|(_, reason)| reason))
            .chain(left)
            .collect()
    }
}

/// The smallest area that holds a stated share of the chance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Its size, m².
    pub square_m: f64,
    least: f64,
}

/// What the sewer and each clue say of a place on average.
struct Usual {
    sewer: f64,
    clues: Vec<f64>,
}

/// One kind of tank: its outline as a kernel, and where its middle may be.
#[derive(Clone, Debug)]
struct Layer {
    kernel: Kernel,
    weights: Vec<f64>,
}

impl Layer {
    /// Every kind, each with its share of what is `said` of a middle in every cell.
    fn all(cell_m: f64, share_ahead: f64, said: &[f64]) -> Vec<Self> {
        FOOTPRINTS
            .iter()
            .flat_map(|(length, width, common)| {
                [
                    (*width, *length, common * share_ahead),
                    (*length, *width, common * (1.0 - share_ahead)),
                ]
            })
            .map(|(across_m, ahead_m, share)| Self {
                kernel: Kernel::new(cell_m, across_m, ahead_m),
                weights: said.iter().map(|said| said * share).collect(),
            })
            .collect()
    }
}

/// How much of each cell around its middle a tank of one size covers, 0 to 1: the product of a share per column and one
/// per row.
#[derive(Clone, Debug)]
struct Kernel {
    across: Vec<f64>,
    ahead: Vec<f64>,
}

impl Kernel {
    fn new(cell_m: f64, across_m: f64, ahead_m: f64) -> Self {
        let side = |side_m: f64| {
            let half = round_to_i64((side_m / 2.0 / cell_m + 0.499).floor())
                .and_then(|n| u32::try_from(n).ok())
                .unwrap_or(1);
            let covered = |steps: u32| (side_m / 2.0 / cell_m - f64::from(steps) + 0.5).clamp(0.0, 1.0);
            (0..=2 * half).map(|n| covered(n.abs_diff(half))).collect()
        };
        Self {
            across: side(across_m),
            ahead: side(ahead_m),
        }
    }

    /// The cells around one, with how much of a tank there reaches it and whether the cell lies at the tank's rim.
    fn around(&self, grid: Grid, column: u32, row: u32) -> impl Iterator<Item = (usize, f64, bool)> {
        reach(&self.ahead, row, grid.rows()).flat_map(move |(to_row, down, far)| {
            reach(&self.across, column, grid.columns())
                .map(move |(to_column, over, wide)| (grid.index(to_column, to_row), down * over, far || wide))
        })
    }

    /// Adds a cell's weight to every cell from which a rod would meet a tank there.
    fn spread(&self, grid: Grid, into: &mut [f64], index: usize, weight: f64) {
        let (column, row) = grid.column_row(index);
        for (index, covered, _) in self.around(grid, column, row) {
            if let Some(cell) = into.get_mut(index) {
                *cell += weight * covered;
            }
        }
    }

    /// As [`Self::spread`] for every cell at once, rows first and then columns: one product a step of each side instead
    /// of one for each cell a tank covers.
    fn spread_all(&self, grid: Grid, into: &mut [f64], weights: &[f64]) {
        let wide = usize::try_from(grid.columns()).unwrap_or(1).max(1);
        let (half_across, half_ahead) = (self.across.len() / 2, self.ahead.len() / 2);
        let mut spread = vec![0.0; wide];
        for (row, line) in weights.chunks_exact(wide).enumerate() {
            if line.iter().all(|weight| *weight <= 0.0) {
                continue;
            }
            spread.fill(0.0);
            for (step, covered) in self.across.iter().enumerate() {
                let to = spread.iter_mut().skip(step.saturating_sub(half_across));
                let from = line.iter().skip(half_across.saturating_sub(step));
                for (cell, weight) in to.zip(from) {
                    *cell += weight * covered;
                }
            }
            for (step, covered) in self.ahead.iter().enumerate() {
                let Some(to_row) = (row + step).checked_sub(half_ahead) else {
                    continue;
                };
                // Beyond the last row there is nothing.
                let cells = into.get_mut(to_row * wide..(to_row + 1) * wide).unwrap_or_default();
                for (cell, weight) in cells.iter_mut().zip(&spread) {
                    *cell += weight * covered;
                }
            }
        }
    }
}

/// Along one axis, the cells around one that are on the grid, with their share and whether they are the last.
fn reach(side: &[f64], at: u32, most: u32) -> impl Iterator<Item = (u32, f64, bool)> {
    let last = u32::try_from(side.len().saturating_sub(1)).unwrap_or(0);
    side.iter().zip(0..).filter_map(move |(covered, step)| {
        let to = (at + step).checked_sub(last / 2).filter(|to| *to < most)?;
        Some((to, *covered, step == 0 || step == last))
    })
}

/// The grid over the lot, or over what is known and a reach around it.
fn cover(yard: &Yard, clues: &[Clue]) -> Result<Grid, MapError> {
    let turned_deg = yard.turned_deg();
    let mut near: Vec<Point> = yard.house.clone();
    near.extend(clues.iter().map(Clue::at));
    if near.is_empty() {
        near.extend(yard.lot.iter());
    }
    if near.is_empty() {
        return Err(MapError::NothingKnown);
    }
    // The lot cuts the reach short on every side where it is nearer.
    let lot = yard.lot.iter().map(|corner| corner.turned_deg(-turned_deg));
    let (low, high) = bounds(lot).unwrap_or((Point::new(-1e9, -1e9), Point::new(1e9, 1e9)));
    let aside = Point::new(REACH_M, REACH_M);
    let within: Vec<Point> = near
        .iter()
        .map(|at| at.turned_deg(-turned_deg))
        .flat_map(|at| [at.minus(aside), at.plus(aside)])
        .map(|p| Point::new(p.x_m.clamp(low.x_m, high.x_m), p.y_m.clamp(low.y_m, high.y_m)).turned_deg(turned_deg))
        .collect();
    Grid::covering(&within, turned_deg).ok_or(MapError::TooWide)
}

fn bounds(points: impl Iterator<Item = Point>) -> Option<(Point, Point)> {
    points.fold(None, |bounds, p| {
        let (low, high) = bounds.unwrap_or((p, p));
        Some((
            Point::new(low.x_m.min(p.x_m), low.y_m.min(p.y_m)),
            Point::new(high.x_m.max(p.x_m), high.y_m.max(p.y_m)),
        ))
    })
}

fn count(of: usize) -> f64 {
    f64::from(u32::try_from(of).unwrap_or(u32::MAX))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;

    /// A house of 10 m by 8 m alone on open ground, its sewer leaving to the south.
    fn map() -> (Yard, Vec<Clue>, ProbeMap) {
        let house = [(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)].map(|(x, y)| Point::new(x, y));
        let yard = Yard {
            house: house.to_vec(),
            ..Yard::default()
        };
        let clues = vec![Clue::SewerExit {
            at: Point::new(5.0, 0.0),
            pipe_deg: Some(180.0),
        }];
        let map = ProbeMap::new(yard.clone(), clues.clone(), SewerDepth::default()).unwrap();
        (yard, clues, map)
    }

    /// A clue far off asks for another grid, one amid the corners of the house for the same.
    #[test]
    fn a_map_knows_its_yard_and_its_grid() {
        let (yard, mut clues, map) = map();
        assert_eq!(map.yard(), &yard);
        assert!(map.lies_on_the_grid_of(&clues));
        clues.push(Clue::Vent {
            at: Point::new(5.0, 4.0),
        });
        assert!(map.lies_on_the_grid_of(&clues));
        clues.push(Clue::Vent {
            at: Point::new(5.0, -300.0),
        });
        assert!(!map.lies_on_the_grid_of(&clues));
    }

    #[test]
    fn a_push_of_the_rod_is_kept() {
        let (_, _, mut map) = map();
        assert!(map.probes().is_empty());
        let probe = Probe {
            at: Point::new(5.0, -5.0),
            depth: Length::from_mm(1_000),
            met: Met::Nothing,
        };
        map.add_probe(probe);
        assert_eq!(map.probes(), [probe]);
    }

    /// What no wall and no setback keeps a tank from is the ground that a clue that says nothing is spread over.
    #[test]
    fn the_open_ground_is_measured_in_cells() {
        let (yard, _, map) = map();
        let open = map.grid().centres().filter(|at| yard.weight(*at) > 0.0).count();
        let house = map.grid().centres().filter(|at| yard.weight(*at) <= 0.0).count();
        let cell_m2 = map.grid().cell_m().powi(2);
        assert!((map.area_m2 - count(open) * cell_m2).abs() < 1e-6, "{}", map.area_m2);
        assert!(
            (count(house) * cell_m2 - 80.0).abs() < 8.0,
            "{house} cells of the house"
        );
    }

    /// A map in which misses have left much less than there was.
    fn map_with_misses() -> ProbeMap {
        let (_, _, mut map) = map();
        for at in map.best_places(3) {
            map.add_probe(Probe {
                at: at.at,
                depth: Length::from_mm(1_500),
                met: Met::Nothing,
            });
        }
        assert!(map.total < 0.9, "{}", map.total);
        map
    }

    /// The chance of a circle is that of its cells; all of the map is certain, and a circle beside it holds nothing.
    #[test]
    fn a_circle_holds_the_cells_whose_middles_lie_in_it() {
        let map = map_with_misses();
        let at = Point::new(7.0, -5.0);
        for radius_m in [0.6, 3.0, 9.0] {
            let inside = map.grid().centres().filter(|centre| centre.distance_m(at) <= radius_m);
            let sum: f64 = inside.map(|centre| map.cell_chance(centre)).sum();
            let found = map.chance_within(at, radius_m);
            assert!(
                sum > 0.0 && (found - sum).abs() < 1e-9,
                "{radius_m} m: {found} against {sum}"
            );
        }
        assert!((map.chance_within(at, 1.0e4) - 1.0).abs() < 1e-9);
        assert!(map.chance_within(Point::new(900.0, 0.0), 5.0).abs() < 1e-12);
    }

    /// A house of 10 m by 8 m turned by 20°, on a lot that leaves it 4 m and more, its sewer leaving to the south.
    fn turned_lot() -> (Yard, Vec<Clue>) {
        let turned = |corners: [(f64, f64); 4]| corners.map(|(x, y)| Point::new(x, y).turned_deg(20.0)).to_vec();
        let yard = Yard {
            house: turned([(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)]),
            lot: turned([(-4.0, -13.0), (14.0, -13.0), (14.0, 12.0), (-4.0, 12.0)]),
            ..Yard::default()
        };
        let clues = vec![
            Clue::SewerExit {
                at: Point::new(5.0, 0.0).turned_deg(20.0),
                pipe_deg: Some(200.0),
            },
            Clue::Vent {
                at: Point::new(6.0, -4.0).turned_deg(20.0),
            },
        ];
        (yard, clues)
    }

    fn push(x: f64, y: f64, depth_mm: u32, met: Met) -> Probe {
        Probe {
            at: Point::new(x, y).turned_deg(20.0),
            depth: Length::from_mm(depth_mm),
            met,
        }
    }

    /// How much of the cell `steps` cells from the middle of a side lies under that side: the overlap of two pieces of a line.
    fn overlap(side_m: f64, cell_m: f64, steps: u32) -> f64 {
        let (near_m, far_m) = ((f64::from(steps) - 0.5) * cell_m, (f64::from(steps) + 0.5) * cell_m);
        (far_m.min(side_m / 2.0) - near_m.max(-side_m / 2.0)).max(0.0) / cell_m
    }

    /// The chances that the tank's middle lies in each cell, and that a rod pushed in each would meet it: every size of tank, laid
    /// either way, in every cell, with none of the map's ways of doing less.
    fn plainly(map: &ProbeMap, lengthwise: f64) -> (Vec<f64>, Vec<f64>) {
        let (grid, yard) = (map.grid, &map.yard);
        let pipes: Vec<Point> = map.probes.iter().filter(|p| p.met == Met::Pipe).map(|p| p.at).collect();
        let open = grid.centres().filter(|at| yard.weight(*at) > 0.0).count();
        let evidence = Evidence::new(yard, &map.clues, &pipes, count(open) * grid.cell_m() * grid.cell_m());
        let said: Vec<f64> = grid
            .centres()
            .map(|at| {
                let of_clues: f64 = map.clues.iter().map(|clue| evidence.likelihood(clue, at)).product();
                yard.weight(at) * evidence.sewer_weight(yard.wall_distance_m(at), at) * of_clues
            })
            .collect();
        let (mut middles, mut under) = (vec![0.0; grid.len()], vec![0.0; grid.len()]);
        let apart = |a: (u32, u32), b: (u32, u32)| (a.0.abs_diff(b.0), a.1.abs_diff(b.1));
        for (length_m, width_m, common) in [(1.9, 1.2, 0.3), (2.4, 1.5, 0.4), (3.0, 1.7, 0.3)] {
            for (across_m, ahead_m, share) in [(width_m, length_m, lengthwise), (length_m, width_m, 1.0 - lengthwise)] {
                let covers = |(columns, rows): (u32, u32)| {
                    overlap(across_m, grid.cell_m(), columns) * overlap(ahead_m, grid.cell_m(), rows)
                };
                for (index, said) in said.iter().enumerate().filter(|(_, said)| **said > 0.0) {
                    let here = grid.column_row(index);
                    let mut weight = said * common * share;
                    for probe in &map.probes {
                        let (columns, rows) = apart(grid.cell(probe.at).unwrap(), here);
                        let covered = covers((columns, rows));
                        let is_rim = covers((columns + 1, rows)) <= 0.0 || covers((columns, rows + 1)) <= 0.0;
                        let run_m = yard.wall_distance_m(probe.at).unwrap();
                        weight *= match probe.met {
                            Met::Nothing => 1.0 - map.sewer_depth.reached(run_m, probe.depth) * covered,
                            Met::Tank => 0.02 + 0.98 * covered,
                            Met::Edge if is_rim => 0.02 + 0.98 * covered,
                            Met::Edge => 0.02 + 0.98 * 0.05 * covered,
                            Met::Pipe => 1.0,
                        };
                    }
                    middles[index] += weight;
                    for row in here.1.saturating_sub(8)..(here.1 + 9).min(grid.rows()) {
                        for column in here.0.saturating_sub(8)..(here.0 + 9).min(grid.columns()) {
                            under[grid.index(column, row)] += weight * covers(apart(here, (column, row)));
                        }
                    }
                }
            }
        }
        let total: f64 = middles.iter().sum();
        let share = |of: Vec<f64>| of.into_iter().map(|weight| weight / total).collect();
        (share(middles), share(under))
    }

    fn assert_plain(map: &ProbeMap, lengthwise: f64) {
        let (middles, under) = plainly(map, lengthwise);
        for ((at, middle), under) in map.grid.centres().zip(middles).zip(under) {
            assert!((map.cell_chance(at) - middle).abs() < 1e-9, "the middle at {at:?}");
            assert!((map.chance(at) - under.min(1.0)).abs() < 1e-9, "a rod at {at:?}");
        }
        assert_eq!(map.shading().count(), map.grid.len());
        for ((at, shade), centre) in map.shading().zip(map.grid.centres()) {
            assert!(at == centre && (shade - map.chance(at)).abs() < 1e-12);
        }
    }

    /// A second reckoning of the whole map, made push by push and clue by clue or all at once: a shallow miss, an edge, the tank and
    /// the pipe, pushes at three sides of the lot, and clues that come late.
    #[test]
    fn the_map_is_that_of_a_plain_count() {
        let (yard, clues) = turned_lot();
        let depth = SewerDepth {
            invert: Some(Length::from_mm(700)),
        };
        let mut map = ProbeMap::new(yard.clone(), clues.clone(), depth).unwrap();
        assert_plain(&map, 0.65);
        map.add_probe(push(5.4, -4.1, 420, Met::Nothing));
        for (x, y) in [(-3.9, -12.9), (13.9, 6.0), (4.0, 11.9)] {
            map.add_probe(push(x, y, 900, Met::Nothing));
        }
        assert_plain(&map, 0.65);
        map.add_clue(Clue::Marker {
            at: Point::new(3.0, -6.0).turned_deg(20.0),
        });
        assert_plain(&map, 0.65);
        map.add_probe(push(5.2, -6.2, 500, Met::Edge));
        map.add_probe(push(5.6, -6.0, 500, Met::Tank));
        assert_plain(&map, 0.65);
        map.add_probe(push(5.1, -1.0, 600, Met::Pipe));
        assert_plain(&map, 0.65);
        map.add_clue(Clue::Cleanout {
            at: Point::new(5.0, -0.8).turned_deg(20.0),
            pipe_deg: None,
        });
        assert_plain(&map, 0.65);
        let probes = map.probes().to_vec();
        let whole = ProbeMap::with_probes(yard, map.clues.clone(), depth, probes).unwrap();
        assert_plain(&whole, 0.65);
    }

    /// Most tanks lie lengthwise along the sewer (common practice); where it is not known, as many lie either way.
    #[test]
    fn tanks_lie_along_the_sewer() {
        let (yard, clues) = turned_lot();
        for (bearing_deg, ahead) in [
            (200.0, 0.65),
            (20.0, 0.65),
            (242.0, 0.65),
            (60.0, 0.65),
            (290.0, 0.35),
            (268.0, 0.35),
            (-5.0, 0.65),
            (88.0, 0.35),
        ] {
            let mut sewer = SewerLine::from_clues(&yard, &clues, &[]).unwrap();
            sewer.bearing_deg = Some(bearing_deg);
            let map = ProbeMap::new(yard.clone(), clues.clone(), SewerDepth::default()).unwrap();
            let found = map.share_ahead(Some(&sewer));
            assert!((found - ahead).abs() < 1e-12, "{bearing_deg}°: {found}");
        }
        let nothing = ProbeMap::new(yard, Vec::new(), SewerDepth::default()).unwrap();
        assert!((nothing.share_ahead(None) - 0.5).abs() < 1e-12);
        assert_plain(&nothing, 0.5);
    }

    /// With no house a tank's way is measured from where the sewer was seen; with neither there is no way.
    #[test]
    fn the_way_to_a_place_begins_at_the_wall_or_the_sewer() {
        let (yard, clues, map) = map();
        let at = Point::new(5.0, -6.0);
        let sewer = SewerLine::from_clues(&yard, &clues, &[]);
        assert!((map.run_m(sewer.as_ref(), at) - 6.0).abs() < 1e-9);
        let lot = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)];
        let bare = Yard {
            lot: lot.map(|(x, y)| Point::new(x, y)).to_vec(),
            ..Yard::default()
        };
        let sewer = SewerLine::from_clues(&bare, &clues, &[]);
        let depth = SewerDepth {
            invert: Some(Length::from_mm(700)),
        };
        let map = ProbeMap::new(bare, clues, depth).unwrap();
        assert!((map.run_m(sewer.as_ref(), Point::new(8.0, -4.0)) - 5.0).abs() < 1e-9);
        assert!(map.run_m(None, at).abs() < 1e-12);
        let probe = Probe {
            at: Point::new(8.0, -4.0),
            depth: Length::from_mm(600),
            met: Met::Nothing,
        };
        let reached = map.reached(sewer.as_ref(), probe);
        assert!((reached - depth.reached(5.0, probe.depth)).abs() < 1e-12 && reached > 0.0);
        for place in map.best_places(2) {
            let lid = depth.lid(place.at.distance_m(Point::new(5.0, 0.0)));
            assert!((place.lid.from_m - lid.from_m).abs() < 1e-9 && (place.lid.to_m - lid.to_m).abs() < 1e-9);
        }
    }

    /// By hand: as few cells as hold the share, the likeliest first; those and no others lie in it.
    #[test]
    fn an_area_holds_the_likeliest_cells() {
        let map = map_with_misses();
        let mut chances: Vec<f64> = map.grid.centres().map(|at| map.cell_chance(at)).collect();
        chances.sort_by(|a, b| b.total_cmp(a));
        for share in [0.1, 0.5, 0.9] {
            let mut held = 0.0;
            let needed = chances.iter().take_while(|chance| {
                let is_short = held < share;
                held += **chance;
                is_short
            });
            let needed = needed.count();
            let area = map.area(share);
            let square_m = count(needed) * map.grid.cell_m() * map.grid.cell_m();
            assert!((area.square_m - square_m).abs() < 1e-6, "{share}: {} m²", area.square_m);
            let least = chances[needed - 1];
            for at in map.grid.centres() {
                assert_eq!(map.is_in(area, at), map.cell_chance(at) >= least, "{share}: {at:?}");
            }
        }
        assert!(!map.is_in(map.area(0.5), Point::new(900.0, 0.0)));
        // All of it, and not a cell that no tank can lie in.
        let open = count(chances.iter().filter(|chance| **chance > 0.0).count());
        assert!(map.area(2.0).square_m <= open * map.grid.cell_m().powi(2) + 1e-6);
    }

    /// The likeliest cell, then the likeliest of those more than 2.4 m off, a tank's usual length.
    #[test]
    fn places_to_push_lie_a_tanks_length_apart() {
        let map = map_with_misses();
        let mut expected: Vec<(Point, f64)> = Vec::new();
        for _ in 0..5 {
            let free = map
                .grid
                .centres()
                .filter(|at| expected.iter().all(|(of, _)| of.distance_m(*at) > 2.4));
            // Of equal ones the first.
            let best = free.fold(None, |best: Option<Point>, at| match best {
                Some(best) if map.chance(best) >= map.chance(at) => Some(best),
                _ => Some(at),
            });
            expected.push((best.unwrap(), map.chance(best.unwrap())));
        }
        for most in [0, 1, 3, 5] {
            let found = map.peaks(most);
            assert_eq!(found.len(), most);
            for (found, expected) in found.iter().zip(&expected) {
                assert!(
                    found.0 == expected.0 && (found.1 - expected.1).abs() < 1e-12,
                    "{found:?}"
                );
            }
        }
        assert_eq!(map.next_probe(), Some(expected[0].0));
        let places: Vec<_> = map
            .best_places(5)
            .iter()
            .map(|place| (place.at, place.chance))
            .collect();
        assert_eq!(places, map.peaks(5));
    }

    /// The grid's corners, in the house's own directions.
    fn reach_of(yard: &Yard, clues: &[Clue]) -> ((f64, f64), (f64, f64)) {
        let grid = cover(yard, clues).unwrap();
        let half_m = grid.cell_m() / 2.0;
        let (low, high) = bounds(grid.centres().map(|at| at.turned_deg(-yard.turned_deg()))).unwrap();
        (
            (low.x_m - half_m, low.y_m - half_m),
            (high.x_m + half_m, high.y_m + half_m),
        )
    }

    /// By hand: 25 m beyond the house and the clues, in the house's own directions, and no farther than the lot; with nothing but a
    /// lot, the lot. The grid begins at its low corner and may end a cell farther.
    #[test]
    fn the_map_reaches_25_m_around_what_is_known() {
        let square = |(x0, y0): (f64, f64), (x1, y1): (f64, f64)| {
            [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
                .map(|(x, y)| Point::new(x, y).turned_deg(30.0))
                .to_vec()
        };
        let house = square((0.0, 0.0), (10.0, 8.0));
        let vent = [Clue::Vent {
            at: Point::new(30.0, 4.0).turned_deg(30.0),
        }];
        let lot = square((-10.0, -100.0), (100.0, 20.0));
        for (house, lot, clues, low, high) in [
            (house.clone(), Vec::new(), &[][..], (-25.0, -25.0), (35.0, 33.0)),
            (house.clone(), Vec::new(), &vent[..], (-25.0, -25.0), (55.0, 33.0)),
            (house, lot.clone(), &vent[..], (-10.0, -25.0), (55.0, 20.0)),
        ] {
            let yard = Yard {
                house,
                lot,
                ..Yard::default()
            };
            let (found_low, found_high) = reach_of(&yard, clues);
            let cell_m = cover(&yard, clues).unwrap().cell_m();
            for (found, expected) in [(found_low.0, low.0), (found_low.1, low.1)] {
                assert!((found - expected).abs() < 1e-6, "{found_low:?}");
            }
            for (found, expected) in [(found_high.0, high.0), (found_high.1, high.1)] {
                assert!((-1e-6..cell_m).contains(&(found - expected)), "{found_high:?}");
            }
        }
        let only_lot = Yard {
            lot: [(0.0, 0.0), (30.0, 0.0), (30.0, 40.0), (0.0, 40.0)]
                .map(|(x, y)| Point::new(x, y))
                .to_vec(),
            ..Yard::default()
        };
        let (low, high) = reach_of(&only_lot, &[]);
        assert!(
            low.0.abs() < 1e-6
                && low.1.abs() < 1e-6
                && (30.0..30.5).contains(&high.0)
                && (40.0..40.5).contains(&high.1)
        );
    }

    /// What each clue says on average is good to a few percent when every seventh cell is asked.
    #[test]
    fn reasons_are_what_speaks_more_for_a_place_than_for_the_yard() {
        let (yard, mut clues) = turned_lot();
        let at = |x: f64, y: f64| Point::new(x, y).turned_deg(20.0);
        clues.extend([
            Clue::Field { at: at(7.0, -12.0) },
            Clue::Record {
                from: at(0.0, 0.0),
                distance: Length::from_mm(6_500),
            },
        ]);
        let probes = vec![
            push(2.0, -9.0, 900, Met::Nothing),
            push(5.5, -4.6, 500, Met::Tank),
            push(-2.0, -9.0, 900, Met::Nothing),
        ];
        let map = ProbeMap::with_probes(yard.clone(), clues.clone(), SewerDepth::default(), probes).unwrap();
        let evidence = Evidence::new(&yard, &clues, &[], map.area_m2);
        let open: Vec<Point> = map.grid.centres().filter(|at| map.cell_chance(*at) > 1e-9).collect();
        let mean = |of: &dyn Fn(Point) -> f64| open.iter().map(|at| of(*at)).sum::<f64>() / count(open.len());
        let sewer = |at: Point| evidence.sewer_weight(yard.wall_distance_m(at), at);
        let usual = map.usual(&evidence);
        assert!((usual.sewer / mean(&sewer) - 1.0).abs() < 0.05, "{}", usual.sewer);
        for (usual, clue) in usual.clues.iter().zip(&clues) {
            assert!(
                (usual / mean(&|at| evidence.likelihood(clue, at)) - 1.0).abs() < 0.05,
                "{clue:?}"
            );
        }
        for place in [
            at(5.3, -4.4),
            at(3.0, -5.8),
            at(9.0, -8.0),
            at(-2.0, 4.0),
            at(6.5, -11.0),
        ] {
            let strength = |clue: usize| evidence.likelihood(&clues[clue], place) / usual.clues[clue];
            let sewer_line = evidence.sewer().unwrap();
            let (off_m, along_m) = sewer_line.off_and_along_m(place).unwrap();
            let distance_m = yard.wall_distance_m(place).unwrap();
            let record_off_m = (place.distance_m(at(0.0, 0.0)) - 6.5).abs();
            let mut expected = vec![
                (
                    sewer(place) / usual.sewer,
                    Reason::SewerLine {
                        off_m,
                        along_m,
                        seen: true,
                    },
                ),
                (sewer(place) / usual.sewer, Reason::FromWall { distance_m }),
                (
                    strength(1),
                    Reason::NearClue {
                        clue: 1,
                        distance_m: place.distance_m(at(6.0, -4.0)),
                    },
                ),
                (
                    strength(2),
                    Reason::TowardField {
                        clue: 2,
                        off_m: evidence.field_off_m(at(7.0, -12.0), place),
                    },
                ),
                (
                    strength(3),
                    Reason::Record {
                        clue: 3,
                        off_m: record_off_m,
                    },
                ),
            ];
            expected.retain(|(strength, _)| *strength > 1.5);
            expected.sort_by(|a, b| b.0.total_cmp(&a.0));
            let mut reasons = vec![Reason::Hit {
                probe: 1,
                distance_m: place.distance_m(at(5.5, -4.6)),
            }];
            reasons.extend(expected.into_iter().map(|(_, reason)| reason));
            reasons.push(Reason::Misses { count: 2 });
            assert_eq!(map.reasons(&evidence, &usual, place), reasons, "{place:?}");
        }
        let unprobed = ProbeMap::new(yard, clues, SewerDepth::default()).unwrap();
        let is_of_probes = |reason: &Reason| matches!(reason, Reason::Hit { .. } | Reason::Misses { .. });
        for place in unprobed.best_places(3) {
            assert!(!place.reasons.iter().any(is_of_probes), "{place:?}");
        }
    }
}
