//! Saved results of a run, read back from its tables: for the report, the review page and comparisons.

use crate::settings::Settings;
use crate::table::{
    CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, TableError, TableRow, read_csv,
};
use std::fs::TryLockError;
use std::path::{Component, Path, PathBuf};
use std::time::{Duration, SystemTime};

mod run_file;

pub use run_file::{
    DetectorUsed, InputUsed, ModelUsed, RUN_FILE, RUN_SCHEMA, RowCounts, RunFile, ShardUsed, StageSeconds,
};

/// The report page within a folder of results.
pub const REPORT_FILE: &str = "report.html";
/// Folder of the overlays within a folder of results.
pub const OVERLAY_FOLDER: &str = "overlays";

/// Marks a folder of results, locks it while a run writes there, and says how that run ended.
pub(crate) const LOCK_FILE: &str = ".breakface-lock";

/// The journal of an exchange of tables ([`crate::files::Exchange`]): as long as it is there, some may be of an earlier run.
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
    /// A run, or a review, is exchanging the tables again and again.
    #[error("{folder}: its tables are just being exchanged; try again when that run or review is done")]
    Exchanged {
        /// Folder.
        folder: String,
    },
    /// A table was cut short, or has rows of another run.
    #[error(
        "{table}: has {found} rows, its run wrote {written}; copy it again from where it was whole, or run `classify` again"
    )]
    RowCount {
        /// File.
        table: String,
        /// Rows that are there.
        found: usize,
        /// Rows that the run wrote.
        written: usize,
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
        undisturbed(folder, || Self::load_all(folder))
    }

    fn load_all(folder: &Path) -> Result<Self, ResultsError> {
        let mut results = Self::load_scores(folder)?;
        results.ends = read_csv(&folder.join(EndRow::csv_name()))?;
        results.check_rows::<EndRow>(results.ends.len(), |rows| rows.ends)?;
        // Version 0.1.0 wrote the model's label into a column of its own only where a person had looked.
        if results.ends.iter().all(|e| e.label_model.is_none()) {
            results.ends.iter_mut().filter(|e| e.label_hand.is_none()).for_each(|e| e.label_model = Some(e.label));
        }
        Ok(results)
    }

    /// As [`Self::load`], but for the rows of `ends.csv`.
    ///
    /// # Errors
    /// As [`Self::load`].
    pub fn load_without_ends(folder: &Path) -> Result<Self, ResultsError> {
        undisturbed(folder, || Self::load_scores(folder))
    }

    fn load_scores(folder: &Path) -> Result<Self, ResultsError> {
        let path = |name: &str| folder.join(name);
        if !path(&EndRow::csv_name()).is_file() || !path(&ImageRow::csv_name()).is_file() {
            return Err(ResultsError::NoResults { folder: folder.display().to_string() });
        }
        let results = Self {
            folder: folder.into(),
            ends: Vec::new(),
            images: read_csv(&path(&ImageRow::csv_name()))?,
            specimens: optional(folder)?,
            sides: optional(folder)?,
            carriers: optional(folder)?,
            knots: optional(folder)?,
            pairs: optional(folder)?,
            run: run_file(&path(RUN_FILE))?,
        };
        results.check_rows::<ImageRow>(results.images.len(), |rows| rows.images)?;
        Ok(results)
    }

    /// Whether a table has as many rows as its run wrote.
    fn check_rows<T: TableRow>(&self, found: usize, of: impl Fn(RowCounts) -> usize) -> Result<(), ResultsError> {
        match self.run.as_ref().and_then(|run| run.rows).map(of) {
            Some(written) if written != found => {
                let table = self.folder.join(T::csv_name()).display().to_string();
                Err(ResultsError::RowCount { table, found, written })
            }
            _ => Ok(()),
        }
    }

    /// The settings of the run; the defaults where it does not say.
    pub fn settings(&self) -> Settings {
        self.run.as_ref().map_or_else(Settings::default, |run| run.settings().0)
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

    /// The overlay of a picture, when it was drawn; earlier versions drew it as PNG.
    pub fn overlay(&self, image: &str) -> Option<PathBuf> {
        let path = self.overlay_path(image);
        [path.clone(), path.with_extension("png")].into_iter().find(|p| p.is_file())
    }

    /// The row of a picture.
    pub fn image(&self, image: &str) -> Option<&ImageRow> {
        self.images.iter().find(|i| i.series.image == image)
    }
}

/// How often tables are read again when others exchange them meanwhile, and an exchange under way is looked at.
const LOOKS: usize = 500;
/// From one look to the next.
const BETWEEN_LOOKS: Duration = Duration::from_millis(20);

/// Reads tables that belong together: while nobody exchanges some of them.
fn undisturbed<T>(folder: &Path, read: impl Fn() -> Result<T, ResultsError>) -> Result<T, ResultsError> {
    for _ in 0..LOOKS {
        if is_settled(folder)? {
            let before = stamps(folder);
            let found = read();
            if !folder.join(HALF_PLACED).exists() && before == stamps(folder) {
                return found;
            }
        }
        std::thread::sleep(BETWEEN_LOOKS);
    }
    Err(ResultsError::Exchanged { folder: folder.display().to_string() })
}

/// What changes when tables are exchanged.
fn stamps(folder: &Path) -> [Option<(SystemTime, u64)>; 4] {
    let names = [RUN_FILE.to_owned(), EndRow::csv_name(), ImageRow::csv_name(), SpecimenRow::csv_name()];
    names.map(|name| {
        let data = folder.join(name).metadata().ok()?;
        Some((data.modified().ok()?, data.len()))
    })
}

/// Whether no exchange of tables is under way. One that was cut off is finished here.
fn is_settled(folder: &Path) -> Result<bool, ResultsError> {
    if !folder.join(HALF_PLACED).exists() {
        return Ok(true);
    }
    // Released when this returns, before the tables are read: another exchange leaves whole tables too.
    let lock = std::fs::File::open(folder.join(LOCK_FILE));
    match lock.as_ref().map(std::fs::File::try_lock) {
        // Somebody is at it.
        Ok(Err(TryLockError::WouldBlock)) => Ok(false),
        Ok(Ok(())) if crate::files::complete(&folder.join(HALF_PLACED)).is_ok() => Ok(true),
        // It may have been finished between the two looks.
        _ if !folder.join(HALF_PLACED).exists() => Ok(true),
        _ => Err(ResultsError::HalfPlaced { folder: folder.display().to_string() }),
    }
}

fn optional<T: TableRow>(folder: &Path) -> Result<Vec<T>, TableError> {
    let path = folder.join(T::csv_name());
    if path.is_file() { read_csv(&path) } else { Ok(Vec::new()) }
}

fn run_file(path: &Path) -> Result<Option<RunFile>, ResultsError> {
    let wrong = |reason: String| ResultsError::RunFile { file: path.display().to_string(), reason };
    if !path.is_file() {
        return Ok(None);
    }
    let bytes = crate::files::read_regular(path).map_err(|e| wrong(e.to_string()))?;
    let value: serde_json::Value = serde_json::from_slice(&bytes).map_err(|e| wrong(e.to_string()))?;
    let schema = value.get("schema").and_then(serde_json::Value::as_str).unwrap_or_default().to_owned();
    if !run_file::READ_SCHEMAS.contains(&schema.as_str()) {
        return Err(wrong(format!(
            "expected {RUN_SCHEMA}, found {schema:?}; use the version that wrote it, or run again"
        )));
    }
    serde_json::from_value(value).map(Some).map_err(|e| wrong(e.to_string()))
}

/// Longest part of an overlay's path, bytes: file systems take 255, and `.png` and a temporary name must fit too.
const LONGEST_PART: usize = 200;

/// Where the overlay of a picture is in a folder of results. Names that would lead out of the folder are bent inwards, and no
/// two pictures share a place: `~` marks what was changed.
pub fn overlay_path(results: &Path, image: &str) -> PathBuf {
    let mut path = results.join(OVERLAY_FOLDER);
    let mut parts: Vec<String> = Vec::new();
    for part in Path::new(image).components() {
        match part {
            Component::Normal(name) => parts.push(own_part(&name.to_string_lossy())),
            Component::ParentDir => parts.push("~up".into()),
            Component::RootDir | Component::Prefix(_) => parts.push("~root".into()),
            Component::CurDir => {}
        }
    }
    let name = parts.pop().unwrap_or_default();
    // A folder never looks like the overlay of a picture of its name.
    let folder = |part: String| if part.ends_with(".jpg") || part.ends_with('~') { part + "~" } else { part };
    path.extend(parts.into_iter().map(folder));
    path.join(format!("{name}.jpg"))
}

/// A name as part of an overlay's path.
fn own_part(name: &str) -> String {
    let marked = if name.starts_with('~') { format!("~{name}") } else { name.to_owned() };
    if marked.len() <= LONGEST_PART {
        return marked;
    }
    let digest = &blake3::hash(name.as_bytes()).to_hex()[..16];
    let start = marked.char_indices().map(|(i, c)| i + c.len_utf8()).take_while(|end| *end <= LONGEST_PART - 17).last();
    format!("{}~{digest}", &marked[..start.unwrap_or(0)])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_pictures_share_an_overlay_and_none_lies_outside() {
        let long = "x".repeat(252);
        let names = [
            "a",
            "a.jpg",
            "a.jpg/b",
            "a.jpg~/b",
            "a/b",
            "../x.jpg",
            "_up/x.jpg",
            "~up/x.jpg",
            "/x.jpg",
            "~root/x.jpg",
            "x.jpg",
            &long,
            &format!("{long}y"),
            "../../x.jpg",
        ];
        let places: Vec<PathBuf> = names.iter().map(|n| overlay_path(Path::new("r"), n)).collect();
        for (i, place) in places.iter().enumerate() {
            assert!(place.starts_with("r/overlays"), "{place:?}");
            assert!(place.components().all(|c| c != Component::ParentDir && c.as_os_str().len() <= 204), "{place:?}");
            // Neither the same place nor one within the other.
            assert!(places[..i].iter().all(|p| !p.starts_with(place) && !place.starts_with(p)), "{place:?}");
        }
    }
}
