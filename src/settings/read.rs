//! Thresholds of reading pictures and finding what is burnt into them.

use super::bar::BarSettings;
use super::described::section;
use serde::{Deserialize, Serialize};

section! {
    /// Settings of [`crate::micrograph`].
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct ReadSettings {
        /// Smallest side of a picture, px (64: below that no fibre end with its shaft fits in).
        pub min_side_px: u32,
        /// Largest side of a picture, px (20 000: bounds the memory; larger = more memory).
        pub max_side_px: u32,
        /// Most memory that one decoded picture may take, MB (1300: 20 000 x 20 000 px in 8-bit colour).
        pub max_decode_mb: u64,
        /// Longest picture file, MB (1600: a picture of `max_decode_mb` without compression, with room for its tags).
        pub max_file_mb: u64,
        /// Range of scales that a microscope gives, µm per px; a file that claims another is not believed
        /// (0.00001 to 1000: from below the size of an atom to a millimetre).
        pub plausible_um_per_px: [f64; 2],
        /// A resolution tag that gives this many µm per px or more is a print or screen default, no calibration
        /// (10.5 µm = 2400 dpi: there a 40 µm fibre has 4 px, too few to grade). Larger = more tags are believed.
        pub print_um_per_px_min: f64,
        /// Finding captions and scale bars.
        pub burnt_in: BurntInSettings,
    }
}

impl Default for ReadSettings {
    fn default() -> Self {
        Self {
            min_side_px: 64,
            max_side_px: 20_000,
            max_decode_mb: 1300,
            max_file_mb: 1600,
            plausible_um_per_px: [1e-5, 1e3],
            print_um_per_px_min: 10.5,
            burnt_in: BurntInSettings::default(),
        }
    }
}

section! {
    /// Settings of the search for captions, information bars and scale bars.
    ///
    /// Defaults were set on rendered training pictures and looked at on electron micrographs with information bars; shares
    /// are of the picture's width or height, greys of 255.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct BurntInSettings {
        /// How far greys of one flat colour may differ (3: compression). Larger = rougher strips are found.
        pub flat_step: u8,
        /// Smallest share of a row of an information bar that is its ground. Smaller = denser text is allowed.
        pub strip_row_share: f64,
        /// Smallest share of ground in the rows at its border, which hold no text.
        pub strip_border_share: f64,
        /// Largest share of that same grey in the picture beside it. Larger = strips on nearly black pictures are found.
        pub strip_outside_share: f64,
        /// Smallest height of an information bar.
        pub strip_height_min: f64,
        /// Largest height of an information bar.
        pub strip_height_max: f64,
        /// Grey from which a pixel can be white ink.
        pub white_from: u8,
        /// Grey up to which a pixel can be black ink.
        pub black_to: u8,
        /// Smallest difference between the channels of coloured ink.
        pub colour_span: u8,
        /// How far from its bar the text is looked for.
        pub bar_text_reach: f64,
        /// Smallest letter.
        pub letter_height_min: f64,
        /// Smallest letter, px.
        pub letter_height_min_px: u32,
        /// Largest letter.
        pub letter_height_max: f64,
        /// Largest width of a letter over its height.
        pub letter_aspect_max: f64,
        /// Smallest inked share of a letter's box.
        pub letter_fill_min: f64,
        /// Smallest step of grey across the edges of a letter, of 255.
        pub letter_edge_min: f64,
        /// Largest mean inked share of the letters of a line: letters have holes, blobs have none.
        pub letter_fill_mean_max: f64,
        /// Fewest letters of equal height that make a line of text by themselves.
        pub line_letters_min: u32,
        /// How far tops and feet of neighbours may differ, of the letter height.
        pub line_slack: f64,
        /// Largest gap between neighbours, of the letter height.
        pub line_gap: f64,
        /// Margin around what was found, of the letter height.
        pub pad: f64,
        /// Smallest margin, px.
        pub pad_min_px: u32,
        /// Scale bars.
        pub bar: BarSettings,
        /// Marks of any form.
        pub marks: MarkSettings,
    }
}

impl Default for BurntInSettings {
    fn default() -> Self {
        Self {
            flat_step: 3,
            strip_row_share: 0.45,
            strip_border_share: 0.97,
            strip_outside_share: 0.7,
            strip_height_min: 0.02,
            strip_height_max: 0.2,
            white_from: 225,
            black_to: 25,
            colour_span: 130,
            bar_text_reach: 0.06,
            letter_height_min: 0.008,
            letter_height_min_px: 7,
            letter_height_max: 0.045,
            letter_aspect_max: 1.8,
            letter_fill_min: 0.15,
            letter_edge_min: 70.0,
            letter_fill_mean_max: 0.75,
            line_letters_min: 3,
            line_slack: 0.12,
            line_gap: 0.8,
            pad: 0.4,
            pad_min_px: 5,
            bar: BarSettings::default(),
            marks: MarkSettings::default(),
        }
    }
}

section! {
    /// Settings of the search for drawn marks of any colour and form.
    ///
    /// A drawn mark ends within a pixel or two all round, what the optics drew fades. The defaults are ours; `tests/suite/marks.rs`
    /// checks on real and rendered pictures that most marks drawn over them are masked, and hardly anything else.
    #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    pub struct MarkSettings {
        /// Smallest longer side, px (6: smaller ones are no larger than specks of noise).
        pub least_px: u32,
        /// Smallest area, px² (12).
        pub least_area_px: u32,
        /// Largest share of the picture that one mark fills, 0..1 (0.05: larger ones are grounds).
        pub most_share: f64,
        /// Smallest difference to what lies around it, 0..255 (40: text is written to be read).
        pub contrast: f64,
        /// Share of that difference that must be reached two pixels out, 0..1 (0.8).
        pub gone_share: f64,
        /// Fewest places of the outline that tell (12).
        pub least_edges: usize,
        /// Smallest share of the outline that ends at once, for white, black and pure colours, 0..1 (0.8).
        pub sharp_share: f64,
        /// The same for hues that the picture does not have elsewhere, 0..1 (0.4: compression smears colour).
        pub sharp_share_foreign: f64,
        /// Difference between the channels of a coloured pixel, 0..255 (60).
        pub coloured: f64,
        /// Largest share of the picture that a hue may have and still be foreign to it, 0..1 (0.01).
        pub foreign_share: f64,
        /// Largest share of coloured pixels of a grey picture, 0..1 (0.05).
        pub grey_share: f64,
        /// Largest spread of its colour, 0..255 (25: compression).
        pub colour_spread: f64,
        /// Tallest letter, as a share of the picture's height, 0..1 (0.08).
        pub letter_share: f64,
        /// How far a letter reaches for others of its word on either side, of its height (0.9).
        pub letter_gap: f64,
        /// Side of the cells that cover marks of other forms, px (12).
        pub cell_px: u32,
        /// Margin, px (4).
        pub pad_px: u32,
    }
}

impl Default for MarkSettings {
    fn default() -> Self {
        Self {
            least_px: 6,
            least_area_px: 12,
            most_share: 0.05,
            contrast: 40.0,
            gone_share: 0.8,
            least_edges: 12,
            sharp_share: 0.8,
            sharp_share_foreign: 0.4,
            coloured: 60.0,
            foreign_share: 0.01,
            grey_share: 0.05,
            colour_spread: 25.0,
            letter_share: 0.08,
            letter_gap: 0.9,
            cell_px: 12,
            pad_px: 4,
        }
    }
}
