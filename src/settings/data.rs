//! Settings as data: how a run writes them down.

use super::Settings;
use super::error::SettingsError;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// The settings of a run as its file holds them: names and values, whatever version wrote them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SettingsData(Value);

impl SettingsData {
    /// The names and values.
    pub(super) fn value(&self) -> &Value {
        &self.0
    }

    /// The settings as TOML.
    ///
    /// # Errors
    /// When a value has no TOML form.
    pub fn to_toml(&self) -> Result<String, SettingsError> {
        let wrong = |e: toml::ser::Error| SettingsError::Malformed { path: EFFECTIVE.into(), reason: e.to_string() };
        toml::to_string_pretty(&self.0).map_err(wrong)
    }
}

impl Settings {
    /// The settings as data.
    ///
    /// # Errors
    /// When a value has no JSON form, which is a fault of the program.
    pub fn to_data(&self) -> Result<SettingsData, SettingsError> {
        let wrong = |e: serde_json::Error| SettingsError::Malformed { path: EFFECTIVE.into(), reason: e.to_string() };
        serde_json::to_value(self).map(SettingsData).map_err(wrong)
    }
}

/// Name of settings that no file holds.
pub(super) const EFFECTIVE: &str = "effective settings";

/// Every value that is no section, with its dotted key.
pub(super) fn leaves(data: &Value) -> Vec<(String, Value)> {
    fn walk(prefix: &str, map: &Map<String, Value>, to: &mut Vec<(String, Value)>) {
        for (name, value) in map {
            let key = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
            match value {
                Value::Object(section) => walk(&key, section, to),
                value => to.push((key, value.clone())),
            }
        }
    }
    let mut found = Vec::new();
    if let Value::Object(map) = data {
        walk("", map, &mut found);
    }
    found
}
