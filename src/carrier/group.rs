//! Ends of one picture -> carriers.

use super::input::{CarrierInput, View};
use super::weights::PairWeights;
use super::{linkage, pairs};
use crate::measure::MeasuredEnd;
use crate::network::NetworkError;
use crate::settings::CarrierSettings;

/// Carrier of each end, numbered from 1 in order of the first end; `None` = belongs to no group.
///
/// # Errors
/// When the bundled weights are unusable, which is a fault of the build.
pub fn group(ends: &[MeasuredEnd], view: &View, settings: &CarrierSettings) -> Result<Vec<Option<u32>>, NetworkError> {
    let weights = PairWeights::bundled()?;
    let shafts: Vec<(usize, CarrierInput)> =
        ends.iter().enumerate().filter_map(|(i, e)| CarrierInput::of(e, settings).map(|s| (i, s))).collect();
    let plain: Vec<CarrierInput> = shafts.iter().map(|(_, s)| *s).collect();
    let mut carriers = vec![None; ends.len()];
    for ((i, _), carrier) in shafts.iter().zip(group_inputs(&plain, view, (settings, weights))) {
        carriers[*i] = carrier;
    }
    Ok(carriers)
}

/// As [`group`], of what it looks at alone, with these weights.
pub fn group_inputs(
    shafts: &[CarrierInput],
    view: &View,
    (settings, weights): (&CarrierSettings, &PairWeights),
) -> Vec<Option<u32>> {
    if shafts.len() < 2 || settings.most_ends < shafts.len() {
        return vec![None; shafts.len()];
    }
    let scene = pairs::Scene::new(shafts);
    let mut log_odds = linkage::Pairwise::new(shafts.len());
    scene.each_pair(|i, j, evidence| log_odds.set(i, j, weights.log_odds(&evidence)));
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
    use crate::units::Point;

    fn bundle(across: f64, axis_deg: f64, n: usize) -> impl Iterator<Item = CarrierInput> {
        // Ten-pixel fibres, tips 1.4 diameters apart across the line, a little ragged along it.
        (0..n).map(move |i| CarrierInput {
            tip: Point::new(600.0 + (i * 7 % 5) as f64 * 6.0, across + i as f64 * 14.0),
            axis_deg: axis_deg + (i % 3) as f64,
            diameter_px: 10.0,
            ..CarrierInput::default()
        })
    }

    fn grouped(inputs: &[CarrierInput]) -> Vec<Option<u32>> {
        let weights = PairWeights::bundled().expect("bundled");
        group_inputs(inputs, &VIEW, (&CarrierSettings::default(), weights))
    }

    const VIEW: View = View { width_px: 1600, height_px: 1200, carriers: None };

    #[test]
    fn bundles_far_apart_are_two_carriers() {
        let shafts: Vec<CarrierInput> = bundle(100.0, 5.0, 9).chain(bundle(800.0, -12.0, 8)).collect();
        let found = grouped(&shafts);
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
        assert_eq!(grouped(&shafts), grouped(&turned));
    }

    #[test]
    fn few_ends_and_lonely_ends_stay_ungrouped() {
        assert!(grouped(&[]).is_empty());
        let mut shafts: Vec<CarrierInput> = bundle(100.0, 5.0, 8).collect();
        assert_eq!(grouped(&shafts[..1]), [None]);
        shafts.push(CarrierInput {
            tip: Point::new(60.0, 1100.0),
            axis_deg: 170.0,
            diameter_px: 10.0,
            ..CarrierInput::default()
        });
        let found = grouped(&shafts);
        assert_eq!(found[8], None);
        assert!(found[..8].iter().all(|c| *c == Some(1)));
        // Ends in one place must not break anything.
        assert_eq!(grouped(&vec![shafts[0]; 5]).len(), 5);
    }
}
