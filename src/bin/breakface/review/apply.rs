//! What hand labels change: tables, scores and report after review, beside those of the model.

use anyhow::Context;
use breakface::pipeline::{Applied, apply_hand_labels, model_figures};
use breakface::report::{ReportOptions, write_report};
use breakface::results::{REPORT_FILE, Results};
use breakface::settings::Settings;
use std::path::Path;

use super::reply::Refusal;
use super::session::Session;

/// Puts hand labels in place in the tables of the folder and makes its report anew.
pub fn apply(session: &Session) -> Result<Applied, Refusal> {
    let run = &session.run;
    let had_report = run.folder.join(REPORT_FILE).is_file();
    // Figures of another model than the one that labelled would say nothing about its errors.
    let figures = if run.model_is_known { model_figures(&run.model) } else { None };
    let applied = apply_hand_labels(&run.folder, &run.digest, figures.as_ref())
        .map_err(|e| Refusal::new(409, format!("{:#}", anyhow::Error::new(e))))?;
    if had_report {
        report_anew(&run.folder, &run.settings).map_err(|e| Refusal::fault(&e))?;
    }
    Ok(applied)
}

/// The report of the tables as they are now.
fn report_anew(folder: &Path, settings: &Settings) -> anyhow::Result<()> {
    let options = ReportOptions { settings: settings.clone(), ..ReportOptions::default() };
    write_report(&Results::load(folder)?, &folder.join(REPORT_FILE), &options).context("the report was not written")?;
    Ok(())
}
