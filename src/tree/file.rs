//! The model file: readable JSON with its own format version. Bytes -> [`Model`] and back.
//!
//! Everything is checked on the way in: format, feature table, names and units, every node. Nothing in a file can
//! make reading or predicting panic or run for long.

use super::error::{MAX_BYTES, MODEL_FORMAT, ModelError, bad};
use super::file_nodes::{NodeReader, write_node};
use super::model::{Figures, Model, ModelFeature, Training, UnclearBand, class_words, registered};
use super::shape::ShapeRule;
use super::witness::Witnesses;
use crate::measure::FEATURE_SCHEMA;
use crate::settings::SubtypeSettings;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Format that 0.1.0 wrote.
const FORMAT_OF_0_1: &str = "breakface-model/1";

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
    let mut reader = NodeReader::new(&features);
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
