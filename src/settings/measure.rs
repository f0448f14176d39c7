//! Thresholds of measuring ends.

use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::measure`]. Lengths are in shaft diameters (d) unless a unit is named. Numbers that
    /// were fitted on training pictures are no settings: `models/uncertainty.json`.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct MeasureSettings {
        /// Fewest pixels across a shaft that can be graded (6: ours, thinner shafts show no form). Larger = more ends `unclear`.
        pub min_shaft_px: f64,
        /// Fewest fibres of a picture from which their common width is judged (4).
        pub picture_prior_min_ends: usize,
        /// Samples across the rough width in the coarse trace (16). Larger = slower, finer start.
        pub coarse_samples: f64,
        /// Samples across the width in the fine trace and the end region (20: edges interpolate to a tenth of that). Larger = slower.
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
        pub outside_penalty: f64,
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
        /// A line's floor over its width at half depth: from the first number up the line is a gap of ground and keeps half
        /// height as its edge, from the second down two bodies touch there and part at its middle (two slopes that meet have
        /// 0.3, a Gaussian 0.48: a line as narrow as the blur cannot be told; 0.45, 0.3).
        pub touching_line_floor: (f64, f64),
        /// Score of two edges that step the same way (dark-light-dark or light-dark-light) over that of two that do not (0.15).
        pub pair_polarity: f64,
        /// Cost of one sample's change of width from section to section of a section's score (0.25).
        pub width_change_penalty: f64,
        /// Cost of one sample's change of direction from section to section of a section's score (0.02).
        pub turn_penalty: f64,
        /// Widths searched, in standard deviations of the rough width (2.2).
        pub width_reach: f64,
        /// Standard deviation of the rough tip beside the shaft (0.3).
        pub start_sigma: f64,
        /// Standard deviation of the middle of the fine trace from the coarse one (0.25).
        pub fine_centre_sigma: f64,
        /// Fewest rows of the segmentation that make a shaft (12 of its 57: one diameter).
        pub segmentation_min_rows: usize,
        /// Ahead of this distance behind the tip the centre line goes on straight (0.6).
        pub straight_from: f64,
        /// Charge on slope, square and cube of the centre line (0, 0.002, 0.02). Larger = straighter.
        pub centreline_penalty: [f64; 3],
        /// Distance from the centre line at which a section counts half (0.08).
        pub centreline_outlier_scale: f64,
        /// Sections whose width differs by more than this share do not shape the centre line (0.15).
        pub width_outlier_share: f64,
        /// Nearest and farthest place of the shaft's diameter behind the tip (1.5: by the definition of the shaft diameter).
        pub shaft_from: f64,
        /// Farthest place of the shaft's diameter behind the tip (4: by the definition of the shaft diameter).
        pub shaft_to: f64,
        /// Start of the end region behind the rough tip (2.0).
        pub end_region_back: f64,
        /// Place on the centre line that is surely own fibre, behind the rough tip (1.0).
        pub end_region_core: f64,
        /// Length of the strip of the end behind the rough tip (4.5).
        pub strip_back: f64,
        /// Length of that strip ahead of the rough tip: caps and moved tips fit in (2.2).
        pub strip_ahead: f64,
        /// Half width of that strip: caps of three diameters fit in (2.0).
        pub strip_half: f64,
        /// How far from the segmentation's outline the picture's edge may lie (one and a half of its samples) (0.12).
        pub refine_reach: f64,
        /// Least step at a side of the end, as a share of the shaft's, that moves the outline there (0.3).
        pub side_height: f64,
        /// Reach of the straight edge on either side of the centre line (0.45: by the definition of flatness).
        pub end_line_reach: f64,
        /// Weight of front places that only the segmentation knows (0.3).
        pub segmentation_weight: f64,
        /// Distance from the straight edge at which a place counts half (0.04).
        pub front_outlier: f64,
        /// Neighbouring front places that share their pixels (4.0).
        pub front_correlation: f64,
        /// Where the largest width is looked for behind the front (1.5: by the definition of the bulb ratio).
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
        pub continuation_reach: f64,
        /// Largest gap between the segmentation's tip and that of the measured shape at which both count (0.35).
        pub tip_agreement: f64,
        /// Share of the segmentation's tip when both count (0.5).
        pub tip_segmentation_share: f64,
        /// Least certainty of the segmentation's tip that wins over the shape when they differ (0.3).
        pub tip_min_confidence: f64,
        /// Least score of a cross-section that supports a shaft (0.3).
        pub min_section_score: f64,
        /// Neighbouring cross-sections that share their rows (3.0).
        pub section_correlation: f64,
        /// Largest blur of the edges, standard deviation (0.12).
        pub max_blur: f64,
        /// Largest blur of the edges, px, where the one above is less (2.0).
        pub max_blur_px: f64,
        /// Least visible share (0.6: ours, as the truth of rendered pictures calls an end gradable).
        pub min_visible: f64,
        /// Least step across the edges, of the picture's range (0.02).
        pub min_contrast: f64,
        /// Least distance of a tip from the frame (0.3).
        pub min_border: f64,
        /// Largest share of the end region under captions or off the picture (0.35).
        pub max_masked: f64,
        /// Least share of cross-sections that show the shaft (0: on 120 rendered pictures labels are right for 96.5 % of the
        /// ends below 0.1 and for 97.7 % of the rest, so that a faint shaft is no reason to keep silent).
        pub min_support: f64,
        /// Far and near end of the rows behind the front whose edges are compared with those ahead (2, 0.8).
        pub continuation_behind: (f64, f64),
        /// Near and far end of the rows ahead of the front that should show no edges of this shaft (0.4, 1.2).
        pub continuation_ahead: (f64, f64),
    }
}

impl Default for MeasureSettings {
    fn default() -> Self {
        Self {
            min_shaft_px: 6.0,
            picture_prior_min_ends: 4,
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
            outside_penalty: 0.5,
            edge_along: 0.15,
            edge_reach: 0.06,
            level_reach: 0.3,
            place_reach: 0.16,
            level_slope_share: 0.12,
            touching_line_floor: (0.45, 0.3),
            pair_polarity: 0.15,
            width_change_penalty: 0.25,
            turn_penalty: 0.02,
            width_reach: 2.2,
            start_sigma: 0.3,
            fine_centre_sigma: 0.25,
            segmentation_min_rows: 12,
            straight_from: 0.6,
            centreline_penalty: [0.0, 0.002, 0.02],
            centreline_outlier_scale: 0.08,
            width_outlier_share: 0.15,
            shaft_from: 1.5,
            shaft_to: 4.0,
            end_region_back: 2.0,
            end_region_core: 1.0,
            strip_back: 4.5,
            strip_ahead: 2.2,
            strip_half: 2.0,
            refine_reach: 0.12,
            side_height: 0.3,
            end_line_reach: 0.45,
            segmentation_weight: 0.3,
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
            continuation_reach: 0.1,
            tip_agreement: 0.35,
            tip_segmentation_share: 0.5,
            tip_min_confidence: 0.3,
            min_section_score: 0.3,
            section_correlation: 3.0,
            max_blur: 0.12,
            max_blur_px: 2.0,
            min_visible: 0.6,
            min_contrast: 0.02,
            min_border: 0.3,
            max_masked: 0.35,
            min_support: 0.0,
            continuation_behind: (2.0, 0.8),
            continuation_ahead: (0.4, 1.2),
        }
    }
}
