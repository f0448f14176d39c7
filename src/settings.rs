//! Every threshold of every stage, one struct per stage. A literal elsewhere that can change a result is a mistake.

mod scale;

pub use scale::{BarSettings, CalibrateSettings, FibreSettings, QualitySettings, RulingSettings, StackSettings};

use serde::{Deserialize, Serialize};

/// Settings of the whole run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Reading pictures.
    pub read: ReadSettings,
    /// Judging pictures.
    pub quality: QualitySettings,
    /// Merging focus series.
    pub stack: StackSettings,
    /// Measuring the scale.
    pub calibrate: CalibrateSettings,
    /// Finding ends.
    pub find: FindSettings,
    /// Measuring ends.
    pub measure: MeasureSettings,
    /// Grouping ends to carriers.
    pub carrier: CarrierSettings,
    /// Labelling ends.
    pub label: LabelSettings,
    /// Scoring break faces and comparing knots.
    pub face: FaceSettings,
    /// The report page.
    pub report: ReportSettings,
}

/// Why settings could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettingsError {
    /// The file cannot be opened.
    #[error("settings {path}: cannot be read: {reason}")]
    Unreadable {
        /// File as given.
        path: String,
        /// What the system said.
        reason: String,
    },
    /// The file is not the TOML that is expected, or holds an unknown key or a value of the wrong type.
    #[error("settings {path}: {reason}")]
    Malformed {
        /// File as given.
        path: String,
        /// Line, column and what was expected.
        reason: String,
    },
}

impl Settings {
    /// Reads settings from a TOML file; keys left out keep their default.
    ///
    /// # Errors
    /// When the file cannot be read, is not TOML, or names a key that does not exist.
    pub fn load(path: &std::path::Path) -> Result<Self, SettingsError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path)
            .map_err(|e| SettingsError::Unreadable { path: name.clone(), reason: e.to_string() })?;
        toml::from_str(&text).map_err(|e| SettingsError::Malformed { path: name, reason: one_line(&e) })
    }

    /// The settings as TOML, every key written out.
    ///
    /// # Errors
    /// When a value has no TOML form, which is a fault of the program.
    pub fn to_toml(&self) -> Result<String, SettingsError> {
        toml::to_string_pretty(self)
            .map_err(|e| SettingsError::Malformed { path: "effective settings".into(), reason: e.to_string() })
    }
}

fn one_line(error: &toml::de::Error) -> String {
    error.message().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Settings of [`crate::micrograph`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ReadSettings {
    /// Smallest side of a picture, px (64: below that no fibre end with its shaft fits in).
    pub min_side_px: u32,
    /// Largest side of a picture, px (20 000: bounds the memory; larger = more memory).
    pub max_side_px: u32,
    /// Most memory that one decoded picture may take, MB (1300: 20 000 x 20 000 px in 8-bit colour).
    pub max_decode_mb: u64,
    /// A resolution tag that gives this many µm per px or more is a print or screen default, no calibration
    /// (10.5 µm = 2400 dpi: there a 40 µm fibre has 4 px, too few to grade). Larger = more tags are believed.
    pub print_um_per_px_min: f64,
    /// Finding captions and scale bars.
    pub burnt_in: BurntInSettings,
}

impl Default for ReadSettings {
    fn default() -> Self {
        Self {
            min_side_px: 64,
            max_side_px: 20_000,
            max_decode_mb: 1300,
            print_um_per_px_min: 10.5,
            burnt_in: BurntInSettings::default(),
        }
    }
}

/// Settings of the search for captions, information bars and scale bars.
///
/// Defaults were set on rendered training pictures and looked at on electron micrographs with information bars; shares
/// are of the picture's width or height, greys of 255.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BurntInSettings {
    /// How far greys of one flat colour may differ (3: compression). Larger = rougher strips are found.
    pub flat_step: u8,
    /// Smallest share of a row of an information bar that is its ground. Smaller = denser text is allowed.
    pub strip_row_share: f64,
    /// Smallest share of ground in the rows at its border, which hold no text.
    pub strip_border_share: f64,
    /// Largest share of that same grey in the picture beside it. Larger = strips on nearly black pictures are found.
    pub strip_outside_share: f64,
    /// Smallest height of an information bar.
    pub strip_height_min: f64,
    /// Largest height of an information bar.
    pub strip_height_max: f64,
    /// Grey from which a pixel can be white ink.
    pub white_from: u8,
    /// Grey up to which a pixel can be black ink.
    pub black_to: u8,
    /// Smallest difference between the channels of coloured ink.
    pub colour_span: u8,
    /// Thickest scale bar.
    pub bar_thickness_max: f64,
    /// Largest share of a bar's ink in the rows right above and below it (ticks, text that touches).
    pub bar_beside_share: f64,
    /// Shortest scale bar.
    pub bar_length_min: f64,
    /// Longest scale bar.
    pub bar_length_max: f64,
    /// How far the rows of a bar may differ in their ends, px.
    pub bar_ragged_px: u32,
    /// Smallest step of grey across the two ends of a bar, of 255.
    pub bar_end_step: f64,
    /// How far from its bar the text is looked for.
    pub bar_text_reach: f64,
    /// Smallest letter.
    pub letter_height_min: f64,
    /// Smallest letter, px.
    pub letter_height_min_px: u32,
    /// Largest letter.
    pub letter_height_max: f64,
    /// Largest width of a letter over its height.
    pub letter_aspect_max: f64,
    /// Smallest inked share of a letter's box.
    pub letter_fill_min: f64,
    /// Smallest step of grey across the edges of a letter, of 255.
    pub letter_edge_min: f64,
    /// Largest mean inked share of the letters of a line: letters have holes, blobs have none.
    pub letter_fill_mean_max: f64,
    /// Fewest letters of equal height that make a line of text by themselves.
    pub line_letters_min: u32,
    /// How far tops and feet of neighbours may differ, of the letter height.
    pub line_slack: f64,
    /// Largest gap between neighbours, of the letter height.
    pub line_gap: f64,
    /// Margin around what was found, of the letter height.
    pub pad: f64,
    /// Smallest margin, px.
    pub pad_min_px: u32,
}

impl Default for BurntInSettings {
    fn default() -> Self {
        Self {
            flat_step: 3,
            strip_row_share: 0.45,
            strip_border_share: 0.97,
            strip_outside_share: 0.7,
            strip_height_min: 0.02,
            strip_height_max: 0.2,
            white_from: 225,
            black_to: 25,
            colour_span: 130,
            bar_thickness_max: 0.025,
            bar_beside_share: 0.35,
            bar_length_min: 0.03,
            bar_length_max: 0.6,
            bar_ragged_px: 2,
            bar_end_step: 70.0,
            bar_text_reach: 0.06,
            letter_height_min: 0.008,
            letter_height_min_px: 7,
            letter_height_max: 0.045,
            letter_aspect_max: 1.8,
            letter_fill_min: 0.15,
            letter_edge_min: 70.0,
            letter_fill_mean_max: 0.75,
            line_letters_min: 3,
            line_slack: 0.12,
            line_gap: 0.8,
            pad: 0.4,
            pad_min_px: 5,
        }
    }
}

/// Settings of [`crate::find`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FindSettings {
    /// Lowest chance of being a gradable end at which a candidate is measured, 0..1 (cross-validated F1 on 120 rendered
    /// pictures that the finder was not trained on is flat from 0.30 to 0.59; real frames ask for the lower end:
    /// `models/README.md`). Larger = fewer candidates.
    pub min_score: f64,
    /// Lowest confidence of the network in a hit that counts as support for others, 0..1. Smaller = slower.
    pub min_hit: f64,
    /// Lowest confidence of the network in a hit that may become a candidate, 0..1 (on rendered pictures of other seeds
    /// fewer than one in fifty hits below it is an end). Smaller = slower.
    pub min_kept_hit: f64,
    /// Largest searched area, megapixels over all copies, at which the network looks a second time at every copy in a
    /// mirror: F1 rises by 0.01, time doubles (4: a picture of 3 megapixels; above it speed counts more). 0 = never.
    pub mirror_up_to_mpx: f64,
    /// Fibre widths that the network was trained to mark, px of a reduced copy (`scripts/finder/pictures.py`).
    pub working_width_px: [f64; 2],
    /// Thinnest and thickest fibre diameter that is searched when the scale is known, µm (fibres of fishing braid: 12 to
    /// 40 µm, design.md section 2, with room for a rough scale). Wider = slower.
    pub fibre_um: [f64; 2],
    /// Reduced copies with a shorter side are not searched, px: they hold no shaft of working width.
    pub least_side_px: u32,
    /// Two candidates nearer than this are one end, fibre widths (ends of two fibres lie at least half a width apart).
    pub same_end_reach_d: f64,
    /// Two candidates of one shaft, one behind the other, nearer than this are one end, fibre widths.
    pub same_shaft_reach_d: f64,
    /// Largest offset across the shaft between two candidates of one shaft, fibre widths.
    pub same_shaft_across_d: f64,
    /// Largest turn between the axes of two candidates of one shaft, degrees.
    pub same_shaft_turn_deg: f64,
}

impl Default for FindSettings {
    fn default() -> Self {
        Self {
            min_score: 0.40,
            working_width_px: [5.5, 14.0],
            fibre_um: [12.0, 40.0],
            least_side_px: 24,
            min_hit: 0.04,
            min_kept_hit: 0.12,
            mirror_up_to_mpx: 4.0,
            same_end_reach_d: 0.5,
            same_shaft_reach_d: 1.2,
            same_shaft_across_d: 0.4,
            same_shaft_turn_deg: 30.0,
        }
    }
}

/// Settings of [`crate::measure`]. Lengths are in shaft diameters (d) unless a unit is named; "train sets" are the rendered
/// training pictures described in `models/README.md`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct MeasureSettings {
    /// Fewest pixels across a shaft that can be graded (6 px: design.md's `gradable`). Larger = more ends `unclear`.
    pub min_shaft_px: f64,
    /// Standard uncertainty of the gauge per mean absolute error that it tells (1.5: train pictures it had not seen).
    pub reading_spread: f64,
    /// Least standard uncertainty of the gauge's readings: ln width, axis (degrees), tip along and across (widths), end line
    /// (degrees), ln bulb ratio (a tenth of its samples at best).
    pub reading_u: [f64; 6],
    /// Number of further ends at which half of a picture's common gap to the finder's widths is made good (3: on 120
    /// rendered pictures diameters are off by 5.8 % then, 6.8 % without; 1 to 5 differ little).
    pub level_half: f64,
    /// Relative standard uncertainty of measuring at which half of it is (0.04; 0 to 0.06 differ little on rendered pictures,
    /// and clear shafts are surer than that).
    pub level_sigma: f64,
    /// Share of that rise which is added to the standard uncertainty (0.5).
    pub level_u_share: f64,
    /// Fewest fibres of a picture from which their common width is judged (4).
    pub kin_least: usize,
    /// Least true spread of the logarithm of widths in one picture (0.05: rendered fibres of one line differ by 4 to 7 %).
    pub kin_spread: f64,
    /// Ends of one picture whose errors go together (4).
    pub kin_correlation: f64,
    /// Share of fibres that may belong to another line (0.1). Larger = odd widths are kept.
    pub kin_doubt: f64,
    /// Standard uncertainty of the logarithm of a width that all ends of a picture share, without and per doubt of the trace
    /// (train sets: the finder's and the gauge's bias in one picture) (0.07, 0.3).
    pub common_u: (f64, f64),
    /// Range of the logarithm of odd widths (1.5).
    pub kin_reach: f64,
    /// Samples across the rough width in the coarse trace (16). Larger = slower, finer start.
    pub coarse_samples: f64,
    /// Samples across the width in the fine trace and the end zone (20: edges interpolate to a tenth of that). Larger = slower.
    pub fine_samples: f64,
    /// Finest sampling distance, px (0.4: below that a picture holds nothing new).
    pub finest_step_px: f64,
    /// How far back the shaft is traced (5).
    pub trace_back: f64,
    /// How far behind the rough tip the trace starts (0.7: the end itself may be cut obliquely or bulge).
    pub trace_from: f64,
    /// Half width of the coarse strip (1.8: rough axes 10° off and curved shafts stay inside).
    pub trace_half: f64,
    /// Half width of the fine strip (1.05).
    pub fine_half: f64,
    /// Share of a strip's steps below the one that sets the scale of edge strength (0.9).
    pub edge_quantile: f64,
    /// Share of that step which counts as half strength (0.1). Smaller = weak edges count more.
    pub edge_half_share: f64,
    /// Share of a strip's steps that count as noise (0.2).
    pub noise_quantile: f64,
    /// Steps of this many times the noise count as half strength, when that is more (3). Larger = weak edges count less.
    pub noise_factor: f64,
    /// Nearest place outside an edge where another edge speaks against it (0.1).
    pub outside_from: f64,
    /// Farthest place outside an edge where another edge speaks against it (0.35).
    pub outside_to: f64,
    /// Share of an edge's strength that a full edge outside it takes away (0.5). Larger = outermost edges win.
    pub outside_charge: f64,
    /// Rows averaged on either side for one edge (0.15). Larger = less noise, less bend.
    pub edge_along: f64,
    /// Columns on either side that make a step (0.06). Larger = less noise, thin rails blur.
    pub edge_reach: f64,
    /// How far from an edge its local levels may lie (0.3).
    pub level_reach: f64,
    /// How far from where an edge was traced its steepest place may lie (0.16). Larger = a neighbour's edge is taken.
    pub place_reach: f64,
    /// Slope, as a share of the steepest, at which a local level is reached (0.12).
    pub level_slope_share: f64,
    /// Worth of two edges that step the same way (dark-light-dark or light-dark-light) over that of two that do not (0.15).
    pub pair_polarity: f64,
    /// Price of one sample's change of width from section to section, in worths (0.25).
    pub pay_width: f64,
    /// Price of one sample's change of direction from section to section, in worths (0.02).
    pub pay_turn: f64,
    /// Standard deviation of the logarithm of the finder's width (0.15: measured on the train sets).
    pub rough_width_sigma: f64,
    /// Widths searched, in standard deviations of the rough width (2.2).
    pub width_reach: f64,
    /// Standard deviation of the rough tip beside the shaft (0.3).
    pub start_sigma: f64,
    /// Standard deviation of the middle of the fine trace from the coarse one (0.25).
    pub fine_centre_sigma: f64,
    /// Fewest rows of the guide that make a shaft (12 of its 57: one diameter).
    pub guide_rows: usize,
    /// Standard deviation of the guide's edges (0.06: half of its samples; train sets). Larger = the picture's edges decide.
    pub guide_sigma: f64,
    /// Ahead of this distance behind the tip the centre line goes on straight (0.6).
    pub straight_from: f64,
    /// Charge on slope, square and cube of the centre line (0, 0.002, 0.02). Larger = straighter.
    pub bend_charge: [f64; 3],
    /// Distance from the centre line at which a section counts half (0.08).
    pub bend_outlier: f64,
    /// Sections whose width differs by more than this share do not shape the centre line (0.15).
    pub odd_width: f64,
    /// Nearest and farthest place of the shaft's diameter behind the tip (1.5; design.md section 3).
    pub shaft_from: f64,
    /// Farthest place of the shaft's diameter behind the tip (4; design.md section 3).
    pub shaft_to: f64,
    /// Start of the end zone behind the rough tip (2.0).
    pub zone_back: f64,
    /// Place on the centre line that is surely own fibre, behind the rough tip (1.0).
    pub zone_core: f64,
    /// Length of the strip of the end behind the rough tip (4.5).
    pub strip_back: f64,
    /// Length of that strip ahead of the rough tip: caps and moved tips fit in (2.2).
    pub strip_ahead: f64,
    /// Half width of that strip: caps of three diameters fit in (2.0).
    pub strip_half: f64,
    /// How far from the guide's outline the picture's edge may lie (one and a half of its samples) (0.12).
    pub refine_reach: f64,
    /// Least step at a side of the end, as a share of the shaft's, that moves the outline there (0.3).
    pub side_height: f64,
    /// Reach of the straight edge on either side of the centre line (design.md section 3) (0.45).
    pub end_line_reach: f64,
    /// Weight of front places that only the guide knows (0.3).
    pub guide_weight: f64,
    /// Distance from the straight edge at which a place counts half (0.04).
    pub front_outlier: f64,
    /// Neighbouring front places that share their pixels (4.0).
    pub front_correlation: f64,
    /// Where the largest width is looked for behind the front (design.md section 3) (1.5).
    pub cap_back: f64,
    /// Excess of width over the shaft that makes a cap: below, cuts and caps look alike (0.12).
    pub cap_excess: f64,
    /// Depth behind the front at which the front's width is taken (0.15).
    pub front_depth: f64,
    /// Half of the window that smooths the outline for its roughness (0.12).
    pub rough_window: f64,
    /// Half width of the shaft's core, away from limb darkening and rails (0.3).
    pub core_half: f64,
    /// Far end of the part of the shaft that the end is compared with (3.5).
    pub tone_back: f64,
    /// Depth of the end that is compared with the shaft (0.5).
    pub face_depth: f64,
    /// Near end of what lies ahead of the tip (0.3).
    pub beyond_from: f64,
    /// Far end of what lies ahead of the tip (0.9).
    pub beyond_to: f64,
    /// Distance of the samples that fine texture compares (0.1).
    pub texture_reach: f64,
    /// Depth of the end whose texture is taken (0.6).
    pub texture_depth: f64,
    /// Texture, as a share of the edges' step, below which there is none (0.05).
    pub texture_floor: f64,
    /// Width of a wisp or split (0.12).
    pub wisp_width: f64,
    /// Step of a wisp, as a share of the shaft's edges (0.3).
    pub wisp_height: f64,
    /// Start of the surroundings searched for wisps, behind the front (0.8).
    pub wisp_back: f64,
    /// End of the surroundings searched for wisps, ahead of the front (1.2).
    pub wisp_ahead: f64,
    /// Depth of the end searched for a split (1.2).
    pub split_depth: f64,
    /// How far from the shaft's edges their continuation may lie (0.1).
    pub rail_reach: f64,
    /// Largest gap between the guide's tip and that of the measured shape at which both count (0.35).
    pub tip_agree: f64,
    /// Share of the guide's tip when both count (0.5).
    pub tip_guide_share: f64,
    /// Least certainty of the guide's tip that wins over the shape when they differ (0.3).
    pub tip_sure: f64,
    /// Least worth of a cross-section that supports a shaft (0.3).
    pub section_worth: f64,
    /// Neighbouring cross-sections that share their rows (3.0).
    pub section_correlation: f64,
    /// Share of the gauge's width in the places where edges are expected; the rest is the guide's own (0.3; train sets).
    pub expected_share: f64,
    /// Least standard deviation of the logarithm of the width that a trace searches about (0.12).
    pub least_width_sigma: f64,
    /// Share of traced shafts whose edges are not their own, without and per doubt of the trace (train sets) (0.0005, 2).
    /// Larger = the gauge counts more where the two differ.
    pub edge_doubt: (f64, f64),
    /// Range of the logarithm of widths of wrong edges (0.6: what a trace searches).
    pub edge_doubt_reach: f64,
    /// Share of missing cross-sections that makes a trace as doubtful as a spread of widths of one diameter (0.15; train sets).
    pub doubt_support: f64,
    /// Standard uncertainty of the traced axis, degrees, without and per doubt of the trace (train sets) (0.4, 35).
    pub axis_u_deg: (f64, f64),
    /// Share of traced axes that are wrong altogether (0.2).
    pub axis_doubt: f64,
    /// Standard uncertainty of the outlined tip, without and per doubt of the trace (train sets) (0.03, 1.2).
    pub tip_u: (f64, f64),
    /// Share of outlined tips that are wrong altogether (0.2).
    pub tip_doubt: f64,
    /// Standard uncertainty of a fitted end line per flatness, degrees (train sets) (20).
    pub cut_u_flat: f64,
    /// Share of fitted end lines that are wrong altogether (0.2).
    pub cut_doubt: f64,
    /// Standard uncertainty of the logarithm of the outlined bulb ratio, without and per doubt of the trace (train sets) (0.01, 1).
    pub bulb_u: (f64, f64),
    /// Share of outlined caps that are wrong altogether, without and per doubt of the trace (train sets) (0.005, 3).
    pub bulb_doubt: (f64, f64),
    /// Standard uncertainty of a diameter per blur of its edges (train sets) (0.15).
    pub edge_u_blur: f64,
    /// Standard uncertainty of a diameter per spread of its widths along the shaft (train sets) (4).
    pub edge_u_spread: f64,
    /// Most that this spread adds to it (train sets) (0.05).
    pub edge_u_most: f64,
    /// Standard uncertainty of a diameter per share of cross-sections that do not show it (train sets) (0.07).
    pub edge_u_support: f64,
    /// Standard uncertainty of a diameter per diameter: limb darkening, rails and stripes (train sets) (0.004).
    pub edge_u_share: f64,
    /// Standard uncertainty of a cut angle from the axis and the face's own roughness, degrees (train sets) (1.5).
    pub cut_u_deg: f64,
    /// Largest blur of the edges, standard deviation (0.12).
    pub max_blur: f64,
    /// Largest blur of the edges, px, where the one above is less (2.0).
    pub max_blur_px: f64,
    /// Least visible share (design.md's `gradable`) (0.6).
    pub min_visible: f64,
    /// Least step across the edges, of the picture's range (0.02).
    pub min_contrast: f64,
    /// Least distance of a tip from the frame (0.3).
    pub min_border: f64,
    /// Largest share of the end zone under captions or off the picture (0.35).
    pub max_masked: f64,
    /// Least share of cross-sections that show the shaft (0: on 120 rendered pictures labels are right for 96.5 % of the
    /// ends below 0.1 and for 97.7 % of the rest, so that a faint shaft is no reason to keep silent).
    pub min_support: f64,
    /// Far and near end of the rows behind the front whose edges are compared with those ahead (2, 0.8).
    pub rail_behind: (f64, f64),
    /// Near and far end of the rows ahead of the front that should show no edges of this shaft (0.4, 1.2).
    pub rail_ahead: (f64, f64),
}

impl Default for MeasureSettings {
    fn default() -> Self {
        Self {
            min_shaft_px: 6.0,
            reading_spread: 1.5,
            reading_u: [0.01, 0.5, 0.02, 0.02, 1.5, 0.02],
            level_half: 3.0,
            level_sigma: 0.04,
            level_u_share: 0.5,
            kin_least: 4,
            kin_spread: 0.05,
            kin_correlation: 4.0,
            kin_doubt: 0.1,
            common_u: (0.07, 0.3),
            kin_reach: 1.5,
            coarse_samples: 16.0,
            fine_samples: 20.0,
            finest_step_px: 0.4,
            trace_back: 5.0,
            trace_from: 0.7,
            trace_half: 1.8,
            fine_half: 1.05,
            edge_quantile: 0.9,
            edge_half_share: 0.1,
            noise_quantile: 0.2,
            noise_factor: 3.0,
            outside_from: 0.1,
            outside_to: 0.35,
            outside_charge: 0.5,
            edge_along: 0.15,
            edge_reach: 0.06,
            level_reach: 0.3,
            place_reach: 0.16,
            level_slope_share: 0.12,
            pair_polarity: 0.15,
            pay_width: 0.25,
            pay_turn: 0.02,
            rough_width_sigma: 0.15,
            width_reach: 2.2,
            start_sigma: 0.3,
            fine_centre_sigma: 0.25,
            guide_rows: 12,
            guide_sigma: 0.06,
            straight_from: 0.6,
            bend_charge: [0.0, 0.002, 0.02],
            bend_outlier: 0.08,
            odd_width: 0.15,
            shaft_from: 1.5,
            shaft_to: 4.0,
            zone_back: 2.0,
            zone_core: 1.0,
            strip_back: 4.5,
            strip_ahead: 2.2,
            strip_half: 2.0,
            refine_reach: 0.12,
            side_height: 0.3,
            end_line_reach: 0.45,
            guide_weight: 0.3,
            front_outlier: 0.04,
            front_correlation: 4.0,
            cap_back: 1.5,
            cap_excess: 0.12,
            front_depth: 0.15,
            rough_window: 0.12,
            core_half: 0.3,
            tone_back: 3.5,
            face_depth: 0.5,
            beyond_from: 0.3,
            beyond_to: 0.9,
            texture_reach: 0.1,
            texture_depth: 0.6,
            texture_floor: 0.05,
            wisp_width: 0.12,
            wisp_height: 0.3,
            wisp_back: 0.8,
            wisp_ahead: 1.2,
            split_depth: 1.2,
            rail_reach: 0.1,
            tip_agree: 0.35,
            tip_guide_share: 0.5,
            tip_sure: 0.3,
            section_worth: 0.3,
            section_correlation: 3.0,
            expected_share: 0.3,
            least_width_sigma: 0.12,
            edge_doubt: (0.0005, 2.0),
            edge_doubt_reach: 0.6,
            doubt_support: 0.15,
            axis_u_deg: (0.4, 35.0),
            axis_doubt: 0.2,
            tip_u: (0.03, 1.2),
            tip_doubt: 0.2,
            cut_u_flat: 20.0,
            cut_doubt: 0.2,
            bulb_u: (0.01, 1.0),
            bulb_doubt: (0.005, 3.0),
            edge_u_blur: 0.15,
            edge_u_spread: 4.0,
            edge_u_most: 0.05,
            edge_u_support: 0.07,
            edge_u_share: 0.004,
            cut_u_deg: 1.5,
            max_blur: 0.12,
            max_blur_px: 2.0,
            min_visible: 0.6,
            min_contrast: 0.02,
            min_border: 0.3,
            max_masked: 0.35,
            min_support: 0.0,
            rail_behind: (2.0, 0.8),
            rail_ahead: (0.4, 1.2),
        }
    }
}

/// Settings of [`crate::carrier`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CarrierSettings {
    /// Groups join while the mean log odds between their members are at least this (0 = even odds). Larger = more, smaller carriers.
    pub join_log_odds: f64,
    /// By how much less they still join while there are more groups than the braid has carriers (1: ours, a mild prior).
    pub prior_log_odds: f64,
    /// Smallest group that is a carrier; ends of smaller ones stay ungrouped (2: ours).
    pub fewest_members: usize,
    /// More ends than this in one picture are not grouped: memory grows with the square (4000: ours, 32 MB).
    pub most_ends: usize,
    /// Flatness up to which an end's straight edge counts as evidence, diameters RMS (0.06: ours, above the burr of cuts).
    pub edge_flatness: f64,
    /// Saturation from which a shaft's hue counts as dye, 0..1 (0.15: ours, above the tint of white light).
    pub dye_saturation: f64,
    /// Weights of the evidence on pairs.
    pub weights: PairWeights,
}

impl Default for CarrierSettings {
    fn default() -> Self {
        Self {
            join_log_odds: 0.0,
            prior_log_odds: 1.0,
            fewest_members: 2,
            most_ends: 4000,
            edge_flatness: 0.06,
            dye_saturation: 0.15,
            weights: PairWeights::default(),
        }
    }
}

/// Weights of the evidence that two ends share a carrier ([`crate::carrier::pairs`]): log odds per unit of evidence. The defaults
/// were learnt from rendered training pictures (`cargo run --example learn_carriers`); negative = speaks against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PairWeights {
    /// Log odds without any evidence.
    pub bias: f64,
    /// Distance across the line, ln(1 + diameters).
    pub across: f64,
    /// Distance along the line, ln(1 + diameters).
    pub along: f64,
    /// Turn between the shafts, tens of degrees.
    pub turn: f64,
    /// Ends between them across the line, ln(1 + places).
    pub between: f64,
    /// Place of each among the neighbours of the other, the larger, ln(1 + place).
    pub neighbours: f64,
    /// Widest gap between neighbours across the line on the way, ln(1 + diameters).
    pub widest_gap: f64,
    /// Spacing of the ends of the picture, ln(1 + diameters).
    pub crowding: f64,
    /// Ends of the picture, natural logarithm.
    pub count: f64,
    /// Distance across the line as a share of that of all ends.
    pub across_share: f64,
    /// Distance along the line in spacings of the ends.
    pub along_spacings: f64,
    /// Ends between them as a share of all.
    pub between_share: f64,
    /// Turn between their straight edges, tens of degrees (1 when not known).
    pub edge_turn: f64,
    /// Whether both have a straight edge.
    pub edges_known: f64,
    /// Distance of each tip from the other's edge line, ln(1 + diameters) (3 when not known).
    pub off_plane: f64,
    /// Turn between their dye hues, in right angles (0 when not known).
    pub hue: f64,
}

impl PairWeights {
    /// The weights without the bias, in the order of [`crate::carrier::pairs::EVIDENCE`].
    pub fn values(&self) -> [f64; crate::carrier::pairs::N_EVIDENCE] {
        [
            self.across,
            self.along,
            self.turn,
            self.between,
            self.neighbours,
            self.widest_gap,
            self.crowding,
            self.count,
            self.across_share,
            self.along_spacings,
            self.between_share,
            self.edge_turn,
            self.edges_known,
            self.off_plane,
            self.hue,
        ]
    }
}

impl Default for PairWeights {
    fn default() -> Self {
        Self {
            bias: 10.655,
            across: 0.972,
            along: -0.088,
            turn: 0.07,
            between: -0.701,
            neighbours: -1.135,
            widest_gap: -1.847,
            crowding: 1.639,
            count: -0.501,
            across_share: -4.584,
            along_spacings: 0.099,
            between_share: -0.3,
            edge_turn: -0.768,
            edges_known: -2.658,
            off_plane: -2.155,
            hue: 0.0,
        }
    }
}

/// Settings of [`crate::tree`]: how trees are grown, pruned, calibrated and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LabelSettings {
    /// Deepest tree that is grown before pruning, splits. Larger = longer training; pruning decides what stays.
    pub max_depth: usize,
    /// Smallest weight of ends in a leaf, ends. Larger = coarser, steadier trees (ours: five ends, as in C4.5's successors).
    pub min_leaf: f64,
    /// Folds of the cross-validation, grouped by specimen (5: Breiman and Spector 1992).
    pub folds: usize,
    /// Repeats of the cross-validation with other folds. Larger = steadier figures, longer training.
    pub repeats: usize,
    /// Pruning takes the smallest tree whose error is within this many standard errors of the best
    /// (1: Breiman et al. 1984, the one-standard-error rule). Larger = smaller trees.
    pub prune_standard_errors: f64,
    /// Weight of the base rate in every leaf's probability, ends (2: m-estimate, Cestnik 1990). Larger = less extreme.
    pub smoothing: f64,
    /// Largest share of ends that may be called `unclear` because their probability is near a half, 0..1 (the mission's 10 %).
    pub max_unclear: f64,
    /// Error among ends that is accepted without asking for more `unclear`, 0..1. Smaller = more `unclear`.
    pub accepted_error: f64,
    /// Trees of a forest (60: more changed nothing in cross-validation).
    pub forest_trees: usize,
    /// Steps into which a forest cuts each feature. Larger = finer thresholds, longer training.
    pub forest_steps: usize,
    /// Seed of folds and bootstrap samples.
    pub seed: u64,
    /// Share of a picture's ends outside the training range at which a warning is given, 0..1.
    pub out_of_range_share: f64,
    /// Shortest distance within which a label belongs to an end, px.
    pub match_px: f64,
    /// The same in shaft diameters; the larger of the two counts.
    pub match_diameters: f64,
    /// Farthest a person may move a tip, shaft diameters; farther away it is another end (ours).
    pub max_move_diameters: f64,
    /// Words that describe ends.
    pub subtype: SubtypeSettings,
}

impl Default for LabelSettings {
    fn default() -> Self {
        Self {
            max_depth: 10,
            min_leaf: 5.0,
            folds: 5,
            repeats: 4,
            prune_standard_errors: 1.0,
            smoothing: 2.0,
            max_unclear: 0.10,
            accepted_error: 0.01,
            forest_trees: 60,
            forest_steps: 64,
            seed: 1,
            out_of_range_share: 0.1,
            match_px: 4.0,
            match_diameters: 0.75,
            max_move_diameters: 3.0,
            subtype: SubtypeSettings::default(),
        }
    }
}

/// Rules of [`crate::tree::subtype`]: words for the looks of an end, description only, never the class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SubtypeSettings {
    /// Bulb ratio from which a tensile end is called a weak bulb (1.1: check-values.md §1.3 and the hard cases there).
    pub weak_bulb_ratio: f64,
    /// Bulb ratio from which it is called a bulb (1.3: upper end of the weak bulbs).
    pub bulb_ratio: f64,
    /// Bulb ratio below which a tensile end is called a taper (ours).
    pub taper_ratio: f64,
    /// Cut angle from which a cut is called oblique, degrees from square (ours; above the 15° of a hand-held blade).
    pub oblique_deg: f64,
    /// Bulb ratio from which a sheared end is called flared (ours; above the noise of straight cuts).
    pub flare_ratio: f64,
    /// Flatness below which an end counts as flat, diameters RMS (ours).
    pub flat: f64,
    /// Flatness from which an uncapped tensile end is called split, diameters RMS (ours).
    pub split: f64,
}

impl Default for SubtypeSettings {
    fn default() -> Self {
        Self {
            weak_bulb_ratio: 1.1,
            bulb_ratio: 1.3,
            taper_ratio: 0.85,
            oblique_deg: 20.0,
            flare_ratio: 1.15,
            flat: 0.05,
            split: 0.12,
        }
    }
}

/// Settings of [`crate::face`] and [`crate::knot`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FaceSettings {
    /// Labelled ends below which a face gets no verdict (10: ours; Wilson on 10 of 10 reaches down to 0.72). Larger =
    /// more `too few`.
    pub fewest_ends: u32,
    /// Interval width above which a face gets no verdict (0.75: ours; three quarters of all that is possible).
    pub widest_verdict: f64,
    /// A face or knot is mostly shear when its whole interval lies above this (0.5: the word itself).
    pub mostly_shear_above: f64,
    /// A face or knot is mostly tensile when its whole interval lies below this (0.5: the word itself).
    pub mostly_tensile_below: f64,
    /// Labelled ends of a carrier below which it gets no verdict (4: ours).
    pub fewest_for_carrier: u32,
    /// Sheared share from which a carrier counts as cut through, and tensile share from which as broken in tension
    /// (0.8: ours, leaves room for single wrong labels).
    pub whole_share: f64,
    /// Standard uncertainty added to that of every edge before edges are averaged to a carrier's cut plane, degrees (3: ours,
    /// axis and the carrier's own scatter). Larger = edges count more alike.
    pub edge_u_least_deg: f64,
    /// Uncertainty of an edge that gives none, degrees (20: ours, hardly counts).
    pub edge_u_unknown_deg: f64,
    /// Robust standard deviations beyond which an edge is no part of the cut plane (2.5: ours; changes the middle case little and the worst cases somewhat).
    pub edge_outlier_sd: f64,
    /// Share of the labelled ends above which one carrier dominates a face (0.6: ours).
    pub dominating_share: f64,
    /// Intra-carrier correlation before any face was seen (0.7: ours; a line cutting into itself takes whole carriers).
    pub prior_rho: f64,
    /// Weight of that prior, in degrees of freedom between carriers (4: ours; about one face).
    pub prior_rho_df: f64,
    /// Ends seen of one carrier where none could be grouped (10: ours).
    pub carrier_size: f64,
    /// Carriers that a braid is taken to have where the table does not say, for the share of them that a picture shows (10: ours;
    /// chosen on `examples/simulate_intervals.rs` between braids of 8 and of 16 carriers). Larger = wider intervals.
    pub braid_carriers: f64,
    /// Share of the spread between carriers that stays although all carriers of the braid are in the picture, because
    /// the ends seen of each are not a random draw of its ends (0.18: ours, see `examples/simulate_intervals.rs`).
    pub hidden_share: f64,
    /// Sensitivity + specificity − 1 of the controls below which nothing is corrected (0.5: ours; the correction would
    /// more than double every error).
    pub least_youden: f64,
    /// Labelled ends that the controls of each kind need together for a correction (10: ours).
    pub fewest_control_ends: f64,
    /// Share of wrong labels from which a control counts as failed (0.25: ours; the bundled model is wrong far less
    /// often).
    pub control_wrong_share: f64,
    /// Density of the fibres, g/cm³, for the ends expected (0.97: ultra-high-molecular-weight polyethylene, check-
    /// values.md §2).
    pub density_g_cm3: f64,
    /// Tenacity of the fibres, cN/dtex, for the ends expected from a line strength (35: high-grade polyethylene, check-
    /// values.md §2).
    pub tenacity_cn_dtex: f64,
    /// Share of the fibres' strength that the braid reaches, for the same (0.8: an assumption, check-values.md §2).
    pub realisation: f64,
    /// Tips of one picture below which no break-zone length is given (8: ours).
    pub fewest_for_zone: usize,
    /// Factor by which a picture's fibre diameter may differ from the rest of its line before its scale is doubted
    /// (1.5: ours; fibres of one line differ by some 5 %).
    pub diameter_factor: f64,
    /// Ends of a picture below which its median diameter says nothing on its scale (3: ours).
    pub fewest_for_diameter: usize,
    /// Pictures of a line below which their scales are not held against each other (3: ours; of two, either may be wrong).
    pub fewest_of_line: usize,
    /// Smallest plausible fibre diameter, µm (5: below all fibres of check-values.md §2).
    pub least_diameter_um: f64,
    /// Largest plausible fibre diameter, µm (60: above all fibres of check-values.md §2).
    pub largest_diameter_um: f64,
    /// Share of ends outside the model's range from which a specimen is flagged (0.2: ours).
    pub out_of_range_share: f64,
    /// Specimens of a knot below which it is not tested (3: design.md §5).
    pub fewest_specimens: u32,
    /// Specimens from which intervals of means come from resampling instead of Student's t (8: ours; resampling is too
    /// narrow below).
    pub bootstrap_from: u32,
    /// Resamples of the specimen bootstrap (4000: ours; the ends of the interval then move by about 1 % of its width).
    pub resamples: u32,
    /// Deals of a permutation test: all up to this many, so many drawn beyond (20000: ours).
    pub most_deals: u32,
    /// Seed of all resampling.
    pub seed: u64,
    /// Weibull modulus of whole carriers for bundle theory where loads do not tell (10: ours; check-values.md §5 gives
    /// 5 to 20).
    pub bundle_modulus: f64,
    /// Straight-pull loads of a line from which its modulus is estimated (5: ours).
    pub fewest_loads: usize,
    /// Pictures of one place found by their content.
    pub site: SiteSettings,
}

impl Default for FaceSettings {
    fn default() -> Self {
        Self {
            fewest_ends: 10,
            widest_verdict: 0.75,
            mostly_shear_above: 0.5,
            mostly_tensile_below: 0.5,
            fewest_for_carrier: 4,
            whole_share: 0.8,
            edge_u_least_deg: 3.0,
            edge_u_unknown_deg: 20.0,
            edge_outlier_sd: 2.5,
            dominating_share: 0.6,
            prior_rho: 0.7,
            prior_rho_df: 4.0,
            carrier_size: 10.0,
            braid_carriers: 10.0,
            hidden_share: 0.18,
            least_youden: 0.5,
            fewest_control_ends: 10.0,
            control_wrong_share: 0.25,
            density_g_cm3: 0.97,
            tenacity_cn_dtex: 35.0,
            realisation: 0.8,
            fewest_for_zone: 8,
            diameter_factor: 1.5,
            fewest_for_diameter: 3,
            fewest_of_line: 3,
            least_diameter_um: 5.0,
            largest_diameter_um: 60.0,
            out_of_range_share: 0.2,
            fewest_specimens: 3,
            bootstrap_from: 8,
            resamples: 4000,
            most_deals: 20_000,
            seed: 1,
            bundle_modulus: 10.0,
            fewest_loads: 5,
            site: SiteSettings::default(),
        }
    }
}

/// Settings of [`crate::face::site`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SiteSettings {
    /// Longer side of the small copies that are compared, px (640: ours; an eighth of the field is still 80 px wide).
    pub thumb_px: u32,
    /// Pictures whose scales differ by less than this factor are not compared (1.2: ours).
    pub least_ratio: f64,
    /// Shorter side of the higher magnification within the small copy of the lower, px, below which it is not looked for
    /// (20: ours; smaller patches look alike everywhere).
    pub least_patch_px: u32,
    /// Correlation from which a place counts as found, 0..1 (0.7: ours; unrelated pictures of one braid stay well below).
    pub least_correlation: f64,
    /// By how much it must beat every other place (0.08: ours).
    pub least_lead: f64,
    /// Distance up to which two ends of pictures of one place are one end, in shaft diameters (1.5: ours).
    pub same_end_d: f64,
}

impl Default for SiteSettings {
    fn default() -> Self {
        Self {
            thumb_px: 640,
            least_ratio: 1.2,
            least_patch_px: 20,
            least_correlation: 0.7,
            least_lead: 0.08,
            same_end_d: 1.5,
        }
    }
}

/// Settings of [`crate::report`]: what is shown, never what is found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ReportSettings {
    /// Longest side of the picture of a break face, px (1000: twice its width on the page, for sharp screens and print).
    /// With many specimens it shrinks on its own.
    pub face_px: u32,
    /// Side of the cut-out of a single end, px (132: 6 diameters of a fibre of 22 px).
    pub crop_px: u32,
    /// Typical ends shown of each label.
    pub gallery: usize,
    /// JPEG quality of embedded pictures, 1..100.
    pub jpeg_quality: u8,
    /// About how large the pictures of the page may be, MB (15: with text and plots still below the 20 MB that mail servers
    /// commonly take; common practice, no source). Larger = larger pictures.
    pub page_mb: f64,
    /// Most specimens that get plots of their own; with more, the page leaves these out and says so.
    pub plot_specimens: usize,
    /// A difference between two knots is called clear below this adjusted p (0.05: common practice).
    pub clear_p: f64,
}

impl Default for ReportSettings {
    fn default() -> Self {
        Self {
            face_px: 1000,
            crop_px: 132,
            gallery: 4,
            jpeg_quality: 80,
            page_mb: 15.0,
            plot_specimens: 40,
            clear_p: 0.05,
        }
    }
}
