//! How the model decides: its tree as a drawing and in words, its witnesses, what leads to no verdict.

use super::drawing;
use super::render::Block;
use crate::table::format_number;
use crate::train::describe_tree::whole;
use crate::tree::shape::laplace;
use crate::tree::witness::{Witness, probability};
use crate::tree::{Model, Node, Side};

/// Adds the section.
pub(super) fn how_it_decides(out: &mut Vec<Block>, model: &Model) {
    out.push(Block::Heading("How it decides".into()));
    let shows = "The tree as a drawing; the same in words follows.";
    out.push(Block::Drawing { drawing: drawing::tree(model, shows), shows });
    let mut lines = Vec::new();
    node_lines(model, (&model.tree, laplace(&model.tree)), 0, &mut lines);
    out.push(Block::Lines(lines));
    let used: Vec<Vec<String>> = model
        .tree
        .features_used()
        .into_iter()
        .map(|f| {
            let feature = model.features[f].feature;
            vec![feature.name.to_owned(), feature.unit.to_owned(), feature.meaning.to_owned()]
        })
        .collect();
    out.push(Block::Table { name: "What the tree asks for", head: vec!["asked for", "unit", "meaning"], rows: used });
    out.push(Block::Text(thresholds(model)));
    out.push(Block::Heading("Two witnesses".into()));
    out.push(Block::Table {
        name: "Two witnesses",
        head: vec!["witness", "slope", "intercept", "never surer than", "weight"],
        rows: vec![
            witness_row("measured shape", &model.witnesses.shape),
            witness_row("appearance", &model.witnesses.appearance),
        ],
    });
    out.push(Block::Text(verdicts(model)));
}

/// What happens at a threshold.
fn thresholds(model: &Model) -> String {
    let at = match model.shape.softness {
        0.0 => "Thresholds are sharp: an end goes to one side or the other.".to_owned(),
        softness => {
            format!("Thresholds are soft: an end within about {softness:.2} spreads of one goes both ways in shares.")
        }
    };
    format!(
        "{at} Every step down moves the probability, the less the fewer training ends met the question (half a step at \
         {:.0} ends). A value that was not measured goes where the words say. The leaves show what the shape alone says of an \
         end far from all thresholds.",
        model.shape.shrinkage
    )
}

/// How the witnesses' odds become a verdict.
fn verdicts(model: &Model) -> String {
    let band = match (model.unclear.low, model.unclear.high) {
        (low, high) if low < high => format!("From {low:.2} to {high:.2} there is no verdict."),
        (_, high) => format!("From {high:.2} on an end is called sheared, below it tensile."),
    };
    format!(
        "Each witness's log odds go through a straight line (slope, intercept), are capped, weighed and added. {band} An end on \
         which both are sure of {:.2} or more and contradict each other is unclear, with both figures as its reason.",
        probability(model.witnesses.decided)
    )
}

fn witness_row(name: &str, witness: &Witness) -> Vec<String> {
    vec![
        name.to_owned(),
        format!("{:.2}", witness.calibration.slope),
        format!("{:.2}", witness.calibration.intercept),
        format!("{:.3}", probability(witness.cap)),
        format!("{:.2}", witness.weight),
    ]
}

/// The branch of a node whose raw probability is `raw`, line by line.
fn node_lines(model: &Model, (node, raw): (&Node, f64), depth: usize, lines: &mut Vec<String>) {
    let indent = "    ".repeat(depth);
    match node {
        Node::Leaf { counts } => {
            let p = probability(model.witnesses.shape.log_odds(raw));
            let label = model.unclear.label(p).word();
            let (sheared, tensile) = (whole(counts[0]), whole(counts[1]));
            lines.push(format!("{indent}{label}: {sheared} sheared, {tensile} tensile; probability of sheared {p:.3}"));
        }
        Node::Split { feature, threshold, missing_goes, low, high, .. } => {
            let name = model.features[*feature].feature.name;
            let threshold = format_number(*threshold);
            let gap = |side| if *missing_goes == side { ", or not measured" } else { "" };
            lines.push(format!("{indent}{name} at or below {threshold}{}:", gap(Side::Low)));
            node_lines(model, (low, model.shape.step(node, low, raw)), depth + 1, lines);
            lines.push(format!("{indent}{name} above {threshold}{}:", gap(Side::High)));
            node_lines(model, (high, model.shape.step(node, high, raw)), depth + 1, lines);
        }
    }
}
