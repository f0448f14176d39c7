//! Rows of the scores: specimens, sides, carriers, knots and pairs of knots.

use super::{Basis, CarrierVerdict, FaceVerdict, History, IntervalFrom};
use crate::series::Kind;
use crate::stats::ratio::Method;
use crate::tabular::row;

row! {
    in "specimens", needs ["specimen"], first [];
    /// One row of `specimens.csv`: the break face of a specimen. Columns are the field names, in this order.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct SpecimenRow {
        /// Specimen code.
        pub specimen: String,
        /// Kind of specimen, when known.
        pub kind: Option<Kind>,
        /// Knot name.
        pub knot: Option<String>,
        /// Line designation.
        pub line: Option<String>,
        /// Carriers of the braid, when given.
        pub carriers: Option<u32>,
        /// Peak load of the break, N.
        pub peak_load_n: Option<f64>,
        /// Pictures that count.
        pub n_pictures: u32,
        /// Counted sheared ends.
        pub n_sheared: u32,
        /// Counted tensile ends.
        pub n_tensile: u32,
        /// Counted unclear ends.
        pub n_unclear: u32,
        /// The published fraction.
        pub sheared_fraction: Option<f64>,
        /// Lower end of its 95 % interval.
        pub sheared_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub sheared_high: Option<f64>,
        /// What the published fraction is: controls (corrected by the controls of the series), model (corrected by the
        /// model's cross-validated error rates) or raw; empty without a fraction.
        pub basis: Option<Basis>,
        /// mostly shear, mixed, mostly tensile or too few, from the published interval.
        pub verdict: Option<FaceVerdict>,
        /// Sheared over sheared plus tensile, as labelled.
        pub raw_fraction: Option<f64>,
        /// Lower end of the raw interval, widened by the design effect.
        pub raw_low: Option<f64>,
        /// Upper end of the raw interval, widened by the design effect.
        pub raw_high: Option<f64>,
        /// Fraction corrected for the labeller's error (Rogan and Gladen 1978).
        pub corrected_fraction: Option<f64>,
        /// Lower end of the corrected interval (Lang and Reiczigel 2014 on effective counts).
        pub corrected_low: Option<f64>,
        /// Upper end of the corrected interval.
        pub corrected_high: Option<f64>,
        /// How many times more ends it takes for the same certainty than if ends were independent.
        pub design_effect: Option<f64>,
        /// Labelled ends divided by the design effect.
        pub n_effective: Option<f64>,
        /// Recall of sheared ends over that of tensile ones by which the corrected fraction was weighed; empty where the table
        /// does not tell the fibres of the controls: the interval is then widened by a bound.
        pub recall_ratio: Option<f64>,
        /// Ends the whole face should have, when line and fibre data were given.
        pub n_expected: Option<f64>,
        /// Share of the expected ends that was labelled at least once; pictures of one side look at the same ends.
        pub coverage: Option<f64>,
        /// Carriers seen, in the picture that shows most of them; never more than the braid has.
        pub carriers_seen: u32,
        /// Of these: cut through.
        pub carriers_cut: u32,
        /// Of these: partly cut.
        pub carriers_partly: u32,
        /// Of these: broken in tension.
        pub carriers_tensile: u32,
        /// Length of the line that holds the middle 80 % of the tips of the fullest picture, µm.
        pub break_zone_um: Option<f64>,
        /// Median fibre diameter, µm.
        pub fibre_diameter_um: Option<f64>,
        /// Standard uncertainty of that: scatter of the fibres, and of the scale where that is known.
        pub fibre_diameter_u_um: Option<f64>,
        /// Order of failure that the pictures support: cut first, overload, cut sliding, two places or not known; empty for
        /// controls. From a model fitted on rendered faces only.
        pub history: Option<History>,
        /// Probability of the most probable order by that model, told or not.
        pub history_probability: Option<f64>,
        /// The evidence for it, or why it is not known.
        pub history_evidence: String,
        /// Names of raised flags, worst first, joined by semicolons.
        pub flags: String,
    }
}

row! {
    in "sides", needs ["specimen"], first [];
    /// One row of `sides.csv`: one of the two broken sides of a specimen.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct SideRow {
        /// Specimen code.
        pub specimen: String,
        /// standing, tag or free text.
        pub side: String,
        /// Counted sheared ends.
        pub n_sheared: u32,
        /// Counted tensile ends.
        pub n_tensile: u32,
        /// Counted unclear ends.
        pub n_unclear: u32,
        /// Sheared fraction on the same basis as the specimen's.
        pub sheared_fraction: Option<f64>,
        /// Lower end of its 95 % interval.
        pub sheared_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub sheared_high: Option<f64>,
    }
}

row! {
    in "carriers", needs ["image", "carrier"], first [];
    /// One row of `carriers.csv`: the ends of one carrier in one picture.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct CarrierRow {
        /// Picture, as in `images.csv`.
        pub image: String,
        /// Specimen code.
        pub specimen: String,
        /// Number of the carrier within the picture, from 1.
        pub carrier: u32,
        /// Sheared ends.
        pub n_sheared: u32,
        /// Tensile ends.
        pub n_tensile: u32,
        /// Unclear ends.
        pub n_unclear: u32,
        /// Sheared over sheared plus tensile.
        pub sheared_fraction: Option<f64>,
        /// Mean direction of the ends' straight edges in the picture, degrees in (−90, 90]; sheared ends, or all if fewer than two.
        pub cut_plane_deg: Option<f64>,
        /// How well these directions agree: resultant length of the doubled angles, 0..1.
        pub cut_plane_resultant: Option<f64>,
        /// Median distance of the tips from their common plane, in fibre diameters.
        pub plane_distance_d: Option<f64>,
        /// Length along the line that holds the middle 80 % of the tips, in fibre diameters.
        pub spread_along_d: Option<f64>,
        /// cut through, partly cut, broken in tension or too few.
        pub verdict: Option<CarrierVerdict>,
    }
}

row! {
    in "knots", needs ["knot"], first [];
    /// One row of `knots.csv`: one knot in one line, by its specimens.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct KnotRow {
        /// Knot name.
        pub knot: String,
        /// Line designation, when given.
        pub line: Option<String>,
        /// Place in the order from least to most sheared, from 1; equal means share a place; missing where there are too few
        /// specimens or ends for a verdict.
        pub rank: Option<u32>,
        /// Specimens with a sheared fraction.
        pub n_specimens: u32,
        /// Mean of the specimens' sheared fractions.
        pub sheared_fraction: Option<f64>,
        /// Lower end of its 95 % interval.
        pub sheared_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub sheared_high: Option<f64>,
        /// Where the interval comes from: between specimens, resampled specimens, or one specimen with the spread between those
        /// of other knots.
        pub interval_from: Option<IntervalFrom>,
        /// mostly shear, mixed, mostly tensile or too few.
        pub verdict: Option<FaceVerdict>,
        /// Specimens with a peak load.
        pub n_loads: u32,
        /// Mean peak load, N.
        pub mean_load_n: Option<f64>,
        /// Mean knot load over mean straight-pull load of the same line.
        pub efficiency: Option<f64>,
        /// Lower end of its 95 % interval.
        pub efficiency_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub efficiency_high: Option<f64>,
        /// Formula of that interval: fieller or log-ratio.
        pub efficiency_method: Option<Method>,
        /// Weibull modulus of the loads, bias taken out; missing with fewer than five.
        pub load_modulus: Option<f64>,
        /// Weibull scale of the loads, N.
        pub load_scale_n: Option<f64>,
        /// Carriers of the braid, when given.
        pub carriers: Option<u32>,
        /// Carriers whose loss would explain the load if the rest carried on unharmed: n (1 − efficiency).
        pub carriers_lost: Option<f64>,
        /// The same by equal-load-sharing bundle theory.
        pub carriers_lost_bundle: Option<f64>,
        /// Names of raised flags, worst first, joined by semicolons.
        pub flags: String,
    }
}

row! {
    in "pairs", needs ["knot_a", "knot_b"], first [];
    /// One row of `pairs.csv`: two knots of one line compared by their specimens.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct PairRow {
        /// Line designation, when given.
        pub line: Option<String>,
        /// First knot.
        pub knot_a: String,
        /// Second knot.
        pub knot_b: String,
        /// Specimens of the first.
        pub n_a: u32,
        /// Specimens of the second.
        pub n_b: u32,
        /// Mean sheared fraction of the first less that of the second.
        pub difference: Option<f64>,
        /// Two-sided permutation p-value; missing with fewer than three specimens a side.
        pub p: Option<f64>,
        /// p adjusted over all pairs (Benjamini and Hochberg 1995).
        pub p_adjusted: Option<f64>,
        /// Specimens of each knot that would show a difference of 0.2 with a chance of 0.8, from the spread seen.
        pub n_needed: Option<u32>,
        /// Mean load of the first over that of the second.
        pub load_ratio: Option<f64>,
        /// Lower end of its 95 % interval.
        pub load_ratio_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub load_ratio_high: Option<f64>,
        /// Knot efficiency of the first less that of the second.
        pub efficiency_difference: Option<f64>,
        /// Lower end of its 95 % interval.
        pub efficiency_difference_low: Option<f64>,
        /// Upper end of its 95 % interval.
        pub efficiency_difference_high: Option<f64>,
        /// Two-sided permutation p-value of the loads; missing with fewer than three a side.
        pub p_load: Option<f64>,
        /// The same by Welch's t test.
        pub p_load_welch: Option<f64>,
        /// Permutation p of the loads adjusted over all pairs.
        pub p_load_adjusted: Option<f64>,
        /// Loads of each knot that would show a difference of a tenth with a chance of 0.8, from the spread seen.
        pub n_loads_needed: Option<u32>,
    }
}
