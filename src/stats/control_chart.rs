//! Control charts of proportions over time: is what is measured on known specimens still what it was?
//!
//! Sources: Shewhart's chart of proportions (Shewhart 1931; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2);
//! widened where proportions scatter more than counting explains (Laney 2002, *Quality Engineering* 14:531), as ends of one
//! specimen do; the exponentially weighted moving average for slow drifts (Roberts 1959, *Technometrics* 1:239; e-Handbook
//! 6.3.2.4).

/// Limits lie this many standard errors from the centre line (Shewhart).
const SIGMAS: f64 = 3.0;
/// Weight of the newest value in the moving average (e-Handbook 6.3.2.4: usually 0.2 to 0.3).
pub const WEIGHT: f64 = 0.2;
/// Mean moving range of two over the standard deviation of a normal variable (e-Handbook 6.3.2.2, d2 for n = 2).
const RANGE_OF_TWO: f64 = 1.128;

/// Wrong labels of one control specimen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Count {
    /// Wrong.
    pub wrong: u64,
    /// Labelled.
    pub of: u64,
}

/// One point of a chart.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ChartPoint {
    /// Proportion.
    pub value: f64,
    /// Lower control limit.
    pub low: f64,
    /// Upper control limit.
    pub high: f64,
    /// Moving average, in standard errors from the centre line.
    pub average: f64,
    /// Limit of the moving average on either side.
    pub average_limit: f64,
    /// Whether the proportion or the moving average lies outside its limits.
    pub outside: bool,
}

/// A chart.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Chart {
    /// Centre line: the pooled proportion of the baseline.
    pub centre: f64,
    /// How many times wider proportions scatter than counting explains, at least 1.
    pub spread: f64,
    /// All points in their order.
    pub points: Vec<ChartPoint>,
}

/// The chart of `counts` in their order in time; the first `baseline` of them set centre line and limits. `None` without
/// labelled ends in the baseline. Counts of nothing are passed over.
pub fn control_chart(counts: &[Count], baseline: usize) -> Option<Chart> {
    let first: Vec<Count> = counts.iter().take(baseline).copied().filter(|c| 0 < c.of).collect();
    let (wrong, of) = first.iter().fold((0, 0), |(w, n), c| (w + c.wrong, n + c.of));
    if of == 0 {
        return None;
    }
    // A baseline without a single error (or without a right label) still allows one: half of one, as Jeffreys' prior has it.
    let centre = match wrong {
        0 => 0.5 / (of as f64 + 1.0),
        all if all == of => (of as f64 + 0.5) / (of as f64 + 1.0),
        some => some as f64 / of as f64,
    };
    let error = |c: &Count| (centre * (1.0 - centre) / c.of as f64).sqrt();
    let standardised = |c: &Count| (c.wrong as f64 / c.of as f64 - centre) / error(c);
    let scores: Vec<f64> = first.iter().map(standardised).collect();
    let spread = spread(&scores).max(1.0);
    let used: Vec<&Count> = counts.iter().filter(|c| 0 < c.of).collect();
    let scores: Vec<f64> = used.iter().map(|c| standardised(c) / spread).collect();
    let averages = moving_average(&scores, 0.0, WEIGHT);
    let points = used.iter().zip(averages).enumerate().map(|(i, (count, average))| {
        let (value, half) = (count.wrong as f64 / count.of as f64, SIGMAS * spread * error(count));
        let (low, high) = ((centre - half).max(0.0), (centre + half).min(1.0));
        let average_limit = SIGMAS * average_error(i + 1, WEIGHT);
        let outside = value < low || high < value || average_limit < average.abs();
        ChartPoint { value, low, high, average, average_limit, outside }
    });
    Some(Chart { centre, spread, points: points.collect() })
}

/// Standard deviation of standardised proportions by their mean moving range (Laney 2002); 1 when there is no range.
fn spread(scores: &[f64]) -> f64 {
    match scores.len() {
        0 | 1 => 1.0,
        n => scores.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum::<f64>() / (n - 1) as f64 / RANGE_OF_TWO,
    }
}

/// Exponentially weighted moving average, starting at `target`.
pub fn moving_average(values: &[f64], target: f64, weight: f64) -> Vec<f64> {
    values
        .iter()
        .scan(target, |average, value| {
            *average = weight * value + (1.0 - weight) * *average;
            Some(*average)
        })
        .collect()
}

/// Standard error of the moving average of `n` values, in standard deviations of one value.
pub fn average_error(n: usize, weight: f64) -> f64 {
    let settled = weight / (2.0 - weight);
    (settled * (1.0 - (1.0 - weight).powi(2 * i32::try_from(n).unwrap_or(i32::MAX / 2)))).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    // e-Handbook 6.3.3.2: misregistered chips of 50 on each of 30 wafers; mean .2313, limits .0524 and .4102, wafers 15 and
    // 23 above the upper one. Counts from memory; their sum gives the published mean.
    const WAFERS: [u64; 30] =
        [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6];

    #[test]
    fn limits_of_proportions_are_those_of_the_handbook() {
        let counts = WAFERS.map(|wrong| Count { wrong, of: 50 });
        let chart = control_chart(&counts, 30).unwrap();
        assert!((chart.centre - 0.2313).abs() < 5e-5);
        let width = (chart.points[0].high - chart.centre) / chart.spread;
        assert!((chart.centre + width - 0.4102).abs() < 5e-5 && (chart.centre - width - 0.0524).abs() < 5e-5);
    }

    // e-Handbook 6.3.2.4: target 50, s = 2.0539, weight 0.3; limits 52.5884 and 47.4115.
    #[test]
    fn the_moving_average_is_that_of_the_handbook() {
        let values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5];
        let expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33];
        for (found, expected) in moving_average(&values, 50.0, 0.3).into_iter().zip(expected) {
            assert!((found - expected).abs() < 0.011, "{found} {expected}");
        }
        assert!((50.0 + 3.0 * 2.0539 * average_error(1000, 0.3) - 52.5884).abs() < 5e-4);
    }

    #[test]
    fn a_jump_and_a_slow_drift_are_seen_and_steady_controls_are_not() {
        let steady: Vec<Count> = (0..12).map(|i| Count { wrong: 3 + i % 3, of: 100 }).collect();
        assert!(control_chart(&steady, 6).unwrap().points.iter().all(|p| !p.outside));
        let jump: Vec<Count> = steady.iter().copied().chain([Count { wrong: 30, of: 100 }]).collect();
        assert!(control_chart(&jump, 12).unwrap().points.last().unwrap().outside);
        let drift: Vec<Count> = steady.iter().copied().chain((0..12).map(|_| Count { wrong: 8, of: 100 })).collect();
        let points = control_chart(&drift, 12).unwrap().points;
        assert!(!points[12].outside && points.last().unwrap().outside);
        // No error yet is no reason to call the first one out of control.
        let none: Vec<Count> = [0, 0, 0, 1].into_iter().map(|wrong| Count { wrong, of: 60 }).collect();
        assert!(control_chart(&none, 3).unwrap().points.iter().all(|p| p.value < 0.5));
        assert_eq!(control_chart(&[Count { wrong: 0, of: 0 }], 1), None);
    }
}
