//! The registry of features: one line per column. It says what is measured, not how.

/// When a feature is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// From the pixels of the end itself.
    Picture,
    /// From the company of the end, once carriers are known ([`crate::carrier`]).
    Company,
}

/// One measured quantity: one column of `ends.csv`.
#[derive(Debug, Clone, Copy)]
pub struct Feature {
    /// Column name, quantity first, unit last.
    pub name: &'static str,
    /// Unit, `1` when dimensionless, `d` for shaft diameters.
    pub unit: &'static str,
    /// One sentence a person can check by eye.
    pub meaning: &'static str,
    /// Paper and equation, or "ours".
    pub source: &'static str,
    /// Where it is measured.
    pub stage: Stage,
    /// Whether the labelling tree may use it: scale-free and not tied to one look.
    pub for_label: bool,
}

/// Version of the feature table; a model of another major version is refused.
pub const FEATURE_SCHEMA: &str = "breakface-features/2.1";

const fn entry(
    name: &'static str,
    unit: &'static str,
    source: &'static str,
    for_label: bool,
    meaning: &'static str,
) -> Feature {
    Feature { name, unit, meaning, source, stage: Stage::Picture, for_label }
}

const fn company(name: &'static str, unit: &'static str, source: &'static str, meaning: &'static str) -> Feature {
    Feature { name, unit, meaning, source, stage: Stage::Company, for_label: true }
}

/// Every feature in column order. The single source: CSV header, Parquet schema, README table and tree lookup derive
/// from it. `d` is the shaft diameter of the end.
#[rustfmt::skip]
pub const FEATURES: &[Feature] = &[
    // name, unit, source, may the labelling tree use it, meaning
    entry("shaft_diameter_px", "px", "ours, by definition", false, "Median width of the shaft between 1.5 and 4 diameters behind the tip."),
    entry("shaft_diameter_u_px", "px", "ours", false, "Standard uncertainty of the shaft diameter."),
    entry("shaft_diameter_shared_u_px", "px", "ours", false, "Part of that uncertainty that all ends of the picture have in common: it does not average out."),
    entry("bulb_ratio", "1", "ours, by definition", true, "Largest width within 1.5 diameters of the tip over the shaft diameter; 1 = no cap."),
    entry("bulb_ratio_u", "1", "ours", false, "Standard uncertainty of the bulb ratio."),
    entry("cut_angle_deg", "deg", "ours, by definition", false, "Angle between the end's straight edge and the normal of the axis; 0 = square; positive when the side (-sin axis, cos axis) lies further out."),
    entry("cut_angle_u_deg", "deg", "ours", false, "Standard uncertainty of the cut angle."),
    entry("cut_angle_size_deg", "deg", "ours", true, "Size of the cut angle, without its sign."),
    entry("flatness", "1", "ours, by definition", true, "RMS distance of the end's outline from its straight edge over the diameter; 0 = flat."),
    entry("front_bow", "d", "ours: half ellipse fitted to the front", true, "How far the middle of the end bows out beyond its straight edge; 0 = straight edge, 0.5 = half circle."),
    entry("cap_length", "d", "ours", true, "Length along the axis over which the end is clearly wider than its shaft; 0 = no cap."),
    entry("cap_roundness", "1", "ours", true, "Cap length over cap width: near 1 = round bulb, small = thin flare; 0 = no cap."),
    entry("neck", "1", "ours", true, "Smallest width between cap and shaft over the diameter."),
    entry("front_width", "1", "ours", true, "Width of the end 0.15 diameters behind its front over the diameter; small = tapered."),
    entry("taper", "1", "ours", true, "Loss of width per length over the last 1.5 diameters; negative = widens towards the end."),
    entry("asymmetry", "d", "ours", true, "How far the middle of the end's widest part lies off the shaft's centre line."),
    entry("flare_one_sided", "d", "ours", true, "Difference between the overhang of the end beyond the shaft on its two sides."),
    entry("roughness", "1", "ours", true, "RMS distance of the end's outline from its own smoothed centreline over the diameter."),
    entry("solidity", "1", "area over convex hull area (regionprops)", true, "Area of the end region over the area of its convex hull; 1 = no notches."),
    entry("face_brightness", "1", "ours", true, "Brightness of the last half diameter against the shaft, in shares of their sum; positive = brighter end."),
    entry("face_contrast", "1", "ours", true, "Step between the last half diameter and the shaft over the step between shaft and surroundings."),
    entry("end_texture", "1", "ours", true, "Fine texture of the end over that of its shaft, logarithm to base 2; 0 = alike."),
    entry("wisps", "1", "ours", true, "Share of the surroundings of the end crossed by fine lines."),
    entry("split", "1", "ours", true, "Strength of a lengthwise line inside the end that its shaft does not have, over the edge strength."),
    entry("edge_blur_d", "d", "blurred step, standard deviation", false, "Blur of the shaft's edges over the diameter: focus."),
    entry("edge_blur_px", "px", "blurred step, standard deviation", false, "Blur of the shaft's edges."),
    entry("contrast", "1", "ours", false, "Step of brightness or colour across the shaft's edges, 0..1 of the picture's range."),
    entry("visible_share", "1", "ours", false, "Share of the end that no other fibre, caption or frame hides."),
    entry("dye_hue_deg", "deg", "HSV hue", false, "Hue of the shaft; empty for grey pictures and colourless shafts."),
    entry("dye_saturation", "1", "HSV saturation", false, "Saturation of the shaft's colour, 0..1."),
    entry("shaft_grey", "1", "ours", false, "Median brightness of the shaft, 0..1."),
    entry("curvature", "1", "ours", true, "Bend of the shaft: diameter over radius of its centre line."),
    entry("width_spread", "1", "ours", true, "Spread of the shaft's width along its length over the diameter."),
    entry("shaft_support", "1", "ours", false, "Share of the cross-sections behind the tip that show both edges of a shaft of this width."),
    entry("edge_balance", "1", "ours", false, "Weaker over stronger of the two edges of the shaft; near 0 = one edge only."),
    entry("continuation", "1", "ours", false, "Strength of the shaft's edges beyond the tip over their strength behind it; near 1 = the fibre goes on."),
    entry("end_line_rise", "d", "ours", false, "Distance along the axis between the two corners of the end's straight edge."),
    entry("end_edge", "1", "ours", false, "Strength of the end's front edge over that of the shaft's edges."),
    entry("beyond_contrast", "1", "ours", false, "Step between the shaft and what lies beyond the tip over the step across the shaft's edges."),
    entry("masked_share", "1", "ours", false, "Share of the end region under burnt-in captions or off the picture."),
    entry("border_distance", "d", "ours", false, "Distance of the tip from the frame."),
    entry("tip_confidence", "1", "segmentation network, models/README.md", false, "How sure the segmentation network is of the tip that it sees, 0..1."),
    entry("tip_shift", "d", "ours", false, "How far measuring moved the tip from where the detector put it."),
    entry("axis_shift_deg", "deg", "ours", false, "How far measuring turned the axis from the detector's."),
    entry("width_shift", "1", "ours", false, "Measured diameter over the detector's, natural logarithm."),
    entry("detection_score", "1", "ours", false, "Confidence of the detector that a fibre ends here."),
    entry("network_p_sheared", "1", "strip networks and detector, models/README.md", false, "The networks' impression of the end, two parts from its straightened strip, one from the detector: chance that it looks sheared, 0..1."),
    entry("strand_count", "1", "regression network, models/README.md", false, "Strands of a split or brush, where the network sees one."),
    entry("divided_length", "d", "regression network, models/README.md", false, "Length of the divided part of a split or brush."),
    entry("tail_width", "1", "regression network, models/README.md", false, "Width of a drawn tail over the diameter."),
    entry("tail_length", "d", "regression network, models/README.md", false, "Length of a drawn tail."),
    entry("neck_width", "1", "regression network, models/README.md", false, "Narrowest width behind a cap over the diameter; 1 = no neck."),
    entry("flare_left", "d", "regression network, models/README.md", false, "How far a cut end stands out beyond the shaft's edge on the side (sin axis, -cos axis); 0 = no flare."),
    entry("flare_right", "d", "regression network, models/README.md", false, "The same on the side (-sin axis, cos axis)."),
    entry("step_height", "d", "regression network, models/README.md", false, "Height of the largest step of a torn cut along the axis."),
    entry("form_p_cap", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a cap."),
    entry("form_p_weak_cap", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a weak cap."),
    entry("form_p_taper", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a taper."),
    entry("form_p_drawn_tail", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a drawn tail."),
    entry("form_p_split", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is split lengthwise."),
    entry("form_p_brush", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a brush of fibrils."),
    entry("form_p_clean", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a clean cut."),
    entry("form_p_end_on", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a cut seen end-on."),
    entry("form_p_flared", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a flared cut."),
    entry("form_p_torn", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a torn cut."),
    entry("form_p_crushed", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a crushed cut."),
    entry("form_p_fused", "1", "regression network, models/README.md", false, "The network's figure, of all forms together 1, that the end is a fused cut."),
    company("carrier_cut_deviation_deg", "deg", "ours, by definition; Mardia and Jupp 2000, section 1.1", "Angle between the end's straight edge and the common plane of its carrier's other ends; empty without company."),
    company("carrier_cut_resultant", "1", "ours, by definition; Mardia and Jupp 2000, section 1.1", "How alike the straight edges of its carrier's other ends lie: resultant length of the doubled angles, 0..1."),
    company("carrier_plane_distance", "d", "ours, by definition", "Distance of the tip from the common plane of its carrier's other ends."),
    company("carrier_tip_stagger", "d", "ours, by definition", "How far the tips of its carrier scatter along the line: scaled median absolute deviation."),
];

/// The values of [`FEATURES`], in its order; `None` = could not be measured.
#[derive(Debug, Clone, PartialEq)]
pub struct FeatureRow(Vec<Option<f64>>);

impl Default for FeatureRow {
    fn default() -> Self {
        Self(vec![None; FEATURES.len()])
    }
}

impl FeatureRow {
    /// Position of a feature in the registry.
    pub fn index(name: &str) -> Option<usize> {
        FEATURES.iter().position(|f| f.name == name)
    }

    /// Value of a feature by name; `None` = could not be measured.
    ///
    /// # Panics
    /// When no feature has this name: a fault of the caller ([`FeatureRow::index`] tells for names from outside).
    pub fn get(&self, name: &str) -> Option<f64> {
        self.0[Self::known(name)]
    }

    /// Sets a feature; values that are not finite become missing.
    ///
    /// # Panics
    /// When no feature has this name: a fault of the caller.
    pub fn set(&mut self, name: &str, value: Option<f64>) {
        self.0[Self::known(name)] = value.filter(|v| v.is_finite());
    }

    fn known(name: &str) -> usize {
        Self::index(name).unwrap_or_else(|| panic!("no feature is called {name}"))
    }

    /// All values in registry order.
    pub fn values(&self) -> &[Option<f64>] {
        &self.0
    }
}
