//! What the pictures of a break do not show: ends labelled against fibres expected, by class.

use super::view_model::Specimen;
use crate::page::values::number;
use crate::tree::Label;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Ends of one class.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Class {
    /// By the published fraction of the ends expected.
    expected: f64,
    /// Labelled so in the fullest picture of each side.
    labelled: f64,
}

/// Ends expected and labelled, sheared and tensile; `None` without expected ends or a fraction.
fn classes(specimen: &Specimen<'_>) -> Option<[Class; 2]> {
    let (expected, fraction) = specimen.row.n_expected.zip(specimen.row.sheared_fraction)?;
    let mut counts: BTreeMap<&str, [f64; 2]> = BTreeMap::new();
    for end in specimen.ends.iter().filter(|e| e.counted) {
        let of = counts.entry(end.image.as_str()).or_default();
        match end.label {
            Label::Sheared => of[0] += 1.0,
            Label::Tensile => of[1] += 1.0,
            Label::Unclear => {}
        }
    }
    let mut fullest: BTreeMap<Option<&str>, [f64; 2]> = BTreeMap::new();
    for image in &specimen.images {
        let here = counts.get(image.series.image.as_str()).copied().unwrap_or_default();
        let best = fullest.entry(image.series.side.as_deref()).or_default();
        if best[0] + best[1] < here[0] + here[1] {
            *best = here;
        }
    }
    let labelled = |class: usize| fullest.values().map(|c| c[class]).sum();
    Some([
        Class { expected: fraction * expected, labelled: labelled(0) },
        Class { expected: (1.0 - fraction) * expected, labelled: labelled(1) },
    ])
}

/// The sentence; empty where the series table does not say how many fibres there are.
pub(super) fn sentence(specimen: &Specimen<'_>) -> Markup {
    let Some([sheared, tensile]) = classes(specimen) else { return html! {} };
    let of = |class: Class| html! { (number(class.labelled, 0, "")) " of about " (number(class.expected, 0, "")) };
    html! {
        p.small {
            "Seen of the fibres expected, in the fullest picture of a side: " (of(sheared)) " sheared, " (of(tensile))
            " tensile. The rest is hidden, missed or unclear"
            @match specimen.row.recall_ratio {
                Some(ratio) => {
                    "; by the controls, sheared ends are found " (number(ratio, 2, "")) " times as often as tensile ones, \
                     and the fraction is weighed by that."
                }
                None => {
                    "; nothing tells whether one class is missed more often, so the interval is widened."
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::{EndRow, ImageRow, SpecimenRow};

    #[test]
    fn the_fullest_picture_of_each_side_counts() {
        let image = |name: &str, side: &str| {
            let mut row = ImageRow::default();
            row.series.image = name.into();
            row.series.side = Some(side.into());
            row
        };
        let images = [image("a", "standing"), image("b", "standing"), image("c", "tag")];
        let end = |image: &str, label| EndRow { image: image.into(), label, counted: true, ..EndRow::default() };
        let ends = [
            end("a", Label::Sheared),
            end("b", Label::Sheared),
            end("b", Label::Tensile),
            end("c", Label::Tensile),
            end("c", Label::Unclear),
        ];
        let row = SpecimenRow { n_expected: Some(20.0), sheared_fraction: Some(0.25), ..SpecimenRow::default() };
        let specimen = Specimen {
            row: &row,
            ends: ends.iter().collect(),
            images: images.iter().collect(),
            carriers: vec![],
            sides: vec![],
        };
        let [sheared, tensile] = classes(&specimen).expect("expected ends");
        assert_eq!((sheared.expected, sheared.labelled), (5.0, 1.0));
        assert_eq!((tensile.expected, tensile.labelled), (15.0, 2.0));
        assert!(sentence(&specimen).into_string().contains("interval is widened"));
    }
}
