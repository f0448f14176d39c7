//! What each setting means, where its limits lie, and the settings as text with both.

use super::data::leaves;
use super::{Settings, SettingsError};
use crate::tabular::format_number;
use serde_json::Value;
use std::ops::RangeInclusive;

/// One setting as a person reads of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Dotted key.
    pub key: String,
    /// Meaning, unit, default and where that comes from.
    pub meaning: String,
}

/// Something whose settings are described: a section, or a value, which has none of its own.
pub(super) trait Described {
    /// Adds the settings within; `prefix` is the dotted key of the section.
    fn describe(_prefix: &str, _to: &mut Vec<Setting>) {}
}

impl Described for f64 {}
impl Described for u8 {}
impl Described for u32 {}
impl Described for u64 {}
impl Described for i32 {}
impl Described for usize {}
impl Described for (f64, f64) {}
impl<const N: usize> Described for [f64; N] {}

/// Declares a section of settings whose doc comments are their meanings.
macro_rules! section {
    ($(#[$meta:meta])* pub struct $name:ident { $($(#[doc = $doc:expr])+ pub $field:ident: $ty:ty,)+ }) => {
        $(#[$meta])*
        pub struct $name { $($(#[doc = $doc])+ pub $field: $ty,)+ }

        impl $crate::settings::described::Described for $name {
            fn describe(prefix: &str, to: &mut Vec<$crate::settings::Setting>) {
                $(
                    let dot = if prefix.is_empty() { "" } else { "." };
                    let key = format!("{prefix}{dot}{}", stringify!($field));
                    let meaning = concat!($($doc),+).trim().to_owned();
                    to.push($crate::settings::Setting { key: key.clone(), meaning });
                    <$ty as $crate::settings::described::Described>::describe(&key, to);
                )+
            }
        }
    };
}
pub(super) use section;

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
const FREE: [&str; 1] = ["seed"];

/// The least and the largest value of a setting.
///
/// A setting may be turned to a twentieth and to twenty times its default; one that is not the size of something may be turned
/// to nothing, and a share to all. A weight of evidence may change its sign.
fn limits(key: &str, default: f64) -> RangeInclusive<f64> {
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
    /// Every setting with its meaning, in the order of the file; sections too.
    pub fn describe() -> Vec<Setting> {
        let mut settings = Vec::new();
        <Self as Described>::describe("", &mut settings);
        settings
    }

    /// Checks that every value is a number within its limits.
    ///
    /// # Errors
    /// The first that is not, with its limits.
    pub fn check(&self) -> Result<(), SettingsError> {
        let (own, default) = (self.to_data()?, Self::default().to_data()?);
        for ((key, value), (_, default)) in leaves(own.value()).into_iter().zip(leaves(default.value())) {
            let name = key.rsplit('.').next().unwrap_or_default();
            if FREE.contains(&name) {
                continue;
            }
            for (value, default) in numbers(&value).into_iter().zip(numbers(&default)) {
                let limits = limits(&key, default.unwrap_or(0.0));
                // A number that is not finite has no JSON form and is missing here.
                if !value.is_some_and(|v| limits.contains(&v)) {
                    let found = value.map_or_else(|| "no number".into(), |v| format!("{v:?}"));
                    let (least, most) = (*limits.start(), *limits.end());
                    return Err(SettingsError::OutOfLimits { key, found, least, most });
                }
            }
        }
        Ok(())
    }

    /// The settings as TOML, every key written out under a comment that says what it means and how far it may be turned.
    ///
    /// # Errors
    /// When a value has no TOML form, which is a fault of the program.
    pub fn to_commented_toml(&self) -> Result<String, SettingsError> {
        let described = Self::describe();
        let default = Self::default().to_data()?;
        let defaults = leaves(default.value());
        let mut section = String::new();
        let mut out = String::new();
        for line in self.to_toml()?.lines() {
            let key = match (line.strip_prefix('['), line.split_once(" = ")) {
                (Some(name), _) if line.ends_with(']') => {
                    section = format!("{}.", name.trim_end_matches(']'));
                    name.trim_end_matches(']').to_owned()
                }
                (_, Some((name, _))) => format!("{section}{name}"),
                _ => String::new(),
            };
            if let Some(setting) = described.iter().find(|s| s.key == key) {
                let default = defaults.iter().find(|(k, _)| *k == key);
                out += &comment(setting, &default.map(|(_, value)| numbers(value)).unwrap_or_default());
            }
            out += line;
            out.push('\n');
        }
        Ok(out)
    }
}

/// The numbers of a value; `None` for one that is not finite.
fn numbers(value: &Value) -> Vec<Option<f64>> {
    match value {
        Value::Array(items) => items.iter().map(Value::as_f64).collect(),
        value => vec![value.as_f64()],
    }
}

/// Longest line of a comment, characters.
const LINE: usize = 100;

fn comment(setting: &Setting, default: &[Option<f64>]) -> String {
    let mut text = setting.meaning.clone();
    let name = setting.key.rsplit('.').next().unwrap_or_default();
    let limits = default.iter().flatten().filter(|_| !FREE.contains(&name)).map(|default| {
        let limits = limits(&setting.key, *default);
        format!("{} to {}", format_number(*limits.start()), format_number(*limits.end()))
    });
    let limits: Vec<String> = limits.collect();
    if !limits.is_empty() {
        text += &format!(" Limits: {}.", limits.join("; "));
    }
    let mut out = String::new();
    let mut line = String::from("#");
    for word in text.split_whitespace() {
        if LINE < line.chars().count() + 1 + word.chars().count() {
            out += &line;
            out.push('\n');
            line = "#".into();
        }
        line.push(' ');
        line += word;
    }
    out + &line + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_setting_says_what_it_means_and_the_defaults_are_within_their_limits() {
        Settings::default().check().unwrap();
        let described = Settings::describe();
        let data = Settings::default().to_data().unwrap();
        for (key, _) in leaves(data.value()) {
            let setting = described.iter().find(|s| s.key == key).unwrap_or_else(|| panic!("{key} is not described"));
            assert!(10 < setting.meaning.len(), "{key}");
        }
    }

    #[test]
    fn values_out_of_their_limits_are_named() {
        let mut settings = Settings::default();
        for (value, found) in [(1e308, "1e308"), (0.0, "0.0"), (f64::NAN, "no number"), (f64::INFINITY, "no number")] {
            settings.measure.finest_step_px = value;
            let said = settings.check().unwrap_err().to_string();
            assert!(said.contains("measure.finest_step_px") && said.contains(&format!("found {found}")), "{said}");
        }
    }

    #[test]
    fn commented_settings_are_the_settings() {
        let text = Settings::default().to_commented_toml().unwrap();
        assert_eq!(toml::from_str::<Settings>(&text).unwrap(), Settings::default());
        let comments = text.lines().filter(|l| l.starts_with("# ")).count();
        assert!(text.lines().filter(|l| l.contains(" = ")).count() <= comments, "a comment over every setting");
        assert!(text.lines().filter(|l| l.starts_with('#')).all(|l| l.chars().count() <= LINE));
    }
}
