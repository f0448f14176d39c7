//! Shafts of one picture -> evidence on each pair, free of scale: lengths in shaft diameters, directions against the line's.

use super::input::CarrierInput;
use crate::units::{axial_gap_deg, direction_gap_deg};

/// Kinds of evidence.
pub const N_EVIDENCE: usize = 15;

/// Names of the evidence, in one order: distance across and along the line, ln(1 + diameters); turn between the shafts, tens of
/// degrees; ends between them across the line and place among each other's neighbours, ln(1 + places); widest gap on the way and
/// spacing of the picture's ends, ln(1 + diameters); ends of the picture, ln; distances and ends between as shares; turn between
/// their straight edges, tens of degrees, and whether both have one; distance from each other's edge line, ln(1 + diameters); turn
/// between their hues, right angles.
pub const EVIDENCE: [&str; N_EVIDENCE] = [
    "across",
    "along",
    "turn",
    "between",
    "neighbours",
    "widest_gap",
    "crowding",
    "count",
    "across_share",
    "along_spacings",
    "between_share",
    "edge_turn",
    "edges_known",
    "off_plane",
    "hue",
];

/// What speaks for or against two ends sharing a carrier, in the order of [`EVIDENCE`].
pub type Evidence = [f64; N_EVIDENCE];

/// Degrees that count as one unit of turn; only scales a weight.
const TURN_UNIT_DEG: f64 = 10.0;
/// Largest turn that is told apart, degrees.
const MOST_TURN_DEG: f64 = 90.0;
/// Stands for edges that are not known: evidence that is cancelled by the weight of `edges_known`.
const EDGE_TURN_UNKNOWN: f64 = 1.0;
/// As above, for the distance from the cut plane.
const OFF_PLANE_UNKNOWN: f64 = 3.0;
/// Neighbour whose distance stands for the spacing of ends.
const SPACING_NEIGHBOUR: usize = 3;

/// All shafts of a picture, laid along the line.
pub struct Scene<'a> {
    shafts: &'a [CarrierInput],
    /// Across and along the line, diameters.
    place: Vec<(f64, f64)>,
    /// Place in the order across the line.
    order: Vec<usize>,
    /// Steps between neighbours in that order.
    steps: Vec<f64>,
    /// `rank[i][j]` = j is the rank-th nearest of i, from 0.
    rank: Vec<Vec<u16>>,
    spacing: f64,
    range: f64,
    diameter: f64,
}

impl<'a> Scene<'a> {
    /// Lays the shafts (two at least) along their mean direction.
    pub fn new(shafts: &'a [CarrierInput]) -> Self {
        let n = shafts.len();
        let line = crate::stats::angle::directions(&shafts.iter().map(|s| s.axis_deg).collect::<Vec<_>>())
            .and_then(|m| m.mean_deg)
            .unwrap_or(0.0);
        let diameters: Vec<f64> = shafts.iter().map(|s| s.diameter_px).collect();
        let diameter = crate::robust::median(&diameters).filter(|d| *d > 0.0).unwrap_or(1.0);
        let (sin, cos) = line.to_radians().sin_cos();
        let place: Vec<(f64, f64)> = shafts
            .iter()
            .map(|s| ((-sin * s.tip.x + cos * s.tip.y) / diameter, (cos * s.tip.x + sin * s.tip.y) / diameter))
            .collect();
        let mut sorted: Vec<usize> = (0..n).collect();
        sorted.sort_by(|a, b| place[*a].0.total_cmp(&place[*b].0).then(a.cmp(b)));
        let mut order = vec![0; n];
        sorted.iter().enumerate().for_each(|(rank, i)| order[*i] = rank);
        let steps: Vec<f64> = sorted.windows(2).map(|p| place[p[1]].0 - place[p[0]].0).collect();
        let (rank, third) = ranks(&place);
        Self {
            shafts,
            spacing: crate::robust::median(&third).unwrap_or(1.0).max(f64::EPSILON),
            range: steps.iter().sum::<f64>() + 1.0,
            place,
            order,
            steps,
            rank,
            diameter,
        }
    }

    /// Evidence on every pair (i < j).
    pub fn each_pair(&self, mut visit: impl FnMut(usize, usize, Evidence)) {
        let n = self.shafts.len();
        let mut by_order = vec![0; n];
        self.order.iter().enumerate().for_each(|(i, rank)| by_order[*rank] = i);
        for low in 0..n {
            let mut widest: f64 = 0.0;
            for high in low + 1..n {
                widest = widest.max(self.steps[high - 1]);
                let (a, b) = (by_order[low], by_order[high]);
                let (i, j) = (a.min(b), a.max(b));
                visit(i, j, self.evidence(i, j, (high - low) as f64, widest));
            }
        }
    }

    fn evidence(&self, i: usize, j: usize, between: f64, widest: f64) -> Evidence {
        let n = self.shafts.len() as f64;
        let (p, q) = (&self.shafts[i], &self.shafts[j]);
        let across = (self.place[i].0 - self.place[j].0).abs();
        let along = (self.place[i].1 - self.place[j].1).abs();
        let turn = direction_gap_deg(p.axis_deg, q.axis_deg).min(MOST_TURN_DEG);
        let neighbours = f64::from(self.rank[i][j].max(self.rank[j][i]));
        let (edge_turn, edges_known, off_plane) = match (p.edge_deg, q.edge_deg) {
            (Some(a), Some(b)) => {
                let off = (self.off_plane(i, j, a) + self.off_plane(i, j, b)) / 2.0;
                (axial_gap_deg(a, b) / TURN_UNIT_DEG, 1.0, off.ln_1p())
            }
            _ => (EDGE_TURN_UNKNOWN, 0.0, OFF_PLANE_UNKNOWN),
        };
        let hue = match (p.hue_deg, q.hue_deg) {
            (Some(a), Some(b)) => direction_gap_deg(a, b) / MOST_TURN_DEG,
            _ => 0.0,
        };
        [
            across.ln_1p(),
            along.ln_1p(),
            turn / TURN_UNIT_DEG,
            between.ln_1p(),
            neighbours.ln_1p(),
            widest.ln_1p(),
            self.spacing.ln_1p(),
            n.ln(),
            across / self.range,
            along / self.spacing,
            between / n,
            edge_turn,
            edges_known,
            off_plane,
            hue,
        ]
    }

    /// Distance between two tips at right angles to an edge, diameters.
    fn off_plane(&self, i: usize, j: usize, edge_deg: f64) -> f64 {
        let (sin, cos) = edge_deg.to_radians().sin_cos();
        let (p, q) = (self.shafts[i].tip, self.shafts[j].tip);
        ((q.x - p.x) * -sin + (q.y - p.y) * cos).abs() / self.diameter
    }
}

/// Rank of each end among the neighbours of each other end, and the distance to the third nearest (or the farthest there is).
fn ranks(place: &[(f64, f64)]) -> (Vec<Vec<u16>>, Vec<f64>) {
    let n = place.len();
    let mut third = Vec::with_capacity(n);
    let ranks = (0..n)
        .map(|i| {
            let distance = |j: usize| (place[i].0 - place[j].0).hypot(place[i].1 - place[j].1);
            let mut others: Vec<(f64, usize)> = (0..n).filter(|j| *j != i).map(|j| (distance(j), j)).collect();
            others.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            third.extend(others.get(SPACING_NEIGHBOUR - 1).or(others.last()).map(|o| o.0));
            let mut rank = vec![0; n];
            others.iter().enumerate().for_each(|(r, (_, j))| rank[*j] = u16::try_from(r).unwrap_or(u16::MAX));
            rank
        })
        .collect();
    (ranks, third)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Point;

    #[test]
    fn evidence_of_a_simple_pair() {
        let shaft = |x: f64, y: f64| CarrierInput {
            tip: Point::new(x, y),
            axis_deg: 0.0,
            diameter_px: 10.0,
            edge_deg: Some(90.0),
            hue_deg: Some(350.0),
        };
        let mut shafts = [shaft(100.0, 50.0), shaft(120.0, 90.0), shaft(90.0, 70.0)];
        shafts[1].axis_deg = 0.0;
        shafts[1].hue_deg = Some(10.0);
        let scene = Scene::new(&shafts);
        let mut seen = Vec::new();
        scene.each_pair(|i, j, e| seen.push((i, j, e)));
        assert_eq!(seen.len(), 3);
        let e = seen.iter().find(|s| (s.0, s.1) == (0, 1)).unwrap().2;
        let get = |name: &str| e[EVIDENCE.iter().position(|n| *n == name).unwrap()];
        let near = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        near(get("across"), 4f64.ln_1p());
        near(get("along"), 2f64.ln_1p());
        near(get("turn"), 0.0);
        near(get("between"), 2f64.ln_1p());
        near(get("widest_gap"), 2f64.ln_1p());
        near(get("edge_turn"), 0.0);
        near(get("off_plane"), 2f64.ln_1p());
        near(get("hue"), 20.0 / 90.0);
    }
}
