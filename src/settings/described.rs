//! What each setting means: sections whose doc comments are the meanings of their fields.

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
