//! Saved results of a run, read back from its tables: for the report, the review page and comparisons.

use crate::table::{
    CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, TableError, TableRow, read_csv,
};
use std::path::{Component, Path, PathBuf};

mod run_file;

pub use run_file::{DetectorUsed, InputUsed, ModelUsed, RUN_FILE, RUN_SCHEMA, RunFile, ShardUsed, StageSeconds};

/// Folder of the overlays within a folder of results.
pub const OVERLAY_FOLDER: &str = "overlays";

/// A file that lies in a folder of results while its tables are exchanged: as long as it is there, some may be of an
/// earlier run.
pub(crate) const HALF_PLACED: &str = ".breakface-tables";

/// Everything a run wrote.
#[derive(Debug, Clone, Default)]
pub struct Results {
    /// The folder.
    pub folder: PathBuf,
    /// Rows of `ends.csv`.
    pub ends: Vec<EndRow>,
    /// Rows of `images.csv`.
    pub images: Vec<ImageRow>,
    /// Rows of `specimens.csv`.
    pub specimens: Vec<SpecimenRow>,
    /// Rows of `sides.csv`.
    pub sides: Vec<SideRow>,
    /// Rows of `carriers.csv`.
    pub carriers: Vec<CarrierRow>,
    /// Rows of `knots.csv`.
    pub knots: Vec<KnotRow>,
    /// Rows of `pairs.csv`.
    pub pairs: Vec<PairRow>,
    /// How the run was done; `None` when `run.json` was lost.
    pub run: Option<RunFile>,
}

/// Why saved results could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ResultsError {
    /// The folder is none of results.
    #[error("{folder}: no results there (ends.csv and images.csv are missing)")]
    NoResults {
        /// Folder.
        folder: String,
    },
    /// A run was cut off while it exchanged the tables.
    #[error(
        "{folder}: a run was cut off while it put its tables there; give its command again, finished pictures are kept"
    )]
    HalfPlaced {
        /// Folder.
        folder: String,
    },
    /// A table is damaged.
    #[error(transparent)]
    Table(#[from] TableError),
    /// `run.json` is damaged or of another version.
    #[error("{file}: {reason}")]
    RunFile {
        /// File.
        file: String,
        /// What is wrong.
        reason: String,
    },
}

impl Results {
    /// Reads all tables of a folder. Only `ends.csv` and `images.csv` must be there; unknown columns are kept.
    ///
    /// # Errors
    /// When these are missing, or any table or `run.json` is damaged.
    pub fn load(folder: &Path) -> Result<Self, ResultsError> {
        let results = Self::load_without_ends(folder)?;
        Ok(Self { ends: read_csv(&folder.join("ends.csv"))?, ..results })
    }

    /// As [`Self::load`], but for the rows of `ends.csv`.
    ///
    /// # Errors
    /// As [`Self::load`].
    pub fn load_without_ends(folder: &Path) -> Result<Self, ResultsError> {
        let path = |name: &str| folder.join(name);
        if !path("ends.csv").is_file() || !path("images.csv").is_file() {
            return Err(ResultsError::NoResults { folder: folder.display().to_string() });
        }
        if path(HALF_PLACED).exists() {
            return Err(ResultsError::HalfPlaced { folder: folder.display().to_string() });
        }
        Ok(Self {
            folder: folder.into(),
            ends: Vec::new(),
            images: read_csv(&path("images.csv"))?,
            specimens: optional(&path("specimens.csv"))?,
            sides: optional(&path("sides.csv"))?,
            carriers: optional(&path("carriers.csv"))?,
            knots: optional(&path("knots.csv"))?,
            pairs: optional(&path("pairs.csv"))?,
            run: run_file(&path(RUN_FILE))?,
        })
    }

    /// Where the file of a picture was when it was classified; `None` when the run does not say.
    pub fn picture_path(&self, image: &str) -> Option<PathBuf> {
        let run = self.run.as_ref()?;
        run.inputs.iter().find(|i| i.image == image).map(|i| PathBuf::from(&i.path))
    }

    /// Where the overlay of a picture is, whether or not it was drawn.
    pub fn overlay_path(&self, image: &str) -> PathBuf {
        overlay_path(&self.folder, image)
    }

    /// The row of a picture.
    pub fn image(&self, image: &str) -> Option<&ImageRow> {
        self.images.iter().find(|i| i.series.image == image)
    }
}

fn optional<T: TableRow>(path: &Path) -> Result<Vec<T>, TableError> {
    if path.is_file() { read_csv(path) } else { Ok(Vec::new()) }
}

fn run_file(path: &Path) -> Result<Option<RunFile>, ResultsError> {
    let wrong = |reason: String| ResultsError::RunFile { file: path.display().to_string(), reason };
    if !path.is_file() {
        return Ok(None);
    }
    let bytes = std::fs::read(path).map_err(|e| wrong(e.to_string()))?;
    let value: serde_json::Value = serde_json::from_slice(&bytes).map_err(|e| wrong(e.to_string()))?;
    let schema = value.get("schema").and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
    if schema != RUN_SCHEMA {
        return Err(wrong(format!(
            "expected {RUN_SCHEMA}, found {schema:?}; use the version that wrote it, or run again"
        )));
    }
    serde_json::from_value(value).map(Some).map_err(|e| wrong(e.to_string()))
}

/// Where the overlay of a picture is in a folder of results. Names that would lead out of the folder are bent inwards.
pub fn overlay_path(results: &Path, image: &str) -> PathBuf {
    let mut path = results.join(OVERLAY_FOLDER);
    for part in Path::new(image).components() {
        match part {
            Component::Normal(name) => path.push(name),
            Component::ParentDir => path.push("_up"),
            Component::RootDir | Component::Prefix(_) => path.push("_root"),
            Component::CurDir => {}
        }
    }
    let mut name = path.into_os_string();
    name.push(".png");
    name.into()
}
