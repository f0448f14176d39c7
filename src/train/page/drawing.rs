//! SVG drawings of the model page: the tree, the reliability diagram, the learning curve. Sizes are px of the drawing.

use super::render::escape;
use crate::table::format_number;
use crate::train::Learning;
use crate::train::calibrate::ReliabilityStep;
use crate::train::describe_tree::whole;
use crate::tree::shape::laplace;
use crate::tree::witness::probability;
use crate::tree::{Model, Node, Side};
use std::fmt::Write as _;

const LEAF_WIDTH: f64 = 96.0;
const ROW_HEIGHT: f64 = 84.0;
const BOX_HEIGHT: f64 = 44.0;
const SPLIT_WIDTH: f64 = 150.0;
const MARGIN: f64 = 60.0;

/// The tree: questions above, leaves below; low to the left.
pub(super) fn tree(model: &Model) -> String {
    let width = model.tree.n_leaves() as f64 * LEAF_WIDTH + 2.0 * MARGIN;
    let height = (model.tree.depth() + 1) as f64 * ROW_HEIGHT + 10.0;
    let mut place = Place { model, next_leaf: 0, lines: String::new(), boxes: String::new() };
    place.draw(&model.tree, 0, laplace(&model.tree));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.0}\" height=\"{height:.0}\" \
         viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"The tree; the text below says the same\">{}{}</svg>",
        place.lines, place.boxes
    )
}

struct Place<'a> {
    model: &'a Model,
    next_leaf: usize,
    lines: String,
    boxes: String,
}

impl Place<'_> {
    /// Draws the branch of a node whose raw probability is `p`, and says where its top is.
    fn draw(&mut self, node: &Node, depth: usize, p: f64) -> f64 {
        let y = depth as f64 * ROW_HEIGHT + 5.0;
        match node {
            Node::Leaf { counts } => {
                let x = MARGIN + (self.next_leaf as f64 + 0.5) * LEAF_WIDTH;
                self.next_leaf += 1;
                let p = probability(self.model.witnesses.shape.log_odds(p));
                let word = self.model.unclear.label(p).word();
                let second = format!("{} : {}", whole(counts[0]), whole(counts[1]));
                self.text_box(x, y, (LEAF_WIDTH - 8.0, &format!("end {word}")), [&format!("{word} {p:.2}"), &second]);
                x
            }
            Node::Split { feature, threshold, missing_goes, low, high, .. } => {
                let left = self.draw(low, depth + 1, self.model.shape.step(node, low, p));
                let right = self.draw(high, depth + 1, self.model.shape.step(node, high, p));
                let x = f64::midpoint(left, right);
                for (child, side) in [(left, Side::Low), (right, Side::High)] {
                    let dashed = if *missing_goes == side { "" } else { " stroke-opacity=\"0.55\"" };
                    let _ = write!(
                        self.lines,
                        "<path class=\"line\"{dashed} d=\"M{x:.1} {:.1}L{child:.1} {:.1}\"/>",
                        y + BOX_HEIGHT,
                        y + ROW_HEIGHT
                    );
                }
                let name = self.model.features[*feature].feature.name;
                let question = format!("≤ {}", format_number(*threshold));
                self.text_box(x, y, (SPLIT_WIDTH, "ask"), [name, &question]);
                x
            }
        }
    }

    fn text_box(&mut self, x: f64, y: f64, (width, class): (f64, &str), [first, second]: [&str; 2]) {
        let _ = write!(
            self.boxes,
            "<rect class=\"{class}\" x=\"{:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{BOX_HEIGHT}\" rx=\"6\"/>\
             <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
             <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            x - width / 2.0,
            y + 18.0,
            escape(first),
            y + 35.0,
            escape(second)
        );
    }
}

const PLOT: f64 = 260.0;
const LEFT: f64 = 56.0;
const TOP: f64 = 12.0;

/// Axes of a square plot from 0 to 1 (x) and from `y0` to 1 (y), with their names.
fn frame(x_name: &str, y_name: &str, y0: f64, inside: &str, shows: &str) -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" role=\"img\" \
         aria-label=\"{}\"><rect class=\"line\" x=\"{LEFT}\" y=\"{TOP}\" width=\"{PLOT}\" height=\"{PLOT}\"/>",
        escape(shows),
        w = LEFT + PLOT + 20.0,
        h = TOP + PLOT + 46.0
    );
    for i in 0..=4 {
        let t = f64::from(i) / 4.0;
        let (x, y) = (LEFT + t * PLOT, TOP + (1.0 - t) * PLOT);
        let _ = write!(
            out,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{t:.2}</text>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{:.2}</text>",
            TOP + PLOT + 17.0,
            LEFT - 6.0,
            y + 4.0,
            y0 + t * (1.0 - y0)
        );
    }
    let _ = write!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
         <text transform=\"translate(14 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>{inside}</svg>",
        LEFT + PLOT / 2.0,
        TOP + PLOT + 36.0,
        escape(x_name),
        TOP + PLOT / 2.0,
        escape(y_name)
    );
    out
}

/// Share of sheared ends against the probability that was said; dots grow with the number of ends.
pub(super) fn reliability(steps: &[ReliabilityStep]) -> String {
    let mut inside = format!(
        "<path class=\"line\" stroke-dasharray=\"4 4\" d=\"M{LEFT} {:.1}L{:.1} {TOP}\"/>",
        TOP + PLOT,
        LEFT + PLOT
    );
    let most = steps.iter().map(|s| s.n).max().unwrap_or(1) as f64;
    for s in steps {
        let radius = 2.5 + 6.0 * (s.n as f64 / most).sqrt();
        let (x, y) = (LEFT + s.said * PLOT, TOP + (1.0 - s.was) * PLOT);
        let _ = write!(inside, "<circle class=\"dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>");
    }
    frame(
        "probability of sheared, as said",
        "share sheared",
        0.0,
        &inside,
        "Reliability diagram; the table below has the numbers",
    )
}

/// Balanced accuracy against the share of specimens learnt from.
pub(super) fn learning(points: &[Learning]) -> String {
    const FLOOR: f64 = 0.5;
    let mut path = String::new();
    let mut dots = String::new();
    for (share, b) in points.iter().filter_map(|p| Some((p.share, p.balanced_accuracy?))) {
        let (x, y) = (LEFT + share * PLOT, TOP + (1.0 - (b.max(FLOOR) - FLOOR) / (1.0 - FLOOR)) * PLOT);
        let _ = write!(path, "{}{x:.1} {y:.1}", if path.is_empty() { "M" } else { "L" });
        let _ = write!(dots, "<circle class=\"dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>");
    }
    let inside = format!("<path class=\"curve\" d=\"{path}\"/>{dots}");
    frame(
        "share of specimens learnt from",
        "balanced accuracy",
        FLOOR,
        &inside,
        "Learning curve; the table below has the numbers",
    )
}
