//! What must not change, or change in a known way, when a picture is turned, mirrored, enlarged, or its greys are stretched.
//! No outside source is needed: the transformed picture holds the same end. The networks have only learnt to be even-handed,
//! so limits are those of measuring, not of rounding.

use super::{Form, Scene, measured, picture};
use crate::detect::Candidate;
use crate::measure::MeasuredEnd;
use crate::micrograph::Micrograph;
use crate::units::{Point, direction_gap_deg};

/// A change of a square picture's grid: where a place goes, and where a direction.
struct Change {
    name: &'static str,
    place: fn(f64, f64, f64) -> (f64, f64),
    axis_deg: fn(f64) -> f64,
    /// Whether left and right change places.
    mirrors: bool,
}

const CHANGES: [Change; 5] = [
    Change { name: "quarter turn", place: |x, y, last| (last - y, x), axis_deg: |a| a + 90.0, mirrors: false },
    Change { name: "half turn", place: |x, y, last| (last - x, last - y), axis_deg: |a| a + 180.0, mirrors: false },
    Change { name: "turn back", place: |x, y, last| (y, last - x), axis_deg: |a| a - 90.0, mirrors: false },
    Change { name: "left for right", place: |x, y, last| (last - x, y), axis_deg: |a| 180.0 - a, mirrors: true },
    Change { name: "top for bottom", place: |x, y, last| (x, last - y), axis_deg: |a| -a, mirrors: true },
];

impl Change {
    fn of_picture(&self, from: &Micrograph) -> Micrograph {
        let n = from.grey.width() as usize;
        let mut values = vec![0u16; n * n];
        for (k, value) in from.grey.values().iter().enumerate() {
            let (x, y) = (self.place)((k % n) as f64, (k / n) as f64, (n - 1) as f64);
            values[y as usize * n + x as usize] = *value;
        }
        picture(from.grey.width(), values)
    }

    fn of_candidate(&self, c: &Candidate, size: u32) -> Candidate {
        let (x, y) = (self.place)(c.tip.x, c.tip.y, f64::from(size - 1));
        Candidate { tip: Point::new(x, y), axis_deg: (self.axis_deg)(c.axis_deg), ..*c }
    }
}

fn scenes() -> [Scene; 3] {
    [
        Scene { form: Form::Cut(24.0), ..Scene::new(32.0, 15.0) },
        Scene { form: Form::Cap(0.8, 0.5), ..Scene::new(32.0, -112.0) },
        Scene { form: Form::Cut(-8.0), neighbours: &[1.4], ..Scene::new(26.0, 70.0) },
    ]
}

fn get(end: &MeasuredEnd, name: &str) -> f64 {
    end.features.get(name).unwrap_or_else(|| panic!("{name} was not measured"))
}

/// Shape features agree, of cuts also the angle with its sign: a cap has no straight edge, and the line through its front
/// turns with rounding. Places in the picture are compared by the caller.
fn assert_alike(a: &MeasuredEnd, b: &MeasuredEnd, (sign, scale): (f64, f64), what: &str) {
    let width = get(b, "shaft_diameter_px") / get(a, "shaft_diameter_px") / scale - 1.0;
    assert!(width.abs() <= 0.006, "{what}: width {:.2} %", 100.0 * width);
    let bulb = get(b, "bulb_ratio") - get(a, "bulb_ratio");
    assert!(bulb.abs() <= 0.03, "{what}: bulb ratio by {bulb:.3}");
    if get(a, "cap_length") == 0.0 {
        let cut = get(b, "cut_angle_deg") - sign * get(a, "cut_angle_deg");
        assert!(cut.abs() <= 1.5, "{what}: cut angle by {cut:.2}");
    }
    for name in ["flatness", "cap_length", "asymmetry"] {
        let gap = get(b, name) - get(a, name);
        assert!(gap.abs() <= 0.05, "{what}: {name} by {gap:.3}");
    }
}

#[test]
fn turns_and_mirrors() {
    for (k, scene) in scenes().into_iter().enumerate() {
        let drawn = scene.draw();
        let candidate = scene.candidate();
        let before = measured(&drawn, &[candidate]).remove(0);
        for change in &CHANGES {
            let what = format!("scene {k}, {}", change.name);
            let after = measured(&change.of_picture(&drawn), &[change.of_candidate(&candidate, scene.size)]).remove(0);
            assert_alike(&before, &after, (if change.mirrors { -1.0 } else { 1.0 }, 1.0), &what);
            let (x, y) = (change.place)(before.tip.x, before.tip.y, f64::from(scene.size - 1));
            let tip = after.tip.distance(Point::new(x, y)) / scene.d;
            assert!(tip <= 0.03, "{what}: tip by {tip:.3} d");
            let axis = direction_gap_deg(after.axis_deg, (change.axis_deg)(before.axis_deg));
            assert!(axis <= 0.7, "{what}: axis by {axis:.2}");
        }
    }
}

/// Each pixel becomes four: lengths double, shapes stay.
#[test]
fn enlarging() {
    for (k, scene) in scenes().into_iter().enumerate() {
        let drawn = scene.draw();
        let n = scene.size as usize;
        let values = drawn.grey.values();
        let large = (0..4 * n * n).map(|i| values[(i / (2 * n)) / 2 * n + (i % (2 * n)) / 2]).collect();
        let candidate = scene.candidate();
        let place = |v: f64| 2.0 * v + 0.5;
        let enlarged = Candidate {
            tip: Point::new(place(candidate.tip.x), place(candidate.tip.y)),
            width_px: 2.0 * candidate.width_px,
            ..candidate
        };
        let before = measured(&drawn, &[candidate]).remove(0);
        let after = measured(&picture(2 * scene.size, large), &[enlarged]).remove(0);
        assert_alike(&before, &after, (1.0, 2.0), &format!("scene {k}, enlarged"));
    }
}

#[test]
fn gain_and_offset() {
    for (k, scene) in scenes().into_iter().enumerate() {
        let drawn = scene.draw();
        let candidate = scene.candidate();
        let before = measured(&drawn, &[candidate]).remove(0);
        for (gain, offset) in [(0.5, 0.0), (0.5, 0.4), (1.15, -0.05)] {
            let stretched = |v: &u16| (gain * f64::from(*v) + offset * 65_535.0).round().clamp(0.0, 65_535.0) as u16;
            let values = drawn.grey.values().iter().map(stretched).collect();
            let after = measured(&picture(scene.size, values), &[candidate]).remove(0);
            assert_alike(&before, &after, (1.0, 1.0), &format!("scene {k}, {gain} x + {offset}"));
        }
    }
}
