//! What the company of an end says of it: its cut line and tip against the common plane of its carrier's other ends.
//!
//! Ends with carriers -> the features of [`Stage::Company`](crate::measure::Stage). An end is never compared with itself, so
//! that alone and in a pair it has no company; grouping is imperfect, so only the nearest other ends count, by their
//! own uncertainty, and those far off the rest not at all.

use std::collections::BTreeMap;

use super::cut_plane;
use crate::measure::MeasuredEnd;
use crate::robust::{mad_sd, median, weighted_median};
use crate::settings::Settings;
use crate::stats::angle::{WeightedAxis, directions, weighted_axes};
use crate::units::{Point, axial_gap_deg};

/// Fewest other ends that are a company: of one other alone nothing can be said.
const FEWEST: usize = 2;

/// Sets the features of company of every end; ends without a carrier, and those of too small ones, keep none.
pub fn set_features(ends: &mut [MeasuredEnd], carriers: &[Option<u32>], settings: &Settings) {
    let mut groups: BTreeMap<u32, Vec<(usize, Member)>> = BTreeMap::new();
    for (i, (end, carrier)) in ends.iter().zip(carriers).enumerate() {
        if let (Some(carrier), Some(member)) = (carrier, Member::of(end, settings)) {
            groups.entry(*carrier).or_default().push((i, member));
        }
    }
    for group in groups.values() {
        let members: Vec<Member> = group.iter().map(|(_, m)| *m).collect();
        for (k, (i, _)) in group.iter().enumerate() {
            let company = Company::of(k, &members, settings);
            let features = &mut ends[*i].features;
            features.set("carrier_cut_deviation_deg", company.cut_deviation_deg);
            features.set("carrier_cut_resultant", company.cut_resultant);
            features.set("carrier_plane_distance", company.plane_distance);
            features.set("carrier_tip_stagger", company.tip_stagger);
        }
    }
}

/// What company looks at of one end.
#[derive(Debug, Clone, Copy)]
struct Member {
    tip: Point,
    axis_deg: f64,
    diameter_px: f64,
    edge: Option<WeightedAxis>,
}

impl Member {
    fn of(end: &MeasuredEnd, settings: &Settings) -> Option<Self> {
        let get = |name: &str| end.features.get(name);
        let diameter_px = get("shaft_diameter_px").filter(|d| 0.0 < *d)?;
        let edge = get("cut_angle_deg")
            .zip(get("cut_angle_u_deg"))
            .map(|(cut, u)| cut_plane::edge(end.axis_deg, cut, Some(u), &settings.face));
        Some(Self { tip: end.tip, axis_deg: end.axis_deg, diameter_px, edge })
    }
}

/// An end against the others of its carrier; what cannot be told is missing.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Company {
    cut_deviation_deg: Option<f64>,
    cut_resultant: Option<f64>,
    plane_distance: Option<f64>,
    tip_stagger: Option<f64>,
}

impl Company {
    fn of(own: usize, members: &[Member], settings: &Settings) -> Self {
        let end = &members[own];
        let others = nearest(own, members, settings.carrier.company_ends);
        if others.len() < FEWEST {
            return Self::default();
        }
        let tip_stagger = stagger(end, &others);
        let edges: Vec<WeightedAxis> = others.iter().filter_map(|o| o.edge).collect();
        let plane_deg = (FEWEST <= edges.len()).then(|| cut_plane::direction_deg(&edges, &settings.face)).flatten();
        let Some(plane_deg) = plane_deg else { return Self { tip_stagger, ..Self::default() } };
        Self {
            cut_deviation_deg: end.edge.map(|e| axial_gap_deg(e.deg, plane_deg)),
            cut_resultant: weighted_axes(&edges).map(|m| m.resultant),
            plane_distance: plane_distance(end, &others, plane_deg),
            tip_stagger,
        }
    }
}

/// The nearest other members, at most so many.
fn nearest(own: usize, members: &[Member], most: usize) -> Vec<&Member> {
    let distance = |m: &Member| m.tip.distance(members[own].tip);
    let mut others: Vec<&Member> = members.iter().enumerate().filter(|(k, _)| *k != own).map(|(_, m)| m).collect();
    others.sort_by(|a, b| distance(a).total_cmp(&distance(b)));
    others.truncate(most);
    others
}

/// Distance of a tip from the plane of this direction through the middle of the other tips, diameters; tips count by how
/// sure their edges are, so that capped ends of a cut carrier do not move the plane.
fn plane_distance(end: &Member, others: &[&Member], plane_deg: f64) -> Option<f64> {
    let (sin, cos) = plane_deg.to_radians().sin_cos();
    let off = |m: &Member| cos * m.tip.y - sin * m.tip.x;
    let mut places: Vec<[f64; 2]> = others.iter().filter_map(|o| Some([off(o), o.edge?.weight])).collect();
    let middle = weighted_median(&mut places)?;
    Some((off(end) - middle).abs() / end.diameter_px)
}

/// How far tips scatter along the carrier, diameters: scaled median absolute deviation of the end and its company.
fn stagger(end: &Member, others: &[&Member]) -> Option<f64> {
    let all = || others.iter().copied().chain([end]);
    let (sin, cos) = directions(&all().map(|m| m.axis_deg).collect::<Vec<_>>())?.mean_deg?.to_radians().sin_cos();
    let along: Vec<f64> = all().map(|m| cos * m.tip.x + sin * m.tip.y).collect();
    let diameter = median(&all().map(|m| m.diameter_px).collect::<Vec<_>>())?;
    Some(mad_sd(&along, median(&along)?)? / diameter)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fibres of 10 px that point right, cut along a line at 60° to the picture's x axis; the last one lies 30 px ahead of
    /// that line and is cut square.
    fn carrier() -> Vec<Member> {
        let (sin, cos) = 60f64.to_radians().sin_cos();
        let edge = |deg: f64| Some(WeightedAxis { deg, weight: 1.0 });
        let member = |x: f64, y: f64, deg: f64| Member {
            tip: Point::new(x, y),
            axis_deg: 0.0,
            diameter_px: 10.0,
            edge: edge(deg),
        };
        let mut members: Vec<Member> =
            (0..8).map(|k| f64::from(k) * 14.0).map(|s| member(cos * s, sin * s, 60.0)).collect();
        members.push(member(cos * 50.0 + sin * 30.0, sin * 50.0 - cos * 30.0, 90.0));
        members
    }

    /// By plane geometry: 30 px off the plane are 3 diameters, a square cut is 30° off a line at 60°; all others agree.
    #[test]
    fn an_end_off_the_plane_is_told_from_those_in_it() {
        let (members, settings) = (carrier(), Settings::default());
        let odd = Company::of(8, &members, &settings);
        assert!((odd.cut_deviation_deg.expect("edges") - 30.0).abs() < 1e-9);
        assert!((odd.plane_distance.expect("edges") - 3.0).abs() < 1e-9);
        assert!((odd.cut_resultant.expect("edges") - 1.0).abs() < 1e-9);
        let even = Company::of(2, &members, &settings);
        assert!(even.cut_deviation_deg.expect("edges") < 1e-9 && even.plane_distance.expect("edges") < 1e-9);
        assert!(even.cut_resultant.expect("edges") < 1.0, "the odd one is among the others");
    }

    #[test]
    fn alone_and_in_pairs_there_is_no_company() {
        let (members, settings) = (carrier(), Settings::default());
        assert_eq!(Company::of(0, &members[..1], &settings), Company::default());
        assert_eq!(Company::of(0, &members[..2], &settings), Company::default());
        assert!(Company::of(0, &members[..3], &settings).cut_resultant.is_some());
    }

    /// Half of a carrier's ends may be another carrier's: as long as they lie farther off, they change nothing.
    #[test]
    fn ends_of_another_carrier_farther_off_change_nothing() {
        let mut members = carrier();
        let far = members.iter().map(|m| Member {
            tip: Point::new(m.tip.x + 900.0, m.tip.y),
            edge: Some(WeightedAxis { deg: 5.0, weight: 1.0 }),
            ..*m
        });
        let far: Vec<Member> = far.collect();
        let mut settings = Settings::default();
        settings.carrier.company_ends = 8;
        let alone = Company::of(3, &members, &settings);
        members.extend(far);
        assert_eq!(Company::of(3, &members, &settings), alone);
    }
}
