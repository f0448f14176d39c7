//! A saved run as the review needs it: the model's ends, the pictures and where their files are, the model.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::Context;
use breakface::labels::EndRef;
use breakface::pipeline::{model_ends, rows_digest};
use breakface::results::Results;
use breakface::settings::Settings;
use breakface::table::{EndRow, ImageRow, Status};
use breakface::tree::Model;

use super::end_id::EndId;
use super::image_cache::{DisplayImage, ImageCache, PictureFile};
use super::options::Options;
use super::reply::Refusal;

/// File within the results that holds a model learnt from hand labels.
pub const MODEL_FILE: &str = "model.json";

/// One picture of the run.
pub struct Picture {
    /// Its row of `images.csv`.
    pub row: ImageRow,
    /// Where its file is; `None` when it cannot be found.
    pub file: Option<PathBuf>,
}

impl Picture {
    /// Why it cannot be shown; empty = it can.
    pub fn missing(&self) -> String {
        match (self.row.status, &self.file) {
            (Status::Failed, _) => format!("this picture could not be read: {}", self.row.error),
            (Status::Done, None) => "the file of this picture has moved; start the review again with --pictures".into(),
            (Status::Done, Some(_)) => String::new(),
        }
    }
}

/// A saved run.
pub struct Run {
    /// The results folder.
    pub folder: PathBuf,
    /// Name of the run for people.
    pub title: String,
    /// Pictures in the order of `images.csv`.
    pub pictures: Vec<Picture>,
    /// Ends as the model labelled them, whatever hand labels say.
    pub ends: Vec<EndRow>,
    /// Digest of the ends: tells when a run has written others.
    pub digest: String,
    /// The model that labelled them; the bundled one when that is not at hand.
    pub model: Model,
    /// Whether it is the model that labelled them.
    pub model_is_known: bool,
    /// Name and kind of the model.
    pub model_name: String,
    /// Settings of the run.
    pub settings: Settings,
    /// Picture name -> its number.
    number_of: BTreeMap<String, usize>,
    /// End -> its place in `ends`.
    place_of: BTreeMap<EndId, usize>,
}

impl Run {
    /// Loads a results folder.
    pub fn load(options: &Options) -> anyhow::Result<Self> {
        let folder = &options.results;
        let results = Results::load(folder).context("make results with `breakface classify` first")?;
        let ends = model_ends(&results)?;
        let digest = rows_digest(&ends);
        let find = |image: &str| {
            let moved = options.pictures.as_ref().map(|root| root.join(image));
            moved.into_iter().chain(results.picture_path(image)).find(|p| p.exists())
        };
        let pictures = results.images.iter();
        let pictures: Vec<Picture> =
            pictures.map(|row| Picture { file: find(&row.series.image), row: row.clone() }).collect();
        let number_of: BTreeMap<String, usize> =
            pictures.iter().enumerate().map(|(n, p)| (p.row.series.image.clone(), n)).collect();
        let id = |end: &EndRow| Some(EndId { picture: *number_of.get(&end.image)?, end: EndRef::Found(end.end) });
        let place_of = ends.iter().enumerate().filter_map(|(n, end)| Some((id(end)?, n))).collect();
        let (model, model_is_known, model_name) = model_of(&results, options.model.as_deref())?;
        let name = folder.canonicalize().ok().and_then(|p| Some(p.file_name()?.to_string_lossy().into_owned()));
        Ok(Self {
            title: name.unwrap_or_else(|| "results".into()),
            folder: folder.clone(),
            pictures,
            ends,
            digest,
            model_is_known,
            model_name,
            model,
            settings: results.settings(),
            number_of,
            place_of,
        })
    }

    /// Number of a picture by its name.
    pub fn picture_number(&self, image: &str) -> Option<usize> {
        self.number_of.get(image).copied()
    }

    /// A found end by its id.
    pub fn end(&self, id: EndId) -> Option<&EndRow> {
        self.place_of.get(&id).map(|n| &self.ends[*n])
    }

    /// All found ends with their ids, by picture and number.
    pub fn ends_with_ids(&self) -> impl Iterator<Item = (EndId, &EndRow)> {
        self.place_of.iter().map(|(id, n)| (*id, &self.ends[*n]))
    }

    /// A picture ready to be shown.
    pub fn shown(&self, cache: &ImageCache, number: usize) -> Result<Arc<DisplayImage>, Refusal> {
        let picture = self.pictures.get(number).ok_or_else(|| Refusal::not_found("picture"))?;
        let file = picture.file.as_ref().ok_or_else(|| Refusal::new(404, picture.missing()))?;
        let file = PictureFile { path: file, hash: &picture.row.content_hash, settings: &self.settings };
        cache.get(number, &file).map_err(|e| Refusal::fault(&e))
    }
}

/// The model that labelled the run, with its name; when it is not at hand, the bundled one, and the name says so.
fn model_of(results: &Results, given: Option<&Path>) -> anyhow::Result<(Model, bool, String)> {
    let read = |path: &Path| -> anyhow::Result<Model> {
        let bytes = breakface::files::read_regular(path).with_context(|| format!("model {}", path.display()))?;
        Model::from_json(&bytes).with_context(|| format!("model {}", path.display()))
    };
    let bundled = Model::bundled()?;
    let mut candidates = Vec::new();
    if let Some(path) = given {
        candidates.push(read(path)?);
    }
    candidates.push(bundled.clone());
    let learnt = results.folder.join(MODEL_FILE);
    if learnt.is_file() {
        candidates.push(read(&learnt)?);
    }
    let Some(run) = &results.run else { return Ok((bundled.clone(), true, bundled.name)) };
    match candidates.into_iter().find(|m| m.digest() == run.model.digest) {
        Some(model) => Ok((model, true, run.model.name.clone())),
        None => {
            let name = format!("{} (the run used {}, which is not at hand)", bundled.name, run.model.name);
            Ok((bundled, false, name))
        }
    }
}
