//! `images.csv`: one row per picture.

use crate::flag::{Flag, Warning};
use crate::series::SeriesRow;
use crate::tabular::{Cell, Column, Group, Record, TableError, row, words};
use crate::units::ScaleSource;

words! {
    /// What became of a picture.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
    pub enum Status {
        /// Read, searched, measured and labelled.
        #[default]
        Done = "done",
        /// Could not be read; `error` says why.
        Failed = "failed",
    }
}

row! {
    in "images", needs ["image", "specimen"], first [];
    /// One row of `images.csv`. Columns are those of [`SeriesRow`], then the field names.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct ImageRow {
        /// What the series table says about the picture, but for its scale.
        pub series: SeriesRow,
        /// Scale in use; empty when not known.
        pub um_per_px: Option<f64>,
        /// Standard uncertainty of the scale; empty when not known.
        pub u_um_per_px: Option<f64>,
        /// Where the scale came from.
        pub scale_source: Option<ScaleSource>,
        /// Width.
        pub width_px: Option<u32>,
        /// Height.
        pub height_px: Option<u32>,
        /// Ends found.
        pub n_found: Option<u64>,
        /// Ends labelled sheared.
        pub n_sheared: Option<u64>,
        /// Ends labelled tensile.
        pub n_tensile: Option<u64>,
        /// Ends labelled unclear.
        pub n_unclear: Option<u64>,
        /// Median shaft diameter of the ends.
        pub median_shaft_diameter_px: Option<f64>,
        /// Median shaft diameter of the ends.
        pub median_shaft_diameter_um: Option<f64>,
        /// Captions, information bars and scale bars left out of the search.
        pub burnt_in_boxes: Option<u64>,
        /// Steepest edges over their contrast; 1 = an edge within one pixel.
        pub sharpness: Option<f64>,
        /// Share of pixels lost in black.
        pub clipped_low: Option<f64>,
        /// Share of pixels lost in white.
        pub clipped_high: Option<f64>,
        /// Noise, standard deviation of grey 0 to 1.
        pub noise: Option<f64>,
        /// Steps at the grid of JPEG over steps elsewhere, less 1.
        pub blockiness: Option<f64>,
        /// Share of ends outside the range that the model learnt from.
        pub out_of_range_share: Option<f64>,
        /// What became of the picture: done or failed.
        pub status: Status,
        /// Why the picture could not be read.
        pub error: String,
        /// What to know about the picture: `name: text` joined by ` | `.
        pub warnings: String,
        /// BLAKE3 of the picture file.
        pub content_hash: String,
    }
}

/// Between warnings of one picture, and between the name of a warning and its text.
const BETWEEN: &str = " | ";
const AFTER_NAME: &str = ": ";

impl ImageRow {
    /// Warnings as one cell.
    pub fn join_warnings(warnings: &[Warning]) -> String {
        let lines: Vec<String> = warnings.iter().map(|w| format!("{}{AFTER_NAME}{}", w.flag.name(), w.text)).collect();
        lines.join(BETWEEN)
    }

    /// Adds warnings to those there are.
    pub fn add_warnings(&mut self, warnings: &[Warning]) {
        let between = if self.warnings.is_empty() || warnings.is_empty() { "" } else { BETWEEN };
        self.warnings = format!("{}{between}{}", self.warnings, Self::join_warnings(warnings));
    }

    /// Warnings of the picture: (name, text).
    pub fn warning_list(&self) -> impl Iterator<Item = (&str, &str)> {
        split_warnings(&self.warnings)
    }

    /// Names of its warnings.
    pub fn warning_names(&self) -> impl Iterator<Item = &str> {
        self.warning_list().map(|(name, _)| name)
    }

    /// Whether a flag was raised on it.
    pub fn is_raised(&self, flag: Flag) -> bool {
        self.warning_names().any(|name| name == flag.name())
    }

    /// Relative standard uncertainty of its scale, when known.
    pub fn scale_relative_u(&self) -> Option<f64> {
        Some(self.u_um_per_px? / self.um_per_px?)
    }

    /// Whether the picture was read.
    pub fn is_done(&self) -> bool {
        self.status == Status::Done
    }
}

/// The warnings of a cell of them: (name, text).
pub fn split_warnings(cell: &str) -> impl Iterator<Item = (&str, &str)> {
    cell.split(BETWEEN).filter(|w| !w.is_empty()).map(|w| w.split_once(AFTER_NAME).unwrap_or((w, "")))
}

/// One column; a table without it, or an empty field, says `done`.
impl Group for Status {
    fn columns(name: &str, meaning: &str, to: &mut Vec<Column>) {
        <Option<Self> as Group>::columns(name, meaning, to);
    }
    fn cells(&self, to: &mut Vec<Cell>) {
        Some(*self).cells(to);
    }
    fn read(record: &Record<'_>, name: &str) -> Result<Self, TableError> {
        Ok(record.optional_word(name)?.unwrap_or_default())
    }
    fn tidy(&mut self) {}
}

/// The columns of a row are those of this row of the series table.
impl Group for SeriesRow {
    fn columns(_name: &str, _meaning: &str, to: &mut Vec<Column>) {
        to.extend(<Self as crate::tabular::TableRow>::columns());
    }
    fn cells(&self, to: &mut Vec<Cell>) {
        to.extend(crate::tabular::TableRow::cells(self));
    }
    fn read(record: &Record<'_>, _name: &str) -> Result<Self, TableError> {
        crate::tabular::TableRow::from_record(record)
    }
    fn tidy(&mut self) {
        *self = std::mem::take(self).tidied();
    }
    fn extra(&self) -> Option<&[(String, String)]> {
        Some(&self.extra)
    }
}
