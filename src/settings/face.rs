//! Thresholds of scoring break faces and comparing knots.

use super::HistorySettings;
use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::face`] and [`crate::knot`], and of cut planes of carriers.
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
        /// axis and the carrier's own scatter), here and where an end is held against its carrier ([`crate::carrier`]).
        /// Larger = edges count more alike.
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
        /// Share of the intra-carrier correlation that is left when carriers are grouped as well as the program does (0.95: ours,
        /// chosen on `scripts/lab/simulate_intervals`, which groups as well as the program does). Larger = narrower
        /// intervals.
        pub grouping_keeps_rho: f64,
        /// Weight of the assumption that pictures of a face show the same carriers, in pictures compared (1: ours, chosen on
        /// `scripts/lab/simulate_intervals`). Larger =
        /// wider intervals where a run has few specimens with several pictures.
        pub prior_overlap_df: f64,
        /// Ends seen of one carrier where none could be grouped (10: ours).
        pub carrier_size: f64,
        /// Carriers that a braid is taken to have where the table does not say, for the share of them that a picture shows (10: ours;
        /// chosen on `scripts/lab/simulate_intervals` between braids of 8 and of 16 carriers). Larger = wider intervals.
        pub braid_carriers: f64,
        /// Share of the spread between carriers that stays although all carriers of the braid are in the picture, because
        /// the ends seen of each are not a random draw of its ends (0.05: ours, see `scripts/lab/simulate_intervals`).
        pub hidden_share: f64,
        /// Sensitivity + specificity − 1 of the controls below which nothing is corrected (0.5: ours; the correction would
        /// more than double every error).
        pub least_youden: f64,
        /// How much lower the labeller's sensitivity and specificity may be on a knot than on the controls, standard deviation
        /// (0.08: ours; knots are denser and more worn; chosen on `scripts/lab/simulate_intervals`, where knots labelled wrong at
        /// 10 % stand beside controls at 1 %). Larger = intervals reach farther from one half.
        pub labeller_sd: f64,
        /// The same from the model's own figures to another microscope (0.1: ours, chosen in the same way).
        pub model_labeller_sd: f64,
        /// Variance of a rate r of the labeller from specimen to specimen over r (1 − r) (0.06: ours; wrong labels come
        /// by carriers and forms of ends; with it intervals hold the truth of rendered faces, `scripts/lab/judge_faces.py`). Larger = wider intervals.
        pub labeller_overdispersion: f64,
        /// Ends of the model's own figures that count for one independent end (8: ours; wrong labels come by pictures).
        pub model_design_effect: f64,
        /// Half width of the range of the ratio of the recalls of sheared and tensile ends, 0..1 (0.2: ours; over looks and views of
        /// rendered pictures the ratio of all ends, hidden ones too, mostly lies from 0.8 to 1.2, `scripts/lab/recall.py`).
        /// Larger = wider intervals.
        pub recall_ratio_range: f64,
        /// Weight of what training sets show of the spread of recalls from picture to picture, in degrees of freedom (4: ours).
        pub recall_prior_df: f64,
        /// Labelled ends that the controls of each kind need together for a correction (10: ours).
        pub fewest_control_ends: f64,
        /// Share of wrong labels from which a control counts as failed (0.25: ours; the bundled model is wrong far less
        /// often).
        pub control_wrong_share: f64,
        /// Density of the fibres, g/cm³, for the ends expected (0.97: ultra-high-molecular-weight polyethylene, Sanborn et al.
        /// 2015).
        pub density_g_cm3: f64,
        /// Tenacity of the fibres, cN/dtex, for the ends expected from a line strength (35: high-grade
        /// polyethylene; a maker's data sheet gives 34 to 40).
        pub tenacity_cn_dtex: f64,
        /// Share of the fibres' strength that the braid reaches, for the same (0.8: ours, no source: weigh a length instead).
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
        /// Smallest plausible fibre diameter, µm (5: ours, below all fibres made for lines).
        pub least_diameter_um: f64,
        /// Largest plausible fibre diameter, µm (60: ours, above all fibres made for lines).
        pub largest_diameter_um: f64,
        /// Share of ends outside the model's range from which a specimen is flagged (0.2: ours).
        pub out_of_range_share: f64,
        /// Specimens of a knot below which it gets no verdict (2: one specimen is no knot).
        pub fewest_for_knot: u32,
        /// Standard deviation of the sheared fraction between specimens of one knot before any was seen (0.25: ours, chosen
        /// on `scripts/lab/simulate_intervals` for knots whose specimens spread by 0.15 to 0.25). Larger = wider intervals of knots
        /// with few specimens.
        pub specimen_sd: f64,
        /// Weight of that, and of what other knots show, in degrees of freedom (6: ours, chosen in the same way).
        pub specimen_sd_df: f64,
        /// Most weight of what the other knots of a run show of the spread of loads, in degrees of freedom (4: ours, as for
        /// fractions). Larger = narrower intervals of efficiencies from few loads.
        pub load_spread_df: f64,
        /// Difference of sheared fractions that a comparison should be able to show (0.2: ours; a fifth of the fibres).
        pub difference_to_show: f64,
        /// Ratio of mean loads, less one, that a comparison should be able to show (0.1: ours).
        pub load_difference_to_show: f64,
        /// Chance to show such a difference where it is true (0.8: common practice, no source).
        pub power: f64,
        /// Chance of suspecting a load of a sample without an outlier (0.05: ISO 5725-2 calls such a value a straggler).
        pub load_outlier_alpha: f64,
        /// Specimens of a knot below which it is not tested (3: with two a side, no permutation of specimens has p below 1/3).
        pub fewest_specimens: u32,
        /// Specimens from which intervals of means come from resampling instead of Student's t (20: ours; resampling is too
        /// narrow below).
        pub bootstrap_from: u32,
        /// Resamples of the specimen bootstrap (4000: ours; the ends of the interval then move by about 1 % of its width).
        pub resamples: u32,
        /// Deals of a permutation test: all up to this many, so many drawn beyond (20000: ours).
        pub most_deals: u32,
        /// Seed of all resampling.
        pub seed: u64,
        /// Weibull modulus of whole carriers for bundle theory where loads do not tell (10: ours; from 5 to 20 the
        /// capacities differ by at most 0.03 of the uncut strength, `docs/answers.md`).
        pub bundle_modulus: f64,
        /// Straight-pull loads of a line from which its modulus is estimated (5: ours).
        pub fewest_loads: usize,
        /// Pictures of one place found by their content.
        pub site: SiteSettings,
        /// The order in which the fibres of a specimen failed.
        pub history: HistorySettings,
    }
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
            grouping_keeps_rho: 0.95,
            prior_overlap_df: 1.0,
            carrier_size: 10.0,
            braid_carriers: 10.0,
            hidden_share: 0.05,
            least_youden: 0.5,
            labeller_sd: 0.08,
            model_labeller_sd: 0.1,
            labeller_overdispersion: 0.06,
            model_design_effect: 8.0,
            recall_ratio_range: 0.2,
            recall_prior_df: 4.0,
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
            fewest_for_knot: 2,
            specimen_sd: 0.25,
            specimen_sd_df: 6.0,
            load_spread_df: 4.0,
            difference_to_show: 0.2,
            load_difference_to_show: 0.1,
            power: 0.8,
            load_outlier_alpha: 0.05,
            fewest_specimens: 3,
            bootstrap_from: 20,
            resamples: 4000,
            most_deals: 20_000,
            seed: 1,
            bundle_modulus: 10.0,
            fewest_loads: 5,
            site: SiteSettings::default(),
            history: HistorySettings::default(),
        }
    }
}

section! {
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
