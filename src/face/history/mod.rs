//! In which order the fibres of a specimen failed: what its pictures support, with the evidence, or that it is not known.
//!
//! Labelled ends of a face -> [`Figures`] (where the tips of each label lie along the line, at which angle they are cut, how much
//! is cut) -> a probability of each order by a small model fitted on rendered faces of known history ([`HistoryModel`]) -> the
//! most probable one, when enough was seen and it is probable enough.
//!
//! No real break of known history stands behind this: what each order leaves behind is reasoned, and rendered by that reasoning.

use super::end::by_picture;
use super::faces::Face;
use crate::series::Kind;
use crate::settings::HistorySettings;
use crate::table::{EndRow, History, ImageRow};

// Ends -> figures of a face.
mod figures;

// Figures -> a probability of each order.
mod model;

// Figures in words.
mod evidence;

pub use figures::{FIGURES, Figures, N_FIGURES};
pub use model::{HistoryModel, ORDERS};

/// The order of failure of a specimen.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// The most probable order, or that it is not known.
    pub history: History,
    /// Probability of the most probable order by the model, told or not; missing when it was not asked.
    pub probability: Option<f64>,
    /// The evidence in words, with its numbers; why it is not known.
    pub evidence: String,
}

/// The order of failure that the pictures of a face support; `None` for controls, whose history is known, and without ends.
pub fn of_face(face: &Face, settings: &HistorySettings) -> Option<Told> {
    if matches!(face.kind(), Some(Kind::Cut | Kind::Pull)) || face.all_ends().next().is_none() {
        return None;
    }
    let not_known = |probability, evidence| Some(Told { history: History::NotKnown, probability, evidence });
    let figures = match Figures::of(face, settings) {
        Ok(figures) => figures,
        Err(reason) => return not_known(None, reason),
    };
    // A fault of the build is found by the tests of the model file; here it only means that nothing can be told.
    let Ok(model) = HistoryModel::bundled() else { return not_known(None, "the model cannot be read".into()) };
    if let Some(figure) = model.unlike(&figures, settings.unlike_sd) {
        return not_known(None, format!("{figure} is unlike all faces that the model was fitted on"));
    }
    let (order, probability) = model.most_probable(&figures);
    let words = evidence::words(&figures);
    if order == History::NotKnown {
        return not_known(
            None,
            format!("the carriers lie along the line as in no order of failure that is known; {words}"),
        );
    }
    if probability < settings.least_probability {
        let nearest = order.phrase();
        return not_known(Some(probability), format!("nearest to \"{nearest}\", but not clearly; {words}"));
    }
    Some(Told { history: order, probability: Some(probability), evidence: words })
}

/// Figures of every specimen of a run, controls left out, or why there are none: what a model is fitted on.
pub fn figures_of_run(
    ends: &[EndRow],
    pictures: &[ImageRow],
    settings: &HistorySettings,
) -> Vec<(String, Result<Figures, String>)> {
    let ends = by_picture(ends);
    let faces = super::faces::faces(&ends, pictures);
    let asked = faces.iter().filter(|f| !matches!(f.kind(), Some(Kind::Cut | Kind::Pull)));
    asked.map(|f| (f.specimen.to_owned(), Figures::of(f, settings))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::end::End;
    use crate::series::SeriesRow;
    use crate::tree::Label;

    /// Ten-pixel fibres that end to the right: (place along the line, diameters; label) each, in carriers of eight.
    fn ends(places: &[(f64, Label)], cut_deg: f64) -> Vec<End> {
        let end = |(i, (along, label)): (usize, &(f64, Label))| End {
            carrier: Some(1 + i as u32 / 8),
            label: *label,
            counted: true,
            x_px: 600.0 + 10.0 * along,
            y_px: 12.0 * i as f64,
            axis_deg: f64::from(i as u32 % 5) - 2.0,
            shaft_diameter_px: Some(10.0),
            shaft_diameter_um: None,
            shaft_diameter_u_um: None,
            cut_angle_deg: (*label == Label::Sheared).then_some(cut_deg + (i % 3) as f64),
            cut_angle_u_deg: None,
        };
        places.iter().enumerate().map(end).collect()
    }

    fn told(kind: Kind, ends: &[End]) -> Option<Told> {
        let series = SeriesRow { kind: Some(kind), counted: true, ..SeriesRow::default() };
        let picture = ImageRow { series, width_px: Some(1600), height_px: Some(1200), ..ImageRow::default() };
        let face = Face { pictures: vec![&picture], ends: vec![ends.iter().collect()], ..Face::default() };
        of_face(&face, &HistorySettings::default())
    }

    /// Places that go evenly from `low` to `high`.
    fn spread(n: usize, low: f64, high: f64, label: Label) -> Vec<(f64, Label)> {
        (0..n).map(|i| (low + (high - low) * ((i * 7) % n) as f64 / (n - 1) as f64, label)).collect()
    }

    #[test]
    fn plain_cases_of_each_order() {
        let (cut, torn) = (Label::Sheared, Label::Tensile);
        let cases = [
            ([spread(40, -1.5, 1.5, cut), spread(40, -9.0, 4.0, torn)].concat(), 15.0, History::CutFirst),
            (spread(80, -25.0, 15.0, torn), 0.0, History::Overload),
            ([spread(72, -14.0, 14.0, cut), spread(8, -8.0, 4.0, torn)].concat(), 45.0, History::CutSliding),
            ([spread(40, -14.0, -11.0, cut), spread(40, 9.0, 14.0, torn)].concat(), 15.0, History::TwoPlaces),
        ];
        for (places, cut_deg, expected) in cases {
            let found = told(Kind::Knot, &ends(&places, cut_deg)).expect("a knot");
            assert_eq!(found.history, expected, "{found:?}");
            assert!(
                found.probability.is_some_and(|p| 0.5 < p) && found.evidence.contains("labelled ends"),
                "{found:?}"
            );
        }
    }

    #[test]
    fn little_seen_is_not_known_and_controls_are_not_asked() {
        let few = told(Kind::Knot, &ends(&spread(6, -3.0, 3.0, Label::Tensile), 0.0)).expect("a knot");
        assert_eq!((few.history, few.probability), (History::NotKnown, None));
        assert!(few.evidence.contains('6'), "{few:?}");
        assert_eq!(told(Kind::Cut, &ends(&spread(60, -1.0, 1.0, Label::Sheared), 10.0)), None);
        assert_eq!(told(Kind::Knot, &[]), None);
    }

    #[test]
    fn turning_and_scaling_changes_nothing() {
        let places = [spread(40, -1.5, 1.5, Label::Sheared), spread(40, -9.0, 4.0, Label::Tensile)].concat();
        let plain = ends(&places, 15.0);
        let turned: Vec<End> = plain
            .iter()
            .map(|e| End {
                x_px: 2.0 * e.y_px,
                y_px: -2.0 * e.x_px,
                axis_deg: e.axis_deg - 90.0,
                shaft_diameter_px: Some(20.0),
                ..*e
            })
            .collect();
        let (a, b) = (told(Kind::Knot, &plain).expect("told"), told(Kind::Knot, &turned).expect("told"));
        assert_eq!(a.history, b.history);
        assert!((a.probability.unwrap_or(0.0) - b.probability.unwrap_or(1.0)).abs() < 1e-9);
    }
}
