//! Settings of any version: names that have changed are followed, or the way out is told.

use super::Settings;
use super::data::{SettingsData, leaves};
use crate::renamed;
use serde_json::Value;

impl Settings {
    /// Settings from data of any version: names that have changed are followed, and what this version does not know is left at
    /// its default. Beside them the keys that were not used.
    pub fn from_data(data: &SettingsData) -> (Self, Vec<String>) {
        let mut unused = Vec::new();
        let none = || (Self::default(), leaves(data.value()).into_iter().map(|(key, _)| key).collect());
        let Ok(mut settings) = serde_json::to_value(Self::default()) else { return none() };
        for (key, value) in leaves(data.value()) {
            let key = present_name(&key);
            match at(&mut settings, &key).filter(|place| alike(place, &value)) {
                Some(place) => *place = value,
                None => unused.push(key),
            }
        }
        // By way of TOML, the form that settings are read in everywhere.
        let settings = toml::to_string(&settings).ok().and_then(|text| toml::from_str::<Self>(&text).ok());
        match settings.filter(|settings| settings.check().is_ok()) {
            Some(settings) => (settings, unused),
            None => none(),
        }
    }
}

/// The present name of a dotted key: that of the setting itself, else that of the innermost section it is in.
fn present_name(key: &str) -> String {
    let dots: Vec<usize> = key.match_indices('.').map(|(at, _)| at).chain([key.len()]).collect();
    let renamed = dots.into_iter().rev().find_map(|end| {
        let new = renamed::current(renamed::SETTINGS, &key[..end]);
        (new != &key[..end]).then(|| format!("{new}{}", &key[end..]))
    });
    renamed.unwrap_or_else(|| key.to_owned())
}

/// What to change in a settings file that has names of version 0.1.0; `None` when it has none.
pub(super) fn way_out_of_old_names(table: &toml::Table) -> Option<String> {
    let data = serde_json::to_value(table).ok()?;
    let keys: Vec<String> = leaves(&data).into_iter().map(|(key, _)| key).collect();
    let is_gone = |key: &String| {
        let within = |old: &&str| key.strip_prefix(*old).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'));
        renamed::NO_LONGER_SETTINGS.iter().any(within)
    };
    let (gone, kept): (Vec<&String>, Vec<&String>) = keys.iter().partition(|key| is_gone(key));
    let renamed = kept.iter().map(|key| (key, present_name(key))).filter(|(old, new)| old.as_str() != new.as_str());
    let renamed: Vec<String> = renamed.map(|(old, new)| format!("{old} is called {new} now")).collect();
    let mut parts = Vec::new();
    if !renamed.is_empty() {
        parts.push(format!("{}: rename it there", renamed.join(", ")));
    }
    if !gone.is_empty() {
        let gone: Vec<&str> = gone.into_iter().map(String::as_str).collect();
        parts.push(format!(
            "{}: no settings any more (part of the models, or not needed), leave them out",
            gone.join(", ")
        ));
    }
    (!parts.is_empty()).then(|| format!("has names of version 0.1.0; {}", parts.join("; ")))
}

fn at<'a>(data: &'a mut Value, key: &str) -> Option<&'a mut Value> {
    key.split('.').try_fold(data, |place, name| place.get_mut(name))
}

/// Whether two values are of one type and length.
fn alike(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b)),
        (Value::Number(a), Value::Number(b)) => a.is_f64() || a.is_f64() == b.is_f64(),
        (a, b) => std::mem::discriminant(a) == std::mem::discriminant(b) && !a.is_object(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_come_back_from_their_data() {
        let mut settings = Settings::default();
        settings.face.fewest_ends = 17;
        assert_eq!(Settings::from_data(&settings.to_data().unwrap()), (settings, Vec::new()));
    }

    #[test]
    fn fitted_numbers_are_named_as_no_settings() {
        let said = |text: &str| way_out_of_old_names(&text.parse().unwrap());
        let both = said("[measure]\nkin_spread = 0.1\nkin_least = 4\n[carrier.weights]\nbias = 1.0").unwrap();
        assert_eq!(
            both,
            "has names of version 0.1.0; measure.kin_least is called measure.picture_prior_min_ends now: rename it there; \
             carrier.weights.bias, measure.kin_spread: no settings any more (part of the models, or not needed), leave them out"
        );
        assert_eq!(said("[carrier]\nfewest_members = 3"), None);
    }

    #[test]
    fn old_names_are_followed_and_unknown_ones_left_out() {
        let text =
            r#"{"face": {"fewest_ends": 17, "colour": 3}, "find": {"min_hit": 0.25}, "read": {"min_side_px": "x"}}"#;
        let (settings, unused) = Settings::from_data(&serde_json::from_str(text).unwrap());
        assert_eq!((settings.face.fewest_ends, settings.detect.min_detection), (17, 0.25));
        assert_eq!(unused, ["face.colour", "read.min_side_px"]);
        assert_eq!(Settings::from_data(&SettingsData::default()).0, Settings::default());
    }
}
