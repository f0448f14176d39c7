//! Names of files written by version 0.1.0 and the names that they have now: the one list that every reader uses.

/// One name of a column, feature, setting or field: as 0.1.0 wrote it, and as it is written now.
pub type Renamed = (&'static str, &'static str);

/// Measured features: columns of `ends.csv`, of training tables and of model files.
pub const FEATURES: &[Renamed] = &[
    ("finder_score", "detection_score"),
    ("look_sheared", "network_p_sheared"),
    ("guide_tip", "tip_confidence"),
    ("rail_end", "end_line_rise"),
];

/// Features of the trees that rescore detections (`NAME.rescore.json`, before: `NAME.context.json`).
pub const RESCORE_FEATURES: &[Renamed] = &[
    ("width_in_copy", "width_in_level"),
    ("smear", "peak_flatness"),
    ("look_certainty", "appearance_certainty"),
    ("doubles_same_copy", "duplicates_same_level"),
    ("seen_in_other_copy", "score_other_level"),
    ("other_copy_width_gap", "other_level_width_gap"),
    ("other_copy_axis_gap", "other_level_axis_gap"),
    ("other_copy_distance", "other_level_distance"),
    ("crowd", "local_density"),
    ("murmur", "weak_neighbours"),
    ("strip_look_certainty", "strip_appearance_certainty"),
];

/// Settings, by their dotted keys; a whole section stands without a key.
pub const SETTINGS: &[Renamed] = &[
    ("calibrate.bar", "read.burnt_in.bar"),
    ("find", "detect"),
    ("find.min_hit", "detect.min_detection"),
    ("find.min_kept_hit", "detect.min_kept_detection"),
    ("find.last_copy_hits", "detect.last_level_detections"),
    ("find.last_copy_px", "detect.last_level_px"),
    ("measure.kin_least", "measure.picture_prior_min_ends"),
    ("measure.pay_width", "measure.width_change_penalty"),
    ("measure.pay_turn", "measure.turn_penalty"),
    ("measure.guide_rows", "measure.segmentation_min_rows"),
    ("measure.bend_charge", "measure.centreline_penalty"),
    ("measure.bend_outlier", "measure.centreline_outlier_scale"),
    ("measure.odd_width", "measure.width_outlier_share"),
    ("measure.zone_back", "measure.end_region_back"),
    ("measure.zone_core", "measure.end_region_core"),
    ("measure.guide_weight", "measure.segmentation_weight"),
    ("measure.outside_charge", "measure.outside_penalty"),
    ("measure.line_pointed", "measure.touching_line_floor"),
    ("measure.section_worth", "measure.min_section_score"),
    ("measure.tip_agree", "measure.tip_agreement"),
    ("measure.tip_guide_share", "measure.tip_segmentation_share"),
    ("measure.tip_sure", "measure.tip_min_confidence"),
    ("measure.rail_reach", "measure.continuation_reach"),
    ("measure.rail_behind", "measure.continuation_behind"),
    ("measure.rail_ahead", "measure.continuation_ahead"),
];

/// Settings of 0.1.0 that are none any more: numbers fitted on training pictures, now part of the models
/// (`models/uncertainty.json`, `models/carrier.json`), and those of a second search for scale bars. What an old file says of
/// them is left out.
pub const NO_LONGER_SETTINGS: &[&str] = &[
    "carrier.weights",
    "label.smoothing",
    "measure.axis_doubt",
    "measure.axis_u_deg",
    "measure.bulb_doubt",
    "measure.bulb_u",
    "measure.common_u",
    "measure.cut_doubt",
    "measure.cut_u_deg",
    "measure.cut_u_flat",
    "measure.doubt_support",
    "measure.edge_doubt",
    "measure.edge_doubt_reach",
    "measure.edge_u_blur",
    "measure.edge_u_most",
    "measure.edge_u_share",
    "measure.edge_u_spread",
    "measure.edge_u_support",
    "measure.expected_share",
    "measure.guide_sigma",
    "measure.kin_correlation",
    "measure.kin_doubt",
    "measure.kin_reach",
    "measure.kin_spread",
    "measure.least_width_sigma",
    "measure.limb_most",
    "measure.limb_share",
    "measure.reading_spread",
    "measure.reading_u",
    "measure.rough_width_sigma",
    "measure.tip_doubt",
    "measure.tip_u",
    "read.burnt_in.bar_beside_share",
    "read.burnt_in.bar_end_step",
    "read.burnt_in.bar_length_max",
    "read.burnt_in.bar_length_min",
    "read.burnt_in.bar_ragged_px",
    "read.burnt_in.bar_thickness_max",
];

/// Fields of `run.json` and of the times in it.
pub const RUN_FIELDS: &[Renamed] = &[("finder", "detector"), ("stage_s.find", "stage_s.detect")];

/// The present name of something that 0.1.0 may have called otherwise; names that did not change stay.
pub fn current<'a>(list: &[Renamed], name: &'a str) -> &'a str {
    list.iter().find(|(old, _)| *old == name).map_or(name, |(_, new)| new)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_names_are_replaced_and_others_stay() {
        assert_eq!(current(FEATURES, "look_sheared"), "network_p_sheared");
        assert_eq!(current(FEATURES, "flatness"), "flatness");
    }
}
