//! The saved tables of a run, as the page needs them.

use crate::table::{CarrierRow, EndRow, ImageRow, KnotRow, PairRow, SideRow, SpecimenRow, TableRow, read_csv};
use std::path::{Path, PathBuf};

/// Everything the page is made from. Tables that an older run did not write are empty.
#[derive(Debug, Clone, Default)]
pub struct ReportInput {
    /// Folder of the results.
    pub folder: PathBuf,
    /// `ends.csv`.
    pub ends: Vec<EndRow>,
    /// `images.csv`.
    pub images: Vec<ImageRow>,
    /// `specimens.csv`.
    pub specimens: Vec<SpecimenRow>,
    /// `sides.csv`.
    pub sides: Vec<SideRow>,
    /// `carriers.csv`.
    pub carriers: Vec<CarrierRow>,
    /// `knots.csv`.
    pub knots: Vec<KnotRow>,
    /// `pairs.csv`.
    pub pairs: Vec<PairRow>,
    /// `run.json`; null when there is none.
    pub run: serde_json::Value,
    /// Tables that are there and could not be read, one line each; the page says so.
    pub unread: Vec<String>,
}

impl ReportInput {
    /// Reads the tables of a results folder. A table that is missing is empty; one that cannot be read is left out and named.
    pub fn load(folder: &Path) -> Self {
        let mut unread = Vec::new();
        let mut input = Self {
            folder: folder.to_owned(),
            ends: table(folder, "ends.csv", &mut unread),
            images: table(folder, "images.csv", &mut unread),
            specimens: table(folder, "specimens.csv", &mut unread),
            sides: table(folder, "sides.csv", &mut unread),
            carriers: table(folder, "carriers.csv", &mut unread),
            knots: table(folder, "knots.csv", &mut unread),
            pairs: table(folder, "pairs.csv", &mut unread),
            run: serde_json::Value::Null,
            unread: Vec::new(),
        };
        if let Ok(text) = std::fs::read_to_string(folder.join("run.json")) {
            match serde_json::from_str(&text) {
                Ok(value) => input.run = value,
                Err(e) => unread.push(format!("run.json: {e}")),
            }
        }
        input.unread = unread;
        input
    }
}

fn table<T: TableRow>(folder: &Path, file: &str, unread: &mut Vec<String>) -> Vec<T> {
    let path = folder.join(file);
    if !path.exists() {
        return Vec::new();
    }
    read_csv(&path).unwrap_or_else(|e| {
        // The page may be handed on: the name of the table is enough, its folder is nobody's business.
        unread.push(e.to_string().replace(&path.display().to_string(), file));
        Vec::new()
    })
}

impl ReportInput {
    /// Where the original of a picture was when it was classified.
    pub(crate) fn original(&self, image: &str) -> Option<PathBuf> {
        let inputs = self.run["inputs"].as_array()?;
        let found = inputs.iter().find(|i| i["image"].as_str() == Some(image))?;
        found["path"].as_str().map(PathBuf::from)
    }

    /// Where the overlay of a picture is, whether or not it was drawn.
    pub(crate) fn overlay(&self, image: &str) -> PathBuf {
        self.folder.join("overlays").join(format!("{image}.png"))
    }

    /// Files that show a picture, best first.
    pub(crate) fn picture_files(&self, image: &str) -> Vec<PathBuf> {
        self.original(image).into_iter().chain([self.overlay(image)]).collect()
    }
}
