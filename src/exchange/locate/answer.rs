//! The answer as it is written.

use serde::Serialize;

#[derive(Serialize)]
pub(super) struct Answer {
    pub(super) y_axis_bearing_deg: Option<f64>,
    pub(super) fit: Option<AnswerFit>,
    pub(super) pins: Vec<AnswerPin>,
    pub(super) positions: Vec<AnswerPosition>,
    pub(super) map: Option<AnswerMap>,
    pub(super) ways: Vec<AnswerWay>,
    pub(super) geodesics: Vec<AnswerGeodesic>,
    pub(super) track: Option<AnswerTrack>,
}

#[derive(Serialize)]
pub(super) struct AnswerWay {
    pub(super) name: String,
    pub(super) kind: &'static str,
    pub(super) distance_m: f64,
    pub(super) bearing_deg: f64,
    pub(super) error_m: f64,
    pub(super) bearing_error_deg: Option<f64>,
    pub(super) arrow_deg: f64,
    pub(super) arrow_from: &'static str,
    pub(super) use_tape: bool,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct EarthPlace {
    pub(super) lat_deg: f64,
    pub(super) lon_deg: f64,
}

#[derive(Serialize)]
pub(super) struct AnswerGeodesic {
    pub(super) from: EarthPlace,
    pub(super) to: EarthPlace,
    pub(super) distance_m: f64,
    pub(super) bearing_deg: f64,
    pub(super) bearing_back_deg: f64,
    pub(super) bearing_onward_deg: f64,
}

#[derive(Serialize)]
pub(super) struct AnswerTrack {
    pub(super) fixes: Vec<AnswerFix>,
    pub(super) sentences: Option<AnswerSentences>,
    pub(super) mean: Option<AnswerPin>,
}

#[derive(Serialize)]
pub(super) struct AnswerFix {
    pub(super) lat_deg: f64,
    pub(super) lon_deg: f64,
    pub(super) accuracy_m: Option<f64>,
    pub(super) quality: &'static str,
    pub(super) time: Option<String>,
    pub(super) course_deg: Option<f64>,
}

#[derive(Serialize)]
pub(super) struct AnswerSentences {
    pub(super) taken: u64,
    pub(super) other: u64,
    pub(super) skipped: u64,
    pub(super) bad_checksum: u64,
    pub(super) bad_fields: u64,
    pub(super) broken: u64,
    pub(super) without_position: u64,
}

#[derive(Serialize)]
pub(super) struct Spot {
    pub(super) name: String,
    pub(super) off_m: f64,
}

#[derive(Serialize)]
pub(super) struct AnswerLimit {
    pub(super) from: &'static str,
    pub(super) distance_m: f64,
    pub(super) weight_inside: f64,
    pub(super) source: &'static str,
}

#[derive(Serialize)]
pub(super) struct AnswerClue {
    #[serde(flatten)]
    pub(super) place: AnswerPlace,
    pub(super) basis: &'static str,
}

#[derive(Serialize)]
pub(super) struct AnswerFit {
    pub(super) y_axis_sigma_deg: f64,
    pub(super) rms_m: f64,
    pub(super) agrees: bool,
    pub(super) worst: Option<String>,
    pub(super) pins: Vec<Spot>,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct AnswerPin {
    pub(super) name: String,
    pub(super) kind: &'static str,
    pub(super) lat_deg: f64,
    pub(super) lon_deg: f64,
    pub(super) error_m: f64,
    pub(super) floor_m: f64,
    pub(super) scatter_m: f64,
    pub(super) fixes: usize,
}

#[derive(Serialize)]
pub(super) struct AnswerPlace {
    pub(super) x_m: f64,
    pub(super) y_m: f64,
    pub(super) lat_deg: Option<f64>,
    pub(super) lon_deg: Option<f64>,
}

#[derive(Serialize)]
pub(super) struct AnswerPosition {
    pub(super) name: String,
    pub(super) kind: &'static str,
    pub(super) ties: String,
    pub(super) candidates: Vec<AnswerCandidate>,
    pub(super) agreement: &'static str,
    pub(super) suspects: Vec<AnswerSuspect>,
    pub(super) advice: Option<AnswerAdvice>,
    pub(super) refused: Option<AnswerRefused>,
}

#[derive(Serialize)]
pub(super) struct AnswerRefused {
    pub(super) tie: usize,
    pub(super) shortfall_m: Option<f64>,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct AnswerCandidate {
    #[serde(flatten)]
    pub(super) place: AnswerPlace,
    pub(super) ellipse: AnswerEllipse,
    pub(super) crossing_deg: f64,
    pub(super) weak: bool,
    pub(super) side: &'static str,
    pub(super) residuals: Vec<AnswerResidual>,
}

#[derive(Serialize)]
pub(super) struct AnswerEllipse {
    pub(super) major_m: f64,
    pub(super) minor_m: f64,
    pub(super) bearing_deg: f64,
    pub(super) major_95_m: f64,
}

#[derive(Serialize)]
pub(super) struct AnswerResidual {
    pub(super) from: String,
    pub(super) off_m: f64,
    pub(super) standardised: f64,
}

#[derive(Serialize)]
pub(super) struct AnswerSuspect {
    pub(super) tie: usize,
    pub(super) from: String,
    pub(super) off_m: f64,
    pub(super) standardised: f64,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct AnswerAdvice {
    pub(super) bearing_deg: f64,
    pub(super) from: [AnswerPlace; 2],
    pub(super) major_m: f64,
    pub(super) major_then_m: f64,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct AnswerMap {
    pub(super) cell_m: f64,
    pub(super) area_90_m2: f64,
    pub(super) next_probe: Option<AnswerPlace>,
    pub(super) places: Vec<AnswerBest>,
    pub(super) limits: Vec<AnswerLimit>,
    pub(super) clues: Vec<AnswerClue>,
    pub(super) cautions: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct AnswerBest {
    #[serde(flatten)]
    pub(super) place: AnswerPlace,
    pub(super) chance: f64,
    pub(super) lid_depth_m: [f64; 2],
    pub(super) reasons: Vec<AnswerReason>,
}

#[derive(Serialize)]
pub(super) struct AnswerReason {
    pub(super) kind: &'static str,
    pub(super) clue: Option<usize>,
    pub(super) probe: Option<usize>,
    pub(super) distance_m: Option<f64>,
    pub(super) off_m: Option<f64>,
    pub(super) count: Option<usize>,
    pub(super) text: String,
}
