//! Thresholds of scale and focus: calibration, stacking, picture quality.

use serde::{Deserialize, Serialize};

/// Settings of [`crate::calibrate`].
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CalibrateSettings {
    /// Ruled scales.
    pub ruling: RulingSettings,
    /// Burnt-in scale bars.
    pub bar: BarSettings,
    /// Known fibres.
    pub fibre: FibreSettings,
}

/// Settings of the fit to the lines of a stage micrometer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RulingSettings {
    /// Fewest lines that make a scale, lines (6: with fewer, one wrong line moves the scale by more than its error).
    pub min_lines: usize,
    /// Side of the blocks that vote for the direction of the lines, px (160: a turn of 1° smears a line by less than 3 px).
    pub block_px: usize,
    /// Pixels of the picture that vote for the direction (600 000). Larger = slower, surer in noise.
    pub direction_px: usize,
    /// Length of line that is averaged to one profile, px (48). Larger = less noise, more smear before the direction is known.
    pub strip_px: f64,
    /// Smallest height of a line over its surroundings, as a share of the strong lines of its strip, 0..1 (0.4: half-lit
    /// lines count, dust does not).
    pub line_height_share: f64,
    /// Smallest height of a line, in standard deviations of the profile's noise (5: chance peaks stay out).
    pub line_height_sd: f64,
    /// Largest share of the pitch that a line may lie off its place and still belong to the ruling, 0..0.5 (0.25).
    pub index_gate: f64,
    /// Largest distance of a ratio of spacings from a whole number at which one is a multiple of the other (0.06).
    pub multiple_gap: f64,
    /// Share of strips with a foreign spacing from which the ruling is ambiguous, 0..1 (0.34).
    pub foreign_share: f64,
    /// Smallest share of line places that must hold a line, 0..1 (0.85: below it the pitch may be a multiple of the true one).
    pub fill_share: f64,
    /// Largest RMS distance of lines from their places, as a share of the pitch (0.08: rulings are far better, other patterns worse).
    pub rms_share: f64,
    /// Largest shift of every second line against the others, as a share of the pitch (0.04: beyond it the lines come in pairs).
    pub pair_share: f64,
    /// Strength that a second direction needs, as a share of the first, 0..1 (0.25).
    pub second_direction_share: f64,
    /// Smallest angle between two directions of rulings, degrees (20).
    pub direction_gap_deg: f64,
    /// Smallest weight difference of x and y between directions that allows telling x and y scale apart, 0..1 (0.3).
    pub anisotropy_lever: f64,
}

impl Default for RulingSettings {
    fn default() -> Self {
        Self {
            min_lines: 6,
            block_px: 160,
            direction_px: 600_000,
            strip_px: 48.0,
            line_height_share: 0.4,
            line_height_sd: 5.0,
            index_gate: 0.25,
            multiple_gap: 0.06,
            foreign_share: 0.34,
            fill_share: 0.85,
            rms_share: 0.08,
            pair_share: 0.04,
            second_direction_share: 0.25,
            direction_gap_deg: 20.0,
            anisotropy_lever: 0.3,
        }
    }
}

/// Settings of the search for a burnt-in scale bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BarSettings {
    /// Shortest bar, px (20: one pixel is then 5 %).
    pub min_px: u32,
    /// Longest bar, as a share of the picture's width, 0..1 (0.7: longer straight lines are frames).
    pub max_width_share: f64,
    /// Thickest bar, as a share of the picture's height, 0..1 (0.03).
    pub max_thickness_share: f64,
    /// Smallest length of a bar over its thickness (2.5).
    pub min_aspect: f64,
    /// Largest difference of colour along the bar, 0..255 (30: JPEG ringing beside a sharp edge).
    pub colour_tolerance: f64,
    /// Smallest difference of colour between the bar and what lies around it, 0..255 (45).
    pub contrast: f64,
    /// Share of the bar's length that must stand out above and below, 0..1 (0.85: captions and ticks may touch).
    pub clear_share: f64,
    /// How far an end may move from row to row, px (2).
    pub end_wobble_px: u32,
    /// How far a tick must reach beyond the bar, px (3).
    pub tick_reach_px: u32,
    /// Smallest score of a bar, 0..1 (0.5: between straight fibre edges and real bars of the training pictures).
    pub min_score: f64,
    /// Shortest bar, as a share of the longer side of the picture, 0..1 (0.02: strokes of letters are shorter).
    pub least_share: f64,
    /// The same for upright bars and for bars of a single row, 0..1 (0.04: there are many such strokes in letters and along
    /// fibres; none of this length in training pictures).
    pub doubtful_least_share: f64,
    /// Score that an upright bar loses against a level one, 0..1 (0.05: nearly all bars lie level, fibres may stand upright).
    pub upright_charge: f64,
    /// Difference between a bar and the table or metadata that is a warning, relative (0.03: the mission's 3 %).
    pub contradiction: f64,
}

impl Default for BarSettings {
    fn default() -> Self {
        Self {
            min_px: 20,
            max_width_share: 0.7,
            max_thickness_share: 0.03,
            min_aspect: 2.5,
            colour_tolerance: 30.0,
            contrast: 45.0,
            clear_share: 0.85,
            end_wobble_px: 2,
            tick_reach_px: 3,
            min_score: 0.5,
            least_share: 0.02,
            doubtful_least_share: 0.04,
            upright_charge: 0.05,
            contradiction: 0.03,
        }
    }
}

/// Settings of the check by a known fibre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FibreSettings {
    /// Difference of a picture's fibre diameter from the expected one that is flagged, relative (0.15: spread of
    /// filaments within a yarn and of flattened fibres; common practice, no source).
    pub expected_gap: f64,
    /// Distance from the median of the series that is flagged, in robust standard deviations (3.5: Iglewicz and Hoaglin 1993).
    pub robust_sd: f64,
    /// Smallest relative distance from the median of the series that is flagged (0.08: below it the spread of fibres decides).
    pub series_gap: f64,
    /// Fewest measured ends of a picture that give its diameter (3).
    pub min_ends: usize,
    /// Relative standard uncertainty of the true diameter of one lot of fibres (0.05: linear density within a lot; common
    /// practice, no source).
    pub lot_u: f64,
}

impl Default for FibreSettings {
    fn default() -> Self {
        Self { expected_gap: 0.15, robust_sd: 3.5, series_gap: 0.08, min_ends: 3, lot_u: 0.05 }
    }
}

/// Settings of [`crate::stack`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StackSettings {
    /// Most frames in one series (1000: a longer one is a film).
    pub max_frames: usize,
    /// Longest side of the copies on which frames are aligned, px (1600: fine detail is needed to tell a move from a change of blur). Larger = slower.
    pub align_side_px: usize,
    /// Largest change of magnification between neighbouring frames, relative (0.002: blur that passes for growth is above it).
    pub max_magnification_step: f64,
    /// Largest shift between neighbouring frames, as a share of the picture's width (0.05).
    pub max_shift_share: f64,
    /// Displacement at the corners below which a frame is left as it is, px (0.5: moving it would blur it more than it
    /// helps).
    pub leave_px: f64,
    /// Smallest correlation of a frame with its neighbour, 0..1 (0.25: below it the frame is left out and said).
    pub min_correlation: f64,
    /// Standard deviations by which a shift or a change of magnification must differ from none to be undone (6: blur is not quite independent from tile to tile).
    pub certain_sd: f64,
    /// Times that the picture is halved for the choice of detail (6: the coarsest detail is then 64 px).
    pub levels: usize,
    /// Of these, how many give the focus measure (3: detail of 1 to 4 px; coarser detail blurs too little with focus).
    pub focus_levels: usize,
    /// Radius over which detail is compared, px standard deviation at each halving (2.5). Larger = steadier choice,
    /// coarser edges.
    pub window_px: f64,
    /// Power to which the detail energy of a frame counts against that of the others (4: between the average of all
    /// frames, 0, and the sharpest alone; best SSIM and within 0.2 dB of the best PSNR on rendered series).
    pub detail_power: i32,
    /// Grey difference that counts as no detail beside noise, 0..1 (1/255: one step of an 8-bit picture).
    pub detail_floor: f64,
    /// Focus measure that counts as texture, in units of what noise alone gives (3).
    pub texture_over_noise: f64,
    /// Confidence from which a place counts as seen in focus, 0..1 (0.3).
    pub seen_confidence: f64,
    /// Weight with which untextured places take the height of their surroundings (0.05). Larger = smoother height map.
    pub fill_weight: f64,
    /// Share of the seen places in an end frame, over an even share, from which the series seems too short there (2.5).
    pub short_series_factor: f64,
    /// Share of the seen places below which a frame counts as never used, 0..1 (0.001).
    pub unused_share: f64,
    /// Fine detail over coarse detail, relative to the sharp parts of the picture, below which a structured place counts
    /// as never in focus, 0..1 (0.01: the all-in-focus truth of rendered series has no such place).
    pub never_sharp_share: f64,
    /// Radius over which fine is compared with coarse detail, in units of `window_px` at the coarse scale (3).
    pub never_sharp_window: f64,
    /// Share of the structured places without focus that is a warning, 0..1 (0.1).
    pub unfocused_share: f64,
    /// Change of sharpness along the best order over that along the given order below which frames seem out of order,
    /// 0..1 (0.7).
    pub order_share: f64,
}

impl Default for StackSettings {
    fn default() -> Self {
        Self {
            max_frames: 1000,
            align_side_px: 1600,
            max_magnification_step: 0.002,
            max_shift_share: 0.05,
            leave_px: 0.5,
            min_correlation: 0.25,
            certain_sd: 6.0,
            levels: 6,
            focus_levels: 3,
            window_px: 2.5,
            detail_power: 4,
            detail_floor: 1.0 / 255.0,
            texture_over_noise: 3.0,
            seen_confidence: 0.3,
            fill_weight: 0.05,
            short_series_factor: 2.5,
            unused_share: 0.001,
            never_sharp_share: 0.01,
            never_sharp_window: 3.0,
            unfocused_share: 0.1,
            order_share: 0.7,
        }
    }
}

/// Settings of [`crate::micrograph::quality`]. Defaults come from pictures degraded in known steps (`docs/quality.md`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct QualitySettings {
    /// Grey at or below which a pixel is lost in black, 0..1 (1/255).
    pub low_grey: f64,
    /// Grey at or above which a pixel is lost in white, 0..1 (254/255).
    pub high_grey: f64,
    /// Share of pixels lost in white that is a warning, 0..1 (0.03).
    pub high_share: f64,
    /// Share of pixels lost in black that is a warning, 0..1 (0.3: a fifth of the ends that were found and labelled
    /// right are lost; dark backgrounds of training pictures stay below 0.1).
    pub low_share: f64,
    /// Noise that is a warning, standard deviation of grey, 0..1 (0.1: a quarter of the ends that were found and labelled right
    /// are lost).
    pub noise: f64,
    /// Blockiness that is a warning: steps at the 8-px grid over steps elsewhere, less 1 (0.25).
    pub blockiness: f64,
    /// Edge sharpness below which a picture is soft, 0..1 (0.16: half of the ends that were found and labelled right are lost).
    pub sharpness: f64,
    /// Pixels per fibre below which a picture is coarse, px (10: the mission's figure).
    pub fibre_px: f64,
}

impl Default for QualitySettings {
    fn default() -> Self {
        Self {
            low_grey: 1.0 / 255.0,
            high_grey: 254.0 / 255.0,
            high_share: 0.03,
            low_share: 0.3,
            noise: 0.1,
            blockiness: 0.25,
            sharpness: 0.16,
            fibre_px: 10.0,
        }
    }
}
