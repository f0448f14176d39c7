//! The model page: what the model learnt from, how it decides, how good it is, where it stops.
//!
//! [`Trained`] -> the same page as Markdown and as HTML. Strings out.

mod decides;
mod drawing;
mod render;

use decides::how_it_decides;
use render::Block;

use super::calibrate::reliability;
use super::confusion::Confusion;
use super::{PartFigures, Trained, TrainingTable};
use crate::stats::Z95;
use crate::stats::proportion::wilson;
use crate::table::format_number;
use crate::tree::model::Rate;
use crate::tree::{Label, Model};

/// The page as Markdown, without drawings.
pub fn markdown(trained: &Trained, table: &TrainingTable) -> String {
    render::markdown(&title(&trained.model), &blocks(trained, table))
}

/// The page as one self-contained HTML file.
pub fn html(trained: &Trained, table: &TrainingTable) -> String {
    render::html(&title(&trained.model), &blocks(trained, table))
}

fn title(model: &Model) -> String {
    format!("Model: {}", model.name)
}

fn blocks(trained: &Trained, table: &TrainingTable) -> Vec<Block> {
    let mut out = vec![Block::Text(summary(trained))];
    if !trained.warnings.is_empty() {
        out.push(Block::List(trained.warnings.iter().map(|w| format!("Warning: {w}.")).collect()));
    }
    how_it_decides(&mut out, &trained.model);
    how_good(&mut out, trained);
    learnt_from(&mut out, trained, table);
    out.push(Block::Heading("Limits".into()));
    out.push(Block::List(limits()));
    out
}

fn summary(trained: &Trained) -> String {
    let model = &trained.model;
    let figures = &model.figures;
    let base = format!(
        "Two witnesses label fibre ends as sheared or tensile: the measured shape (a {}) and the appearance (a network's \
         impression). Learnt from {} ends of {} specimens. The single tree asks up to {} questions and has {} leaves.",
        model.kind(),
        trained.by_source.iter().map(|s| s.confusion.n()).sum::<u64>(),
        trained.by_group.len(),
        model.tree.depth(),
        model.tree.n_leaves()
    );
    match figures.balanced_accuracy {
        Some(b) => format!(
            "{base} On specimens it had not seen it was right on {} of sheared and {} of tensile ends \
             (balanced accuracy {b:.3}) and gave no verdict on {:.1} % of all.",
            with_interval(figures.sensitivity),
            with_interval(figures.specificity),
            100.0 * (1.0 - trained.confusion.coverage().unwrap_or(1.0))
        ),
        None => format!("{base} There were too few specimens to judge it."),
    }
}

/// `0.950 (0.93 to 0.97)`: the share and its Wilson interval.
fn with_interval(rate: Rate) -> String {
    match (rate.share(), wilson(rate.right as f64, rate.of as f64, Z95)) {
        (Some(share), Some(i)) => format!("{share:.3} ({:.3} to {:.3})", i.low, i.high),
        _ => "none".to_owned(),
    }
}

fn how_good(out: &mut Vec<Block>, trained: &Trained) {
    let figures = &trained.model.figures;
    out.push(Block::Heading("How good it is".into()));
    if figures.folds == 0 {
        out.push(Block::Text("Nothing can be said: all ends come from one specimen.".into()));
        return;
    }
    out.push(Block::Text(format!(
        "Cross-validation in {} folds, repeated {} times; ends of one specimen are never split between learning and \
         judging. Calibrations, weights and unclear band of each fold come from the other folds. Counts are means over repeats; \
         intervals are Wilson's and take ends as independent.",
        figures.folds, figures.repeats
    )));
    out.push(Block::Table {
        name: "Labels against the truth",
        head: vec!["truth", "sheared", "tensile", "unclear", "right, of those with a verdict"],
        rows: confusion_rows(&trained.confusion),
    });
    let number = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.3}"));
    out.push(Block::Table {
        name: "Figures on specimens not learnt from",
        head: vec!["figure", "value"],
        rows: vec![
            vec!["balanced accuracy".into(), number(figures.balanced_accuracy)],
            vec!["Cohen's kappa".into(), number(figures.kappa)],
            vec!["expected calibration error".into(), number(figures.calibration_error)],
            vec!["measured shape alone, verdict on every end".into(), number(figures.tree_without_unclear)],
            vec!["the same with a forest".into(), number(figures.forest_without_unclear)],
            vec!["appearance alone, verdict on every end".into(), number(figures.appearance_without_unclear)],
            vec!["ends with a verdict".into(), number(trained.confusion.coverage())],
            vec!["sheared ends with a verdict".into(), number(figures.coverage_sheared.share())],
            vec!["tensile ends with a verdict".into(), number(figures.coverage_tensile.share())],
            vec![
                "unclear because the witnesses contradict each other, ends".into(),
                figures.n_contradictions.to_string(),
            ],
        ],
    });
    let steps = reliability(&trained.seen);
    let shows = "Reliability: share of sheared ends against the probability that was said.";
    out.push(Block::Drawing { drawing: drawing::reliability(&steps, shows), shows });
    let steps = steps.into_iter();
    out.push(Block::Table {
        name: "Reliability",
        head: vec!["probability said", "share sheared", "ends (all repeats)"],
        rows: steps.map(|s| vec![format!("{:.3}", s.said), format!("{:.3}", s.was), s.n.to_string()]).collect(),
    });
    families(out, trained);
    learning(out, trained);
    pruning(out, trained);
}

fn families(out: &mut Vec<Block>, trained: &Trained) {
    out.push(Block::Heading("On pictures of another kind".into()));
    if trained.by_family.is_empty() {
        out.push(Block::Text("All ends come from one picture family: nothing can be said about others.".into()));
        return;
    }
    out.push(Block::Text(
        "Each instrument (or renderer), then each light, left out of all learning in turn, then judged.".into(),
    ));
    out.push(Block::Table {
        name: "By family",
        head: PART_HEAD.to_vec(),
        rows: trained.by_family.iter().map(part_row).collect(),
    });
}

fn confusion_rows(c: &Confusion) -> Vec<Vec<String>> {
    let row = |truth: Label, cells: [u64; 3], rate: Rate| {
        let mut row = vec![truth.word().to_owned()];
        row.extend(cells.map(|c| c.to_string()));
        row.push(with_interval(rate));
        row
    };
    vec![
        row(Label::Sheared, [c.sheared_right, c.sheared_wrong, c.sheared_unclear], c.sensitivity()),
        row(Label::Tensile, [c.tensile_wrong, c.tensile_right, c.tensile_unclear], c.specificity()),
    ]
}

fn learning(out: &mut Vec<Block>, trained: &Trained) {
    out.push(Block::Heading("Would more labels help?".into()));
    let shows = "Learning curve: balanced accuracy against the share of specimens learnt from.";
    out.push(Block::Drawing { drawing: drawing::learning(&trained.learning, shows), shows });
    let rows = trained.learning.iter().map(|l| {
        vec![format!("{:.0} %", 100.0 * l.share), l.balanced_accuracy.map_or("-".into(), |b| format!("{b:.3}"))]
    });
    out.push(Block::Table {
        name: "Learning curve",
        head: vec!["specimens learnt from", "balanced accuracy"],
        rows: rows.collect(),
    });
    let gain = match trained.learning.as_slice() {
        [.., before, last] => last.balanced_accuracy.zip(before.balanced_accuracy).map(|(a, b)| a - b),
        _ => None,
    };
    let words = match gain {
        Some(g) if GAIN_WORTH < g => "The curve still rises: labels on more specimens would help.",
        Some(_) => "The curve is flat: more ends like these would change little; other material might.",
        None => "Too few specimens to say.",
    };
    out.push(Block::Text(words.into()));
}

/// Rise of the last step of the learning curve that is called a rise: half a percent.
const GAIN_WORTH: f64 = 0.005;

fn pruning(out: &mut Vec<Block>, trained: &Trained) {
    let rows = trained.pruning.iter().map(|s| {
        vec![
            format_number(s.penalty),
            s.leaves.to_string(),
            format!("{:.4}", s.error),
            format!("{:.4}", s.standard_error),
        ]
    });
    out.push(Block::Heading("How it was cut back".into()));
    out.push(Block::Text(
        "Minimal cost-complexity pruning; the smallest tree whose log loss on unseen ends is within the set share of a \
         standard error of the best (setting label.prune_standard_errors). Softness and shrinkage are chosen likewise."
            .into(),
    ));
    let head = vec!["penalty per leaf", "leaves", "log loss", "standard error"];
    out.push(Block::Table { name: "Pruning", head, rows: rows.collect() });
}

fn learnt_from(out: &mut Vec<Block>, trained: &Trained, table: &TrainingTable) {
    out.push(Block::Heading("What it learnt from".into()));
    let rows = trained
        .model
        .training
        .sources
        .iter()
        .map(|s| vec![s.source.clone(), s.specimens.to_string(), s.sheared.to_string(), s.tensile.to_string()]);
    out.push(Block::Table {
        name: "Sources",
        head: vec!["source", "specimens", "sheared", "tensile"],
        rows: rows.collect(),
    });
    out.push(Block::Table {
        name: "By source",
        head: PART_HEAD.to_vec(),
        rows: trained.by_source.iter().map(part_row).collect(),
    });
    let mut worst: Vec<&PartFigures> = trained.by_group.iter().collect();
    worst.sort_by(|a, b| {
        let share = |s: &PartFigures| s.confusion.balanced_accuracy().unwrap_or(1.0);
        share(a).total_cmp(&share(b)).then(a.name.cmp(&b.name))
    });
    let shown = worst.len().min(WORST_SHOWN);
    out.push(Block::Text(format!("The {shown} of {} specimens with the most wrong verdicts:", worst.len())));
    out.push(Block::Table {
        name: "Most wrong verdicts",
        head: PART_HEAD.to_vec(),
        rows: worst.into_iter().take(WORST_SHOWN).map(part_row).collect(),
    });
    out.push(Block::Text(format!("Training table: {} ends, digest {}.", table.rows().len(), table.digest())));
}

/// Specimens listed on the page.
const WORST_SHOWN: usize = 20;
const PART_HEAD: [&str; 6] = ["judged on", "sheared", "right", "tensile", "right", "unclear"];

fn part_row(part: &PartFigures) -> Vec<String> {
    let c = &part.confusion;
    vec![
        part.name.clone(),
        (c.sheared_right + c.sheared_wrong + c.sheared_unclear).to_string(),
        c.sheared_right.to_string(),
        (c.tensile_right + c.tensile_wrong + c.tensile_unclear).to_string(),
        c.tensile_right.to_string(),
        c.n_unclear().to_string(),
    ]
}

fn limits() -> Vec<String> {
    vec![
        "It knows what it was shown. Ends outside the range of the training ends are reported as such; their labels are guesses.".into(),
        "Its probabilities assume that sheared and tensile ends are as likely before one looks.".into(),
        "A slow tensile break may split instead of bulging, and a blade may flare a cut: both are close to the border.".into(),
        "Controls on your own microscope (a scissor cut and a straight pull) say more about its error than any figure here.".into(),
        "Results describe test specimens; they do not certify any line or rigging that a life depends on.".into(),
    ]
}
