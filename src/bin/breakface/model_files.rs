//! A model and what belongs to it: the training table beside it, and its page. They are written together or not at all.

use anyhow::Context;
use breakface::files::{Exchange, complete};
use breakface::table::Staged;
use breakface::train::{Trained, TrainingTable, page};
use breakface::tree::Model;
use std::path::{Path, PathBuf};

/// Model, training table, page as Markdown and HTML.
pub fn paths(model: &Path) -> [PathBuf; 4] {
    [model.to_owned(), model.with_extension("training.csv"), model.with_extension("md"), model.with_extension("html")]
}

/// Writes model, table and page.
pub fn write(out: &Path, trained: &Trained, table: &TrainingTable) -> anyhow::Result<()> {
    let [model, training, markdown, html] = paths(out);
    exchange(
        out,
        &[
            (training, table.to_csv()),
            (markdown, page::markdown(trained, table).into_bytes()),
            (html, page::html(trained, table).into_bytes()),
            (model, trained.model.to_json()),
        ],
    )
}

/// Writes a model with its training table.
pub fn write_pair(out: &Path, model: &Model, table: &TrainingTable) -> anyhow::Result<()> {
    exchange(out, &[(out.with_extension("training.csv"), table.to_csv()), (out.to_owned(), model.to_json())])
}

fn exchange(out: &Path, files: &[(PathBuf, Vec<u8>)]) -> anyhow::Result<()> {
    let mut exchange = Exchange::default();
    for (path, bytes) in files {
        Staged::new(path, bytes)?.join(&mut exchange);
    }
    let journal = journal(out);
    let written = exchange.commit(&journal);
    written.with_context(|| format!("{}: cannot be written with the files beside it", out.display()))
}

/// Goes on with a writing of these files that was cut off.
pub fn go_on(model: &Path) -> anyhow::Result<()> {
    complete(&journal(model)).map(drop).with_context(|| journal(model).display().to_string())
}

fn journal(model: &Path) -> PathBuf {
    let name = model.file_name().unwrap_or_default().to_string_lossy();
    model.with_file_name(format!(".{name}.breakface-exchange"))
}
