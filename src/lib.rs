//! breakface finds the broken fibre ends in micrographs of braided line, measures and labels each one,
//! and scores how much of every break face was sheared.
//!
//! The modules are listed in the order in which data flows; a module uses only modules above it:
//! picture -> ends -> measurements -> carriers -> labels -> table -> faces -> knots -> report.
//!
//! Scores are plain functions of rows, so they can be made from anywhere:
//!
//! ```
//! use breakface::face::score_specimens;
//! use breakface::series::SeriesRow;
//! use breakface::settings::FaceSettings;
//! use breakface::table::{EndRow, ImageRow};
//! use breakface::tree::Label;
//!
//! // One picture with twelve sheared ends and four tensile ones, in four carriers.
//! let series = SeriesRow { image: "a.png".into(), specimen: "TC-P07".into(), counted: true, ..SeriesRow::default() };
//! let picture = ImageRow { series, ..ImageRow::default() };
//! let end = |number: u32| EndRow {
//!     image: "a.png".into(),
//!     specimen: "TC-P07".into(),
//!     end: number,
//!     carrier: Some(1 + number % 4),
//!     label: if number % 4 == 0 { Label::Tensile } else { Label::Sheared },
//!     counted: true,
//!     ..EndRow::default()
//! };
//! let ends: Vec<EndRow> = (0..16).map(end).collect();
//! let faces = score_specimens(&ends, &[picture], None, &FaceSettings::default());
//! let face = &faces.specimens[0];
//! assert_eq!((face.n_sheared, face.n_tensile, face.raw_fraction), (12, 4, Some(0.75)));
//! // Ends of one carrier share their fate: sixteen ends tell no more than a few independent ones would.
//! assert!(face.n_effective.unwrap() < 8.0 && face.sheared_low.unwrap() < 0.5);
//! ```
//!
//! `docs/examples` goes through one picture stage by stage, and scores saved tables anew.

// Writing in one piece, exchange of a set of files.
pub mod files;

// Whether work under way is still wanted.
mod cancel;

// Cells, columns and rows: what every table has in common; CSV and Parquet.
pub mod tabular;

// Points, angles and scales: the one pixel and axis convention.
pub mod units;

// Names of files written by version 0.1.0.
pub mod renamed;

// Small systems of linear equations.
mod linear_solve;

// Medians, quantiles and what outliers cannot move.
pub mod robust;

// Planes of values: reading between pixels, smoothing, halving, parts, hulls, matching.
pub mod raster;

// Every threshold of every stage.
pub mod settings;

// Warnings and flags: names, meanings, what to look at.
pub mod flag;

// Documents, values and plots that all pages share.
mod page;

// The plain table of specimens, knots, scales and loads.
pub mod series;

// File -> Micrograph: decoding, scale, burnt-in text, picture quality.
pub mod micrograph;

// Focus series -> one all-in-focus picture with its height map.
pub mod stack;

// Scale from rulings, scale bars and fibre diameters.
pub mod calibrate;

// Numbers fitted on training pictures.
mod fitted;

// Networks, and what they are shown: tiles and straightened strips.
pub mod network;

// Micrograph -> candidate fibre ends.
pub mod detect;

// Candidate -> measured end: traced shaft, sub-pixel edges, features.
pub mod measure;

// Intervals, circular statistics, comparison, bundle theory.
pub mod stats;

// Measured ends -> carriers and the features of their company.
pub mod carrier;

// Decision tree: predict, explain; the model file.
pub mod tree;

// The rows of the tables: one per end, picture, specimen and knot.
pub mod table;

// Hand labels as data.
pub mod labels;

// Saved results of a run, read back.
pub mod results;

// Labelled rows -> break-face scores.
pub mod face;

// Break faces -> knots: comparison, efficiency, capacity.
pub mod knot;

// Runs beside each other, controls over time.
pub mod runs;

// Labelled ends -> a new tree, its figures and its page.
pub mod train;

// Results -> overlays, plots and the self-contained page.
pub mod report;

// One picture and one series: order, parallelism, outcomes, events.
pub mod pipeline;
