//! Enumerations that stand in tables as one word each.

/// A value that stands in a table as a word.
pub trait Word: Copy + 'static {
    /// Every value.
    const ALL: &'static [Self];

    /// The word in the tables.
    fn as_word(self) -> &'static str;

    /// The value from its word, whatever the case and surrounding space.
    fn of_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|v| v.as_word().eq_ignore_ascii_case(word.trim()))
    }

    /// All words as a person lists them: `a, b or c`.
    fn choices() -> String {
        let words: Vec<&str> = Self::ALL.iter().map(|v| v.as_word()).collect();
        match words.split_last() {
            Some((last, [])) => (*last).to_owned(),
            Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
            None => String::new(),
        }
    }
}

/// Declares an enumeration with the word of each value.
macro_rules! words {
    ($(#[$meta:meta])* pub enum $name:ident { $($(#[$of:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$meta])*
        pub enum $name { $($(#[$of])* $variant,)+ }

        impl $name {
            /// Every value.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word in the tables.
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The value from its word in the tables, whatever the case.
            pub fn from_word(word: &str) -> Option<Self> {
                <Self as $crate::tabular::Word>::of_word(word)
            }
        }

        impl $crate::tabular::Word for $name {
            const ALL: &'static [Self] = Self::ALL;

            fn as_word(self) -> &'static str {
                self.word()
            }
        }
    };
}
pub(crate) use words;
