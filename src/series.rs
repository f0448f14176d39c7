//! `series.csv`: which picture shows which specimen, knot, side and site, at which scale.

/// What kind of specimen a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A control cut with scissors: every end is sheared.
    Cut,
    /// A control pulled straight: every end is tensile.
    Pull,
    /// A knot.
    Knot,
}

impl Kind {
    /// The word in the tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::Cut => "cut",
            Self::Pull => "pull",
            Self::Knot => "knot",
        }
    }

    /// The kind from its word in the tables, whatever the case.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Cut, Self::Pull, Self::Knot].into_iter().find(|k| k.word().eq_ignore_ascii_case(word.trim()))
    }
}

/// One row of `series.csv`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SeriesRow {
    /// Picture path as written in the table, `/` between folders, relative to the table.
    pub image: String,
    /// Specimen code.
    pub specimen: String,
    /// Kind of specimen, when given.
    pub kind: Option<Kind>,
    /// Trade name of the knot.
    pub knot: Option<String>,
    /// Line designation.
    pub line: Option<String>,
    /// `standing`, `tag` or free text.
    pub side: Option<String>,
    /// Place on the break face; pictures of one site count once.
    pub site: Option<String>,
    /// Micrometres per pixel.
    pub um_per_px: Option<f64>,
    /// Carriers of the braid.
    pub carriers: Option<u32>,
    /// Peak load of the break, N.
    pub peak_load_n: Option<f64>,
    /// Whether the picture counts towards the score.
    pub count: bool,
    /// Unknown columns, kept and passed through: (name, value).
    pub extra: Vec<(String, String)>,
}
