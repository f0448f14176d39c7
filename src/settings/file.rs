//! Settings as a file: read from TOML, and written out with what each of them means.

use super::data::{EFFECTIVE, leaves};
use super::described::{Described, Setting};
use super::error::SettingsError;
use super::limits::{FREE, numbers};
use super::{Settings, limits, versions};
use crate::tabular::format_number;

impl Settings {
    /// Reads settings from a TOML file; keys left out keep their default.
    ///
    /// # Errors
    /// When the file cannot be read, is not TOML, names a key that does not exist, or holds a value out of its limits. The error
    /// of a file for version 0.1.0 names every key that has to change, and how.
    pub fn load(path: &std::path::Path) -> Result<Self, SettingsError> {
        let name = path.display().to_string();
        let text = crate::files::read_text(path)
            .map_err(|e| SettingsError::Unreadable { path: name.clone(), reason: e.to_string() })?;
        let malformed = |reason: String| SettingsError::Malformed { path: name.clone(), reason };
        if let Ok(table) = text.parse::<toml::Table>() {
            if let Some(way_out) = versions::way_out_of_old_names(&table) {
                return Err(malformed(way_out));
            }
            // Before types are looked at: -1 is out of its limits rather than "no u32".
            limits::check_table(&table)?;
        }
        let settings: Self = toml::from_str(&text).map_err(|e| malformed(one_line(&e, &text)))?;
        settings.check()?;
        Ok(settings)
    }

    /// Those of a file, or the defaults where none is given.
    ///
    /// # Errors
    /// As [`Settings::load`].
    pub fn load_or_default(path: Option<&std::path::Path>) -> Result<Self, SettingsError> {
        path.map_or_else(|| Ok(Self::default()), Self::load)
    }

    /// The settings as TOML, every key written out.
    ///
    /// # Errors
    /// When a value has no TOML form, which is a fault of the program.
    pub fn to_toml(&self) -> Result<String, SettingsError> {
        toml::to_string_pretty(self)
            .map_err(|e| SettingsError::Malformed { path: EFFECTIVE.into(), reason: e.to_string() })
    }

    /// Every setting with its meaning, in the order of the file; sections too.
    pub fn describe() -> Vec<Setting> {
        let mut settings = Vec::new();
        <Self as Described>::describe("", &mut settings);
        settings
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

/// What the parser says, and the line of the file that it says it of.
fn one_line(error: &toml::de::Error, text: &str) -> String {
    let said = error.message().split_whitespace().collect::<Vec<_>>().join(" ");
    let Some(before) = error.span().and_then(|span| text.get(..span.start)) else { return said };
    let number = before.matches('\n').count();
    format!("{said} (line {}: {})", number + 1, text.lines().nth(number).unwrap_or_default().trim())
}

/// Longest line of a comment, characters.
const LINE: usize = 100;

fn comment(setting: &Setting, default: &[Option<f64>]) -> String {
    let mut text = setting.meaning.clone();
    let name = setting.key.rsplit('.').next().unwrap_or_default();
    let limits = default.iter().flatten().filter(|_| !FREE.contains(&name)).map(|default| {
        let limits = limits::limits(&setting.key, *default);
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
    fn commented_settings_are_the_settings() {
        let text = Settings::default().to_commented_toml().unwrap();
        assert_eq!(toml::from_str::<Settings>(&text).unwrap(), Settings::default());
        let comments = text.lines().filter(|l| l.starts_with("# ")).count();
        assert!(text.lines().filter(|l| l.contains(" = ")).count() <= comments, "a comment over every setting");
        assert!(text.lines().filter(|l| l.starts_with('#')).all(|l| l.chars().count() <= LINE));
    }
}
