//! Nodes of a tree as they stand in the model file; everything is checked on the way in.

use super::CLASSES;
use super::error::{ModelError, bad};
use super::model::ModelFeature;
use super::node::{Node, Side};
use serde_json::{Map, Value, json};

/// Deepest tree that is read; training stops far above. The JSON reader has a limit of its own (128 levels).
const MAX_DEPTH: usize = 60;
/// Most nodes over all trees.
const MAX_NODES: usize = 500_000;

/// Reads the nodes of all trees of a model.
pub(super) struct NodeReader<'a> {
    features: &'a [ModelFeature],
    nodes: usize,
}

impl<'a> NodeReader<'a> {
    /// A reader of nodes that ask for these features.
    pub(super) fn new(features: &'a [ModelFeature]) -> Self {
        Self { features, nodes: 0 }
    }

    /// The node of a value, with all below it; `at` says where it stands in the file.
    pub(super) fn read(&mut self, value: &Value, at: &str, depth: usize) -> Result<Node, ModelError> {
        self.nodes += 1;
        if MAX_NODES < self.nodes {
            return Err(bad(at, format!("more than {MAX_NODES} nodes")));
        }
        if MAX_DEPTH < depth {
            return Err(bad(shorten(at), format!("deeper than {MAX_DEPTH} questions")));
        }
        let Value::Object(fields) = value else { return Err(bad(shorten(at), "expected a node")) };
        let counts = read_counts(fields, at)?;
        if !fields.contains_key("feature") {
            known_only(fields, &["counts"], at)?;
            return Ok(Node::Leaf { counts });
        }
        known_only(fields, &["feature", "threshold", "spread", "missing_goes", "counts", "low", "high"], at)?;
        let name = fields["feature"].as_str().unwrap_or_default();
        let feature = self
            .features
            .iter()
            .position(|f| f.feature.name == name)
            .ok_or_else(|| bad(shorten(at), format!("feature {name:?} is not in the model's list of features")))?;
        let threshold = fields
            .get("threshold")
            .and_then(Value::as_f64)
            .filter(|t| t.is_finite())
            .ok_or_else(|| bad(shorten(at), "threshold is not a number"))?;
        let spread = fields
            .get("spread")
            .and_then(Value::as_f64)
            .filter(|s| s.is_finite() && 0.0 <= *s)
            .ok_or_else(|| bad(shorten(at), "spread is not a number of at least 0"))?;
        let missing_goes = match fields.get("missing_goes").and_then(Value::as_str) {
            Some("low") => Side::Low,
            Some("high") => Side::High,
            _ => return Err(bad(shorten(at), "missing_goes must be low or high")),
        };
        let low = Box::new(self.child(fields, "low", at, depth)?);
        let high = Box::new(self.child(fields, "high", at, depth)?);
        Ok(Node::Split { feature, threshold, spread, missing_goes, counts, low, high })
    }

    fn child(&mut self, fields: &Map<String, Value>, side: &str, at: &str, depth: usize) -> Result<Node, ModelError> {
        let value = fields.get(side).ok_or_else(|| bad(shorten(at), format!("{side} is missing")))?;
        self.read(value, &format!("{at}.{side}"), depth + 1)
    }
}

fn read_counts(fields: &Map<String, Value>, at: &str) -> Result<Vec<f64>, ModelError> {
    let wrong = || bad(shorten(at), "counts must be one number of ends per class, none negative");
    let list = fields.get("counts").and_then(Value::as_array).ok_or_else(wrong)?;
    let counts: Vec<f64> = list.iter().filter_map(Value::as_f64).filter(|c| c.is_finite() && 0.0 <= *c).collect();
    if counts.len() != list.len() || counts.len() != CLASSES.len() { Err(wrong()) } else { Ok(counts) }
}

fn known_only(fields: &Map<String, Value>, known: &[&str], at: &str) -> Result<(), ModelError> {
    match fields.keys().find(|k| !known.contains(&k.as_str())) {
        Some(key) => Err(bad(shorten(at), format!("unknown field {key:?}"))),
        None => Ok(()),
    }
}

/// The end of a long place, for one-line messages.
fn shorten(at: &str) -> String {
    const KEEP: usize = 60;
    if at.len() <= KEEP { at.to_owned() } else { format!("…{}", &at[at.len() - KEEP..]) }
}

/// A node as it stands in the file; `names` are those of the features.
pub(super) fn write_node(node: &Node, names: &[&str]) -> Value {
    match node {
        Node::Leaf { counts } => json!({ "counts": counts }),
        Node::Split { feature, threshold, spread, missing_goes, counts, low, high } => json!({
            "feature": names[*feature],
            "threshold": threshold,
            "spread": spread,
            "missing_goes": missing_goes.word(),
            "counts": counts,
            "low": write_node(low, names),
            "high": write_node(high, names),
        }),
    }
}
