//! `images.csv`: one row per picture.

use super::{Cell, Column, Record, TableError, TableRow, tidy};
use crate::flag::Warning;
use crate::series::{Kind, SeriesRow};

/// What became of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Status {
    /// Read, searched, measured and labelled.
    #[default]
    Done,
    /// Could not be read; `error` says why.
    Failed,
}

impl Status {
    /// The word in the table.
    pub fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Failed => "failed",
        }
    }

    /// The status from its word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Done, Self::Failed].into_iter().find(|s| s.word() == word)
    }
}

/// One row of `images.csv`. Columns are the field names.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ImageRow {
    /// What the series table says about the picture; `count` is the column `counted`.
    pub series: SeriesRow,
    /// Scale in use, µm per px.
    pub um_per_px: Option<f64>,
    /// Standard uncertainty of the scale, µm per px, when known.
    pub u_um_per_px: Option<f64>,
    /// Where the scale came from.
    pub scale_source: Option<String>,
    /// Width, px.
    pub width_px: Option<u64>,
    /// Height, px.
    pub height_px: Option<u64>,
    /// Ends found.
    pub n_found: Option<u64>,
    /// Ends labelled sheared.
    pub n_sheared: Option<u64>,
    /// Ends labelled tensile.
    pub n_tensile: Option<u64>,
    /// Ends labelled unclear.
    pub n_unclear: Option<u64>,
    /// Median shaft diameter of the ends, px.
    pub median_shaft_diameter_px: Option<f64>,
    /// Median shaft diameter of the ends, µm.
    pub median_shaft_diameter_um: Option<f64>,
    /// Captions, information bars and scale bars found and left out.
    pub burnt_in_boxes: Option<u64>,
    /// Steepest edges over their contrast, 0..1: 1 = an edge within one pixel.
    pub sharpness: Option<f64>,
    /// Share of pixels lost in black.
    pub clipped_low: Option<f64>,
    /// Share of pixels lost in white.
    pub clipped_high: Option<f64>,
    /// Noise, standard deviation of grey 0..1.
    pub noise: Option<f64>,
    /// Steps at the 8-px grid of JPEG over steps elsewhere, less 1.
    pub blockiness: Option<f64>,
    /// Share of ends outside the range that the model learnt from.
    pub out_of_range_share: Option<f64>,
    /// What became of the picture.
    pub status: Status,
    /// Why it could not be read.
    pub error: String,
    /// What to know about it: `name: text` joined by ` | `.
    pub warnings: String,
    /// BLAKE3 of the picture file, hexadecimal.
    pub content_hash: String,
}

/// Between warnings of one picture, and between the name of a warning and its text.
const BETWEEN: &str = " | ";
const AFTER_NAME: &str = ": ";

impl ImageRow {
    /// Warnings as one cell.
    pub fn join_warnings(warnings: &[Warning]) -> String {
        let lines: Vec<String> = warnings.iter().map(|w| format!("{}{AFTER_NAME}{}", w.name, w.text)).collect();
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

    /// Rounds every number to what the table holds.
    pub fn tidied(mut self) -> Self {
        self.um_per_px = self.um_per_px.map(tidy);
        self.u_um_per_px = self.u_um_per_px.map(tidy);
        self.median_shaft_diameter_px = self.median_shaft_diameter_px.map(tidy);
        self.median_shaft_diameter_um = self.median_shaft_diameter_um.map(tidy);
        for value in [
            &mut self.sharpness,
            &mut self.clipped_low,
            &mut self.clipped_high,
            &mut self.noise,
            &mut self.blockiness,
            &mut self.out_of_range_share,
        ] {
            *value = value.map(tidy);
        }
        self
    }
}

/// The warnings of a cell of them: (name, text).
pub fn split_warnings(cell: &str) -> impl Iterator<Item = (&str, &str)> {
    cell.split(BETWEEN).filter(|w| !w.is_empty()).map(|w| w.split_once(AFTER_NAME).unwrap_or((w, "")))
}

const KINDS: &str = "cut, pull, knot or nothing";

impl TableRow for ImageRow {
    fn columns() -> Vec<Column> {
        vec![
            Column::text("image", "Picture, as in the series table or relative to the folder given."),
            Column::text("specimen", "Specimen code."),
            Column::text("kind", "cut, pull or knot."),
            Column::text("knot", "Trade name of the knot."),
            Column::text("line", "Line designation."),
            Column::text("side", "Which side of the break."),
            Column::text("site", "Place on the break face; pictures of one site count once."),
            Column::number("um_per_px", "um/px", "Scale in use; empty when not known."),
            Column::number("u_um_per_px", "um/px", "Standard uncertainty of the scale; empty when not known."),
            Column::text("scale_source", "Where the scale came from."),
            Column::count("carriers", "Carriers of the braid."),
            Column::number("peak_load_n", "N", "Peak load of the break."),
            Column::count("width_px", "Width."),
            Column::count("height_px", "Height."),
            Column::count("n_found", "Ends found."),
            Column::count("n_sheared", "Ends labelled sheared."),
            Column::count("n_tensile", "Ends labelled tensile."),
            Column::count("n_unclear", "Ends labelled unclear."),
            Column::number("median_shaft_diameter_px", "px", "Median shaft diameter of the ends."),
            Column::number("median_shaft_diameter_um", "um", "Median shaft diameter of the ends."),
            Column::count("burnt_in_boxes", "Captions, information bars and scale bars left out of the search."),
            Column::number("sharpness", "1", "Steepest edges over their contrast; 1 = an edge within one pixel."),
            Column::number("clipped_low", "1", "Share of pixels lost in black."),
            Column::number("clipped_high", "1", "Share of pixels lost in white."),
            Column::number("noise", "1", "Noise, standard deviation of grey 0 to 1."),
            Column::number("blockiness", "1", "Steps at the grid of JPEG over steps elsewhere, less 1."),
            Column::number("out_of_range_share", "1", "Share of ends outside the range that the model learnt from."),
            Column::yes_no("counted", "Whether the picture counts towards its break face."),
            Column::text("status", "done or failed."),
            Column::text("error", "Why the picture could not be read."),
            Column::text("warnings", "What to know about the picture."),
            Column::text("content_hash", "BLAKE3 of the picture file."),
        ]
    }

    fn cells(&self) -> Vec<Cell> {
        let series = &self.series;
        vec![
            Cell::Text(series.image.clone()),
            Cell::Text(series.specimen.clone()),
            Cell::word(series.kind.map(Kind::word)),
            Cell::text(series.knot.clone()),
            Cell::text(series.line.clone()),
            Cell::text(series.side.clone()),
            Cell::text(series.site.clone()),
            Cell::Number(self.um_per_px),
            Cell::Number(self.u_um_per_px),
            Cell::text(self.scale_source.clone()),
            Cell::Count(series.carriers.map(u64::from)),
            Cell::Number(series.peak_load_n),
            Cell::Count(self.width_px),
            Cell::Count(self.height_px),
            Cell::Count(self.n_found),
            Cell::Count(self.n_sheared),
            Cell::Count(self.n_tensile),
            Cell::Count(self.n_unclear),
            Cell::Number(self.median_shaft_diameter_px),
            Cell::Number(self.median_shaft_diameter_um),
            Cell::Count(self.burnt_in_boxes),
            Cell::Number(self.sharpness),
            Cell::Number(self.clipped_low),
            Cell::Number(self.clipped_high),
            Cell::Number(self.noise),
            Cell::Number(self.blockiness),
            Cell::Number(self.out_of_range_share),
            Cell::YesNo(Some(series.count)),
            Cell::word(Some(self.status.word())),
            Cell::Text(self.error.clone()),
            Cell::Text(self.warnings.clone()),
            Cell::Text(self.content_hash.clone()),
        ]
    }

    fn from_record(record: &Record<'_>) -> Result<Self, TableError> {
        let um_per_px = record.optional_number("um_per_px")?;
        let u_um_per_px = record.optional_number("u_um_per_px")?;
        let series = SeriesRow {
            image: record.text("image")?,
            specimen: record.text("specimen")?,
            kind: record.optional_word("kind", KINDS, Kind::from_word)?,
            knot: record.optional_text("knot"),
            line: record.optional_text("line"),
            side: record.optional_text("side"),
            site: record.optional_text("site"),
            um_per_px,
            u_um_per_px,
            calibrated: false,
            carriers: record.optional_count("carriers")?.map(|c| c.min(u32::MAX.into()) as u32),
            peak_load_n: record.optional_number("peak_load_n")?,
            count: record.optional_yes_no("counted")?.unwrap_or(true),
            extra: record.extra(&Self::columns()),
        };
        Ok(Self {
            series,
            um_per_px,
            u_um_per_px,
            scale_source: record.optional_text("scale_source"),
            width_px: record.optional_count("width_px")?,
            height_px: record.optional_count("height_px")?,
            n_found: record.optional_count("n_found")?,
            n_sheared: record.optional_count("n_sheared")?,
            n_tensile: record.optional_count("n_tensile")?,
            n_unclear: record.optional_count("n_unclear")?,
            median_shaft_diameter_px: record.optional_number("median_shaft_diameter_px")?,
            median_shaft_diameter_um: record.optional_number("median_shaft_diameter_um")?,
            burnt_in_boxes: record.optional_count("burnt_in_boxes")?,
            sharpness: record.optional_number("sharpness")?,
            clipped_low: record.optional_number("clipped_low")?,
            clipped_high: record.optional_number("clipped_high")?,
            noise: record.optional_number("noise")?,
            blockiness: record.optional_number("blockiness")?,
            out_of_range_share: record.optional_number("out_of_range_share")?,
            status: record.optional_word("status", "done or failed", Status::from_word)?.unwrap_or_default(),
            error: record.optional_text("error").unwrap_or_default(),
            warnings: record.optional_text("warnings").unwrap_or_default(),
            content_hash: record.optional_text("content_hash").unwrap_or_default(),
        })
    }

    fn extra(&self) -> &[(String, String)] {
        &self.series.extra
    }
}
