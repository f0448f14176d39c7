//! How far each setting may be turned.

use super::Settings;
use super::data::leaves;
use super::error::SettingsError;
use serde_json::Value;
use std::ops::RangeInclusive;

/// How far a setting may be turned, as a factor of its default either way: beyond it no result is worth having, and some
/// steps would take for ever.
const FACTOR: f64 = 20.0;
/// The same where the default is nothing.
const FROM_NOTHING: f64 = 100.0;
/// Endings of names of steps, lengths and sizes, of which there must be some.
const SIZES: [&str; 15] = [
    "_px", "_samples", "_reach", "_window", "_half", "_back", "_ahead", "_depth", "_along", "_sigma", "_scale",
    "_outlier", "_mb", "_side", "steps",
];
/// Settings that any value will do for.
pub(super) const FREE: [&str; 1] = ["seed"];

/// The least and the largest value of a setting.
///
/// A setting may be turned to a twentieth and to twenty times its default; one that is not the size of something may be turned
/// to nothing, and a share to all. A weight of evidence may change its sign.
pub(super) fn limits(key: &str, default: f64) -> RangeInclusive<f64> {
    let name = key.rsplit('.').next().unwrap_or(key);
    let most = if default == 0.0 { FROM_NOTHING } else { FACTOR * default.abs() };
    if key.contains(".weights.") || name.ends_with("log_odds") || default < 0.0 {
        return -most.max(FROM_NOTHING)..=most.max(FROM_NOTHING);
    }
    let is_size = 0.0 < default && SIZES.iter().any(|end| name.ends_with(end));
    let least = if is_size { default / FACTOR } else { 0.0 };
    least..=most.max(1.0)
}

impl Settings {
    /// Checks that every value is a number within its limits.
    ///
    /// # Errors
    /// The first that is not, with its limits.
    pub fn check(&self) -> Result<(), SettingsError> {
        let (own, default) = (self.to_data()?, Self::default().to_data()?);
        let mut pairs = leaves(own.value()).into_iter().zip(leaves(default.value()));
        pairs.try_for_each(|((key, value), (_, default))| check_value(&key, &value, &default))
    }
}

/// Checks the numbers of a settings file as it was written, whatever it leaves out; names and types are looked at later.
///
/// # Errors
/// The first number that is out of its limits.
pub(super) fn check_table(table: &toml::Table) -> Result<(), SettingsError> {
    let default = Settings::default().to_data()?;
    let defaults = leaves(default.value());
    let Ok(data) = serde_json::to_value(table) else { return Ok(()) };
    for (key, value) in leaves(&data) {
        match defaults.iter().find(|(known, _)| *known == key) {
            Some((_, default)) if value.is_number() || value.is_null() || value.is_array() => {
                check_value(&key, &value, default)?;
            }
            _ => {}
        }
    }
    Ok(())
}

/// Checks that the numbers of a setting are within their limits, which follow from its default.
fn check_value(key: &str, value: &Value, default: &Value) -> Result<(), SettingsError> {
    let name = key.rsplit('.').next().unwrap_or_default();
    if FREE.contains(&name) {
        return Ok(());
    }
    for (value, default) in numbers(value).into_iter().zip(numbers(default)) {
        let limits = limits(key, default.unwrap_or(0.0));
        // A number that is not finite has no JSON form and is missing here.
        if !value.is_some_and(|v| limits.contains(&v)) {
            let found = value.map_or_else(|| "no number".into(), |v| format!("{v:?}"));
            let (least, most) = (*limits.start(), *limits.end());
            return Err(SettingsError::OutOfLimits { key: key.to_owned(), found, least, most });
        }
    }
    Ok(())
}

/// The numbers of a value; `None` for one that is not finite.
pub(super) fn numbers(value: &Value) -> Vec<Option<f64>> {
    match value {
        Value::Array(items) => items.iter().map(Value::as_f64).collect(),
        value => vec![value.as_f64()],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_out_of_their_limits_are_named() {
        let mut settings = Settings::default();
        for (value, found) in [(1e308, "1e308"), (0.0, "0.0"), (f64::NAN, "no number"), (f64::INFINITY, "no number")] {
            settings.measure.finest_step_px = value;
            let said = settings.check().unwrap_err().to_string();
            assert!(said.contains("measure.finest_step_px") && said.contains(&format!("found {found}")), "{said}");
        }
    }
}
