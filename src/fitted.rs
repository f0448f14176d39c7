//! Numbers of the measuring stage that were fitted on training pictures: `models/uncertainty.json`, compiled in.
//!
//! They belong to the networks they were fitted with and change with them, so they are data of the model, not settings.
//! `models/README.md` has their card. "Inconsistency" is that of a trace: the spread of its widths over the diameter, and its
//! missing cross-sections (see [`TraceFit::inconsistency_per_missing`]). Lengths are in shaft diameters unless a unit is named.

use std::sync::LazyLock;

use serde::Deserialize;

/// The file.
pub(crate) const FILE: &[u8] = include_bytes!("../models/uncertainty.json");
const SCHEMA: &str = "breakface-uncertainty/1";

static BUNDLED: LazyLock<Result<Fitted, String>> = LazyLock::new(|| Fitted::from_json(FILE));

/// A number without inconsistency of the trace, and what it grows by per inconsistency.
pub(crate) type ByInconsistency = [f64; 2];

/// All fitted numbers.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Fitted {
    schema: String,
    /// Standard deviation of the logarithm of the detector's width.
    pub(crate) initial_width_sigma: f64,
    /// Uncertainty of what the regression network reads.
    pub(crate) regression: RegressionFit,
    /// What the widths of one picture have in common.
    pub(crate) picture_prior: PicturePriorFit,
    /// Widths of bodies that darken towards their limb.
    pub(crate) limb_bias: LimbBiasFit,
    /// What a trace expects.
    pub(crate) trace: TraceFit,
    /// The width that a shaft's edges tell.
    pub(crate) edges: EdgeFit,
    /// The traced axis, degrees.
    pub(crate) axis: PlaceFit,
    /// The outlined tip.
    pub(crate) tip: PlaceFit,
    /// The fitted end line.
    pub(crate) cut: CutFit,
    /// The outlined bulb ratio, as a logarithm.
    pub(crate) bulb: BulbFit,
}

/// Uncertainty of what the regression network reads.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RegressionFit {
    /// Standard uncertainty per mean absolute error that the network states.
    pub(crate) u_per_error: f64,
    /// Least standard uncertainty: ln width, axis (degrees), tip along and across (widths), end line (degrees), ln bulb ratio.
    pub(crate) least_u: [f64; 6],
}

/// What the widths of one picture have in common.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PicturePriorFit {
    /// Least true spread of the logarithm of widths in one picture.
    pub(crate) least_spread: f64,
    /// Ends of one picture whose errors go together.
    pub(crate) ends_per_independent: f64,
    /// Share of fibres that may belong to another line.
    pub(crate) outlier_prior: f64,
    /// Range of the logarithm of such widths.
    pub(crate) outlier_range: f64,
    /// Standard uncertainty of the logarithm of a width that all ends of a picture share.
    pub(crate) shared_u: ByInconsistency,
}

/// Widths of bodies that darken towards their limb.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LimbBiasFit {
    /// Share of the gap by which regressed widths grow where the edges of a picture lie inside them.
    pub(crate) share: f64,
    /// The most they grow by, logarithm.
    pub(crate) most: f64,
}

/// What a trace expects.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TraceFit {
    /// Standard deviation of the segmentation's edges.
    pub(crate) segmentation_sigma: f64,
    /// Share of the regressed width in the places where edges are expected; the rest is the segmentation's.
    pub(crate) regression_width_share: f64,
    /// Least standard deviation of the logarithm of the width that is searched about.
    pub(crate) least_width_sigma: f64,
    /// Inconsistency of a trace all of whose cross-sections are missing.
    pub(crate) inconsistency_per_missing: f64,
}

/// The width that a shaft's edges tell.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct EdgeFit {
    /// Share of traced shafts whose edges are not their own.
    pub(crate) outlier_prior: ByInconsistency,
    /// Range of the logarithm of the widths of such edges.
    pub(crate) outlier_range: f64,
    /// Standard uncertainty per blur of the edges.
    pub(crate) u_per_blur: f64,
    /// Standard uncertainty per spread of the widths along the shaft.
    pub(crate) u_per_spread: f64,
    /// Most that this spread adds.
    pub(crate) most_u_by_spread: f64,
    /// Standard uncertainty per share of cross-sections that do not show the shaft.
    pub(crate) u_per_missing: f64,
    /// Standard uncertainty that limb darkening, rails and stripes leave.
    pub(crate) least_u: f64,
}

/// A place or direction measured on the traced shaft.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PlaceFit {
    /// Standard uncertainty.
    pub(crate) u: ByInconsistency,
    /// Share of values that are wrong altogether.
    pub(crate) outlier_prior: f64,
}

/// The fitted end line.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CutFit {
    /// Standard uncertainty of a cut angle from the axis and the face's own roughness, degrees.
    pub(crate) u_deg: f64,
    /// Standard uncertainty per flatness, degrees.
    pub(crate) u_deg_per_flatness: f64,
    /// Share of fitted lines that are wrong altogether.
    pub(crate) outlier_prior: f64,
}

/// The outlined bulb ratio, as a logarithm.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BulbFit {
    /// Standard uncertainty.
    pub(crate) u: ByInconsistency,
    /// Share of outlined caps that are wrong altogether.
    pub(crate) outlier_prior: ByInconsistency,
}

impl Fitted {
    /// The numbers that are compiled in.
    ///
    /// # Errors
    /// What is wrong with the file, which is a fault of the build.
    pub(crate) fn bundled() -> Result<&'static Self, String> {
        BUNDLED.as_ref().map_err(Clone::clone)
    }

    fn from_json(bytes: &[u8]) -> Result<Self, String> {
        let fitted: Self = serde_json::from_slice(bytes).map_err(|e| format!("models/uncertainty.json: {e}"))?;
        if fitted.schema != SCHEMA {
            return Err(format!("models/uncertainty.json: schema {} is not {SCHEMA}", fitted.schema));
        }
        Ok(fitted)
    }
}

/// A number that grows with the inconsistency of a trace.
pub(crate) fn at(number: ByInconsistency, inconsistency: f64) -> f64 {
    number[0] + number[1] * inconsistency
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bundled_numbers_can_be_read_and_another_schema_is_refused() {
        assert!(Fitted::bundled().is_ok());
        let other = String::from_utf8_lossy(FILE).replace("uncertainty/1", "uncertainty/2");
        assert!(Fitted::from_json(other.as_bytes()).is_err_and(|e| e.contains("uncertainty/2")));
    }
}
