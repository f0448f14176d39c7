//! Many tests at once.

/// p-values adjusted for the false discovery rate, in the order given.
///
/// Source: Benjamini and Hochberg 1995, Journal of the Royal Statistical Society B 57:289.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]).then(a.cmp(b)));
    let mut adjusted = vec![1.0; p.len()];
    let mut smallest: f64 = 1.0;
    for (i, index) in order.iter().enumerate().rev() {
        smallest = smallest.min(p[*index] * p.len() as f64 / (i + 1) as f64);
        adjusted[*index] = smallest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fifteen_p_values_of_1995() {
        // Benjamini and Hochberg 1995, section 3.2; adjusted values from statsmodels (check values 4.5).
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
            0.7590, 1.0,
        ];
        let expected = [
            0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.581182, 0.714875,
            0.753231, 0.813214, 1.0,
        ];
        let adjusted = benjamini_hochberg(&p);
        for (found, expected) in adjusted.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-6, "{found} instead of {expected}");
        }
        assert_eq!(adjusted.iter().filter(|q| **q <= 0.05).count(), 4);
        let mut backwards: Vec<f64> = p.iter().rev().copied().collect();
        backwards = benjamini_hochberg(&backwards);
        backwards.reverse();
        assert_eq!(backwards, adjusted);
        assert!(benjamini_hochberg(&[]).is_empty());
    }
}
