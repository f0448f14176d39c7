//! The model file: readable JSON with its own format version. Bytes -> [`Model`] and back.
//!
//! Everything is checked on the way in: format, feature table, names and units, every node. Nothing in a file can
//! make reading or predicting panic or run for long.

use super::model::{Figures, Model, ModelFeature, Training, UnclearBand, class_words, registered};
use super::node::{Node, Side};
use super::shape::ShapeRule;
use super::witness::Witnesses;
use crate::measure::FEATURE_SCHEMA;
use crate::settings::SubtypeSettings;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

/// Format of the model file.
pub const MODEL_FORMAT: &str = "breakface-model/2";
/// Format that 0.1.0 wrote.
const FORMAT_OF_0_1: &str = "breakface-model/1";
/// Largest file that is read, bytes: a forest of 60 trees takes about one million.
const MAX_BYTES: usize = 32 << 20;
/// Deepest tree that is read; training stops far above. The JSON reader has a limit of its own (128 levels).
const MAX_DEPTH: usize = 60;
/// Most nodes over all trees.
const MAX_NODES: usize = 500_000;

/// Why a model cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// The file is larger than any model.
    #[error("model: {bytes} bytes; a model has at most {MAX_BYTES}")]
    TooLarge {
        /// Size of the file.
        bytes: usize,
    },
    /// Not JSON, or cut short, or a field is missing or of the wrong type.
    #[error("model: not a model file, or damaged")]
    Unreadable(#[source] serde_json::Error),
    /// Another kind or version of file.
    #[error("model: format is {found:?}, expected {MODEL_FORMAT:?}; train again with this version")]
    Format {
        /// What the file says.
        found: String,
    },
    /// Written by 0.1.0: one tree over shape and impression, which this version keeps apart.
    #[error(
        "model: written by version 0.1.0; its training table still serves: `breakface train --base OLD.json --out NEW.json`"
    )]
    Old,
    /// Made for another table of features.
    #[error(
        "model: made for features {found:?}, this version measures {FEATURE_SCHEMA:?}; train again with this version"
    )]
    Schema {
        /// What the file says.
        found: String,
    },
    /// Asks for a feature that is not measured.
    #[error("model: feature {name:?} is not measured by this version; train again with this version")]
    UnknownFeature {
        /// Name in the file.
        name: String,
    },
    /// A feature has another unit.
    #[error("model: feature {name:?} is in {found:?}, this version measures it in {expected:?}")]
    Unit {
        /// Name of the feature.
        name: String,
        /// Unit in the file.
        found: String,
        /// Unit in the registry.
        expected: &'static str,
    },
    /// A field holds something impossible.
    #[error("model: {field}: {reason}")]
    Value {
        /// Where.
        field: String,
        /// What is wrong.
        reason: String,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire {
    format: String,
    features_schema: String,
    name: String,
    classes: Vec<String>,
    features: Vec<WireFeature>,
    shape: ShapeRule,
    witnesses: Witnesses,
    unclear: UnclearBand,
    subtype: SubtypeSettings,
    training: Training,
    figures: Figures,
    tree: Value,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    forest: Vec<Value>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WireFeature {
    name: String,
    unit: String,
    low: Option<f64>,
    high: Option<f64>,
}

/// Only what tells whose file this is, so that other versions are named rather than called damaged.
#[derive(Deserialize)]
struct Head {
    format: Option<Value>,
    features_schema: Option<Value>,
}

/// The bundled model.
const BUNDLED: &[u8] = include_bytes!("../../models/default.json");

impl Model {
    /// The model that is compiled in.
    ///
    /// # Errors
    /// When the bundled file is unusable, which is a fault of the build.
    pub fn bundled() -> Result<Self, ModelError> {
        Self::from_json(BUNDLED)
    }

    /// A model from its file.
    ///
    /// # Errors
    /// When the file is damaged, of another format, or asks for features of another table.
    pub fn from_json(bytes: &[u8]) -> Result<Self, ModelError> {
        read(bytes)
    }

    /// The model as a readable file; the same model gives the same bytes.
    pub fn to_json(&self) -> Vec<u8> {
        write(self)
    }

    /// Digest of the model file (BLAKE3, hexadecimal): names the model in every output.
    pub fn digest(&self) -> String {
        blake3::hash(&self.to_json()).to_hex().to_string()
    }
}

/// Reads and checks a model file.
fn read(bytes: &[u8]) -> Result<Model, ModelError> {
    if MAX_BYTES < bytes.len() {
        return Err(ModelError::TooLarge { bytes: bytes.len() });
    }
    let head: Head = serde_json::from_slice(bytes).map_err(ModelError::Unreadable)?;
    let found = text(head.format);
    if found == FORMAT_OF_0_1 {
        return Err(ModelError::Old);
    }
    if found != MODEL_FORMAT {
        return Err(ModelError::Format { found });
    }
    let found = text(head.features_schema);
    if major(&found) != major(FEATURE_SCHEMA) {
        return Err(ModelError::Schema { found });
    }
    let wire: Wire = serde_json::from_slice(bytes).map_err(ModelError::Unreadable)?;
    if wire.classes != class_words() {
        return Err(bad("classes", format!("expected {:?}, found {:?}", class_words(), wire.classes)));
    }
    let features = wire.features.into_iter().map(read_feature).collect::<Result<Vec<_>, _>>()?;
    check_names(&features)?;
    check_numbers(&wire.shape, &wire.witnesses, &wire.unclear)?;
    let mut reader = NodeReader { features: &features, nodes: 0 };
    let tree = reader.read(&wire.tree, "tree", 0)?;
    let mut forest = Vec::with_capacity(wire.forest.len());
    for (i, value) in wire.forest.iter().enumerate() {
        forest.push(reader.read(value, &format!("forest[{i}]"), 0)?);
    }
    Ok(Model {
        name: wire.name,
        features,
        tree,
        forest,
        shape: wire.shape,
        witnesses: wire.witnesses,
        unclear: wire.unclear,
        subtype: wire.subtype,
        training: wire.training,
        figures: wire.figures,
    })
}

/// Digest of the training table that a model file of this version or of 0.1.0 names.
pub fn training_digest(bytes: &[u8]) -> Option<String> {
    #[derive(Deserialize)]
    struct Named {
        training: Training,
    }
    serde_json::from_slice::<Named>(bytes).ok().map(|n| n.training.digest)
}

/// Writes a model, indented, one line at the end.
fn write(model: &Model) -> Vec<u8> {
    let names: Vec<&str> = model.features.iter().map(|f| f.feature.name).collect();
    let wire = Wire {
        format: MODEL_FORMAT.to_owned(),
        features_schema: FEATURE_SCHEMA.to_owned(),
        name: model.name.clone(),
        classes: class_words(),
        features: model.features.iter().map(write_feature).collect(),
        shape: model.shape,
        witnesses: model.witnesses,
        unclear: model.unclear,
        subtype: model.subtype.clone(),
        training: model.training.clone(),
        figures: model.figures.clone(),
        tree: write_node(&model.tree, &names),
        forest: model.forest.iter().map(|t| write_node(t, &names)).collect(),
    };
    let mut bytes = serde_json::to_vec_pretty(&wire).expect("plain structs of strings and numbers serialise");
    bytes.push(b'\n');
    bytes
}

fn text(value: Option<Value>) -> String {
    match value {
        Some(Value::String(s)) => s,
        Some(other) => other.to_string().chars().take(40).collect(),
        None => String::new(),
    }
}

/// `name/2.1` -> `name/2`.
fn major(schema: &str) -> &str {
    let slash = schema.find('/').unwrap_or(0);
    schema[slash..].find('.').map_or(schema, |dot| &schema[..slash + dot])
}

fn bad(field: impl Into<String>, reason: impl Into<String>) -> ModelError {
    ModelError::Value { field: field.into(), reason: reason.into() }
}

fn read_feature(wire: WireFeature) -> Result<ModelFeature, ModelError> {
    let Some(feature) = registered(&wire.name) else {
        return Err(ModelError::UnknownFeature { name: wire.name });
    };
    if feature.unit != wire.unit {
        return Err(ModelError::Unit { name: wire.name, found: wire.unit, expected: feature.unit });
    }
    let range = match (wire.low, wire.high) {
        (Some(low), Some(high)) if low <= high => Some((low, high)),
        (None, None) => None,
        _ => return Err(bad(format!("features, {}", wire.name), "low and high are no range")),
    };
    Ok(ModelFeature { feature, range })
}

fn write_feature(f: &ModelFeature) -> WireFeature {
    WireFeature {
        name: f.feature.name.to_owned(),
        unit: f.feature.unit.to_owned(),
        low: f.range.map(|r| r.0),
        high: f.range.map(|r| r.1),
    }
}

fn check_names(features: &[ModelFeature]) -> Result<(), ModelError> {
    let mut names: Vec<_> = features.iter().map(|f| f.feature.name).collect();
    names.sort_unstable();
    match names.windows(2).find(|pair| pair[0] == pair[1]) {
        Some(pair) => Err(bad("features", format!("{} is there twice", pair[0]))),
        None => Ok(()),
    }
}

fn check_numbers(shape: &ShapeRule, witnesses: &Witnesses, band: &UnclearBand) -> Result<(), ModelError> {
    if shape.softness < 0.0 || shape.shrinkage < 0.0 {
        return Err(bad("shape", "softness and shrinkage must be at least 0"));
    }
    for (name, witness) in [("shape", &witnesses.shape), ("appearance", &witnesses.appearance)] {
        // A negative slope would turn the witness round.
        if witness.calibration.slope < 0.0 {
            return Err(bad(format!("witnesses, {name}"), "slope must be at least 0"));
        }
        if witness.cap < 0.0 || !(0.0..=1.0).contains(&witness.weight) {
            return Err(bad(format!("witnesses, {name}"), "cap must be at least 0 and weight 0 to 1"));
        }
    }
    if witnesses.decided < 0.0 {
        return Err(bad("witnesses", "decided must be at least 0"));
    }
    if !(0.0 <= band.low && band.low <= band.high && band.high <= 1.0) {
        return Err(bad("unclear", "expected 0 <= low <= high <= 1"));
    }
    Ok(())
}

struct NodeReader<'a> {
    features: &'a [ModelFeature],
    nodes: usize,
}

impl NodeReader<'_> {
    fn read(&mut self, value: &Value, at: &str, depth: usize) -> Result<Node, ModelError> {
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
    if counts.len() != list.len() || counts.len() != super::CLASSES.len() { Err(wrong()) } else { Ok(counts) }
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

fn write_node(node: &Node, names: &[&str]) -> Value {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_major_version_is_what_is_compared() {
        assert_eq!(major("breakface-features/1.4"), "breakface-features/1");
        assert_eq!(major("breakface-features/2"), "breakface-features/2");
        assert_eq!(major(""), "");
        assert_eq!(major("é.1/x"), "é.1/x");
    }

    #[test]
    fn numbers_are_read_as_they_were_written() {
        // Found by fuzzing: a parser that is off by one in the last place makes another model of it.
        let text = String::from_utf8(crate::tree::Model::bundled().unwrap().to_json()).unwrap();
        let (before, rest) = text.split_once("\"softness\":").unwrap();
        let after = &rest[rest.find([',', '}']).unwrap()..];
        for number in ["0.9413265306122449", "0.1234567890123456", "0.30000000000000004", "2.2250738585072011e-308"] {
            let model = read(format!("{before}\"softness\":{number}{after}").as_bytes()).unwrap();
            assert_eq!(model.shape.softness, number.parse::<f64>().unwrap());
            assert_eq!(read(&model.to_json()).unwrap().digest(), model.digest());
        }
    }
}
