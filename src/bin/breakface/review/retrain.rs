//! Learning from hand labels: a new model judged beside the old one, taken only when the person says so.

use breakface::labels::{EndRef, HandLabel, effective};
use breakface::train::confusion::Confusion;
use breakface::train::{Options, TrainingRow, TrainingTable, train};
use breakface::tree::Model;
use serde::Serialize;

use super::end_id::EndId;
use super::reply::Refusal;
use super::run::MODEL_FILE;
use super::session::{RetrainedModel, Session};

/// The table a learnt model came from, beside it: the next retrained starts there.
const TABLE_FILE: &str = "model.training.csv";
/// Where these labels came from, in the training table.
const SOURCE: &str = "by hand";

/// A new model beside the old one.
#[derive(Debug, Serialize)]
pub struct Comparison {
    n_labels: usize,
    figures: Vec<Figure>,
    advice: String,
}

#[derive(Debug, Serialize)]
struct Figure {
    name: &'static str,
    old: Option<f64>,
    new: Option<f64>,
}

/// What taking a model has done.
#[derive(Debug, Serialize)]
pub struct Taken {
    message: String,
}

/// Trains with the hand labels and judges old and new side by side. Nothing is written.
pub fn learn(session: &Session) -> Result<Comparison, Refusal> {
    let rows = hand_rows(session);
    if rows.is_empty() {
        return Err(Refusal::new(409, "no found end is labelled sheared or tensile by hand yet"));
    }
    let n_labels = rows.len();
    let old_model = &session.run.model;
    let mut old = Confusion::default();
    for row in &rows {
        old.add(row.label, old_model.predict(&row.features, &[]).label);
    }
    let table = base_table(session).map_err(|e| Refusal::fault(&e))?.with(rows);
    let options = Options { name: format!("{} and {n_labels} hand labels", old_model.name), ..Options::default() };
    let trained = train(&table, &session.run.settings.label, &options);
    let trained = trained.map_err(|e| Refusal::new(409, e.to_string()))?;
    let new = trained.by_source.iter().find(|s| s.name == SOURCE).map(|s| s.confusion).unwrap_or_default();
    let figures = side_by_side(old_model, &trained.model, &old, &new);
    let advice = match trained.warnings.is_empty() {
        true => "The old model had not seen your labels; the new one was judged on specimens left out of its training."
            .into(),
        false => trained.warnings.join(" "),
    };
    session.keep_retrained(RetrainedModel { model: trained.model, table });
    Ok(Comparison { n_labels, figures, advice })
}

/// Writes the model of the last retrained into the results folder.
pub fn take(session: &Session) -> Result<Taken, Refusal> {
    let retrained = session.take_retrained();
    let retrained = retrained.ok_or_else(|| Refusal::new(409, "there is no new model; train one first"))?;
    let folder = &session.run.folder;
    let path = folder.join(MODEL_FILE);
    let written = crate::model_files::write_pair(&path, &retrained.model, &retrained.table);
    if let Err(e) = written {
        session.keep_retrained(retrained);
        return Err(Refusal::new(507, format!("{e:#}")));
    }
    Ok(Taken {
        message: format!(
            "Written: {}. To label pictures with it, run breakface classify with --model {0} and another --out folder.",
            path.display()
        ),
    })
}

/// Found ends that stand as sheared or tensile by hand, with their features.
fn hand_rows(session: &Session) -> Vec<TrainingRow> {
    let placed = session.placed_rows();
    let rows = effective(&placed).into_iter().filter_map(|row| {
        let id: EndId = session.id_of(row)?;
        let EndRef::Found(_) = id.end else { return None };
        let end = session.run.end(id)?;
        let label = row.label.filter(|l| matches!(l, HandLabel::Sheared | HandLabel::Tensile))?.label()?;
        Some(TrainingRow {
            source: SOURCE.into(),
            family: SOURCE.into(),
            group: end.specimen.clone(),
            image: end.image.clone(),
            tip: row.tip,
            label,
            weight: 1.0,
            features: end.features.clone(),
        })
    });
    rows.collect()
}

/// What the model of the run learnt from; without hand labels of an earlier retrained on the same results.
fn base_table(session: &Session) -> anyhow::Result<TrainingTable> {
    crate::model_files::go_on(&session.run.folder.join(MODEL_FILE))?;
    let path = session.run.folder.join(TABLE_FILE);
    if !path.is_file() {
        return Ok(TrainingTable::bundled()?);
    }
    let table = TrainingTable::from_csv(TABLE_FILE, &breakface::files::read_regular(&path)?)?;
    Ok(TrainingTable::new(table.rows().iter().filter(|r| r.source != SOURCE).cloned().collect()))
}

fn side_by_side(old_model: &Model, new_model: &Model, old: &Confusion, new: &Confusion) -> Vec<Figure> {
    let (was, is) = (&old_model.figures, &new_model.figures);
    let learnt = |m: &Model| Some(m.training.sources.iter().map(|s| s.sheared + s.tensile).sum::<u64>() as f64);
    let unclear = |c: &Confusion| c.coverage().map(|share| 1.0 - share);
    let figure = |name, old, new| Figure { name, old, new };
    vec![
        figure("Ends learnt from", learnt(old_model), learnt(new_model)),
        figure("Balanced accuracy, cross-validated", was.balanced_accuracy, is.balanced_accuracy),
        figure("Sheared ends found sheared", was.sensitivity.share(), is.sensitivity.share()),
        figure("Tensile ends found tensile", was.specificity.share(), is.specificity.share()),
        figure("Cohen's kappa", was.kappa, is.kappa),
        figure("On your labels: balanced accuracy", old.balanced_accuracy(), new.balanced_accuracy()),
        figure("On your labels: share left unclear", unclear(old), unclear(new)),
        figure(
            "Questions at most on the way",
            Some(old_model.tree.depth() as f64),
            Some(new_model.tree.depth() as f64),
        ),
    ]
}
