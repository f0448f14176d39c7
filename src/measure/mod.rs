//! Candidate -> measured end: traced shaft, sub-pixel edges, features, quality.

use crate::find::Candidate;
use crate::micrograph::Micrograph;
use crate::settings::MeasureSettings;
use crate::units::Point;

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
    /// Unit, `1` when dimensionless.
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
pub const FEATURE_SCHEMA: &str = "breakface-features/1.0";

/// Every feature in column order. The single source: CSV header, Parquet schema, README table and tree lookup derive from it.
pub const FEATURES: &[Feature] = &[
    Feature {
        name: "shaft_diameter_px",
        unit: "px",
        meaning: "Median width of the shaft between 1.5 and 4 diameters behind the tip.",
        source: "design: section 3",
        stage: Stage::Picture,
        for_label: false,
    },
    Feature {
        name: "shaft_diameter_u_px",
        unit: "px",
        meaning: "Standard uncertainty of the shaft diameter.",
        source: "ours",
        stage: Stage::Picture,
        for_label: false,
    },
    Feature {
        name: "bulb_ratio",
        unit: "1",
        meaning: "Largest width within 1.5 diameters of the tip over the shaft diameter; 1 = no cap.",
        source: "design: section 3",
        stage: Stage::Picture,
        for_label: true,
    },
    Feature {
        name: "cut_angle_deg",
        unit: "deg",
        meaning: "Signed angle between the end's straight edge and the normal of the axis; 0 = square cut.",
        source: "design: section 3",
        stage: Stage::Picture,
        for_label: false,
    },
    Feature {
        name: "flatness",
        unit: "1",
        meaning: "RMS distance of the end's outline from its straight edge over the diameter; 0 = flat.",
        source: "design: section 3",
        stage: Stage::Picture,
        for_label: true,
    },
    Feature {
        name: "finder_score",
        unit: "1",
        meaning: "Confidence of the finder that a fibre ends here.",
        source: "ours",
        stage: Stage::Picture,
        for_label: false,
    },
    Feature {
        name: "look_sheared",
        unit: "1",
        meaning: "The finder network's impression that the end looks sheared.",
        source: "ours",
        stage: Stage::Picture,
        for_label: true,
    },
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

    /// Value of a feature by name; `None` also for names that do not exist.
    pub fn get(&self, name: &str) -> Option<f64> {
        Self::index(name).and_then(|i| self.0[i])
    }

    /// Sets a feature; values that are not finite become missing.
    ///
    /// # Panics
    /// When no feature has this name: a fault of the caller.
    pub fn set(&mut self, name: &str, value: Option<f64>) {
        let index = Self::index(name).unwrap_or_else(|| panic!("no feature is called {name}"));
        self.0[index] = value.filter(|v| v.is_finite());
    }

    /// All values in registry order.
    pub fn values(&self) -> &[Option<f64>] {
        &self.0
    }
}

/// What the overlay and the review page draw of an end.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Drawn {
    /// Traced centre line, from the tip backwards.
    pub centre_line: Vec<Point>,
    /// Left and right edge points of the shaft, from the tip backwards.
    pub edges: [Vec<Point>; 2],
    /// Fitted straight edge of the end.
    pub end_line: Option<(Point, Point)>,
}

/// An end with its measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredEnd {
    /// The middle of the end, px.
    pub tip: Point,
    /// Direction of the shaft over the last 1.5 diameters, out of the fibre, degrees.
    pub axis_deg: f64,
    /// Confidence of the finder, then of the second stage, 0..1.
    pub score: f64,
    /// Measured features.
    pub features: FeatureRow,
    /// What can be drawn.
    pub drawn: Drawn,
    /// Why the picture does not allow a verdict on this end; empty = gradable.
    pub not_gradable: Vec<&'static str>,
}

/// Measures every candidate of a picture; order and number are kept.
pub fn measure_ends(
    _micrograph: &Micrograph,
    candidates: &[Candidate],
    _settings: &MeasureSettings,
) -> Vec<MeasuredEnd> {
    candidates
        .iter()
        .map(|c| {
            let mut features = FeatureRow::default();
            features.set("shaft_diameter_px", Some(c.width_px));
            features.set("finder_score", Some(c.score));
            features.set("look_sheared", c.look_sheared);
            MeasuredEnd {
                tip: c.tip,
                axis_deg: c.axis_deg,
                score: c.score,
                features,
                drawn: Drawn::default(),
                not_gradable: Vec::new(),
            }
        })
        .collect()
}
