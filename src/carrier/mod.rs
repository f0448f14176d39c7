//! Measured ends of one picture -> carriers.
//!
//! Two ends belong together the more, the closer their tips lie across the line, the more alike their shafts run, the fewer
//! other ends and the narrower the gaps between them, the better each lies in the other's cut plane, and the more alike
//! their dye. These add up to the log odds of a pair ([`pairs`]); groups grow as long as the mean log odds between them
//! favour it ([`linkage`]). Labels play no part: grouping by label would make carriers look more alike inside than they are.

use crate::measure::MeasuredEnd;
use crate::settings::CarrierSettings;
use crate::units::Point;

// Shafts -> what speaks for and against each pair.
pub mod pairs;

// Log odds of pairs -> groups.
pub mod linkage;

// Pairs of known carriers -> weights.
pub mod learn;

/// What is known of the picture whose ends are grouped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Width, px.
    pub width_px: u32,
    /// Height, px.
    pub height_px: u32,
    /// Carriers of the braid, when given: the most there can be, not how many are seen.
    pub carriers: Option<u32>,
}

/// What grouping looks at of one end.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CarrierInput {
    /// Tip, px.
    pub tip: Point,
    /// Direction out of the fibre, degrees.
    pub axis_deg: f64,
    /// Diameter, px.
    pub diameter_px: f64,
    /// Direction of the end's straight edge in the picture, degrees, when it has one.
    pub edge_deg: Option<f64>,
    /// Hue of the dye, degrees, when there is any.
    pub hue_deg: Option<f64>,
}

impl CarrierInput {
    /// The shaft of a measured end; `None` when its diameter is not known.
    pub fn of(end: &MeasuredEnd, settings: &CarrierSettings) -> Option<Self> {
        let get = |name: &str| end.features.get(name);
        let diameter_px = get("shaft_diameter_px").filter(|d| *d > 0.0)?;
        let flat = get("flatness").is_some_and(|f| f <= settings.edge_flatness);
        let dyed = get("dye_saturation").is_some_and(|s| settings.dye_saturation <= s);
        Some(Self {
            tip: end.tip,
            axis_deg: end.axis_deg,
            diameter_px,
            edge_deg: get("cut_angle_deg").filter(|_| flat).map(|cut| edge_direction_deg(end.axis_deg, cut)),
            hue_deg: get("dye_hue_deg").filter(|_| dyed),
        })
    }
}

/// Direction of an end's straight edge in the picture, degrees modulo 180, from the axis and the signed cut angle (positive
/// when the side (−sin axis, cos axis) lies further out).
pub fn edge_direction_deg(axis_deg: f64, cut_angle_deg: f64) -> f64 {
    axis_deg + 90.0 - cut_angle_deg
}

/// Carrier of each end, numbered from 1 in order of the first end; `None` = belongs to no group.
pub fn group(ends: &[MeasuredEnd], view: &View, settings: &CarrierSettings) -> Vec<Option<u32>> {
    let shafts: Vec<(usize, CarrierInput)> =
        ends.iter().enumerate().filter_map(|(i, e)| CarrierInput::of(e, settings).map(|s| (i, s))).collect();
    let plain: Vec<CarrierInput> = shafts.iter().map(|(_, s)| *s).collect();
    let mut carriers = vec![None; ends.len()];
    for ((i, _), carrier) in shafts.iter().zip(group_inputs(&plain, view, settings)) {
        carriers[*i] = carrier;
    }
    carriers
}

/// As [`group`], of shafts alone.
pub fn group_inputs(shafts: &[CarrierInput], view: &View, settings: &CarrierSettings) -> Vec<Option<u32>> {
    if shafts.len() < 2 || settings.most_ends < shafts.len() {
        return vec![None; shafts.len()];
    }
    let scene = pairs::Scene::new(shafts);
    let mut log_odds = linkage::Pairwise::new(shafts.len());
    scene.each_pair(|i, j, evidence| log_odds.set(i, j, settings.weights.log_odds(&evidence)));
    let rule = linkage::Rule {
        at_least: settings.join_log_odds,
        most_groups: view.carriers.map(|n| n as usize),
        at_least_beyond: settings.join_log_odds - settings.prior_log_odds,
        fewest_members: settings.fewest_members,
    };
    linkage::average(log_odds, &rule)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bundle(across: f64, axis_deg: f64, n: usize) -> impl Iterator<Item = CarrierInput> {
        // Ten-pixel fibres, tips 1.4 diameters apart across the line, a little ragged along it.
        (0..n).map(move |i| CarrierInput {
            tip: Point::new(600.0 + (i * 7 % 5) as f64 * 6.0, across + i as f64 * 14.0),
            axis_deg: axis_deg + (i % 3) as f64,
            diameter_px: 10.0,
            ..CarrierInput::default()
        })
    }

    const VIEW: View = View { width_px: 1600, height_px: 1200, carriers: None };

    #[test]
    fn bundles_far_apart_are_two_carriers() {
        let shafts: Vec<CarrierInput> = bundle(100.0, 5.0, 9).chain(bundle(800.0, -12.0, 8)).collect();
        let found = group_inputs(&shafts, &VIEW, &CarrierSettings::default());
        let expected: Vec<Option<u32>> = [Some(1)].repeat(9).into_iter().chain([Some(2)].repeat(8)).collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn turning_and_scaling_the_picture_changes_nothing() {
        let shafts: Vec<CarrierInput> =
            bundle(100.0, 5.0, 7).chain(bundle(420.0, -12.0, 8)).chain(bundle(800.0, 3.0, 6)).collect();
        let turned: Vec<CarrierInput> = shafts
            .iter()
            .map(|s| CarrierInput {
                tip: Point::new(-s.tip.y * 3.0, s.tip.x * 3.0),
                axis_deg: s.axis_deg + 90.0,
                diameter_px: s.diameter_px * 3.0,
                ..*s
            })
            .collect();
        let settings = CarrierSettings::default();
        assert_eq!(group_inputs(&shafts, &VIEW, &settings), group_inputs(&turned, &VIEW, &settings));
    }

    #[test]
    fn few_ends_and_lonely_ends_stay_ungrouped() {
        let settings = CarrierSettings::default();
        assert!(group_inputs(&[], &VIEW, &settings).is_empty());
        let mut shafts: Vec<CarrierInput> = bundle(100.0, 5.0, 8).collect();
        assert_eq!(group_inputs(&shafts[..1], &VIEW, &settings), [None]);
        shafts.push(CarrierInput {
            tip: Point::new(60.0, 1100.0),
            axis_deg: 170.0,
            diameter_px: 10.0,
            ..CarrierInput::default()
        });
        let found = group_inputs(&shafts, &VIEW, &settings);
        assert_eq!(found[8], None);
        assert!(found[..8].iter().all(|c| *c == Some(1)));
        // Ends in one place must not break anything.
        assert_eq!(group_inputs(&vec![shafts[0]; 5], &VIEW, &settings).len(), 5);
    }

    #[test]
    fn the_edge_direction_follows_the_signed_cut_angle() {
        // Fibre pointing right; the lower side (+y) further out by 45°: the edge runs down and to the right at 45°.
        assert_eq!(edge_direction_deg(0.0, 45.0), 45.0);
        assert_eq!(edge_direction_deg(0.0, 0.0), 90.0);
    }
}
