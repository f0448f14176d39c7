//! Drawings of the model page: the tree, the reliability diagram, the learning curve. Sizes are CSS px.

use crate::page::plot::{self, Area, Axes, Drawn, INK, PAPER, SHEARED, SOFT, TENSILE, UNCLEAR, px, stroke, text};
use crate::table::format_number;
use crate::train::Learning;
use crate::train::calibrate::ReliabilityStep;
use crate::train::describe_tree::whole;
use crate::tree::shape::laplace;
use crate::tree::witness::probability;
use crate::tree::{Label, Model, Node, Side};
use maud::Markup;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

const LEAF_WIDTH: f64 = 96.0;
const ROW_HEIGHT: f64 = 84.0;
const BOX_HEIGHT: f64 = 44.0;
const SPLIT_WIDTH: f64 = 150.0;
const MARGIN: f64 = 30.0;

/// The tree: questions above, leaves below; low to the left.
pub(super) fn tree(model: &Model, shows: &str) -> Markup {
    let width = model.tree.n_leaves() as f64 * LEAF_WIDTH + 2.0 * MARGIN;
    let height = model.tree.depth() as f64 * ROW_HEIGHT + BOX_HEIGHT + 10.0;
    plot::figure((width.ceil() as u32, height.ceil() as u32), shows, |area| {
        TreeDrawing { area, model, next_leaf: 0 }.branch(&model.tree, 0, laplace(&model.tree)).map(|_| ())
    })
}

struct TreeDrawing<'a, 'b> {
    area: &'a Area<'b>,
    model: &'a Model,
    next_leaf: usize,
}

impl TreeDrawing<'_, '_> {
    /// Draws the branch of a node whose raw probability is `p`, and gives the middle of its top.
    fn branch(&mut self, node: &Node, depth: usize, p: f64) -> Result<f64, DrawingAreaErrorKind<std::io::Error>> {
        let y = depth as f64 * ROW_HEIGHT + 5.0;
        match node {
            Node::Leaf { counts } => {
                let x = MARGIN + (self.next_leaf as f64 + 0.5) * LEAF_WIDTH;
                self.next_leaf += 1;
                let p = probability(self.model.witnesses.shape.log_odds(p));
                let label = self.model.unclear.label(p);
                let colour = match label {
                    Label::Sheared => SHEARED,
                    Label::Tensile => TENSILE,
                    Label::Unclear => UNCLEAR,
                };
                let lines =
                    [format!("{} {p:.2}", label.word()), format!("{} : {}", whole(counts[0]), whole(counts[1]))];
                self.text_box((x, y), LEAF_WIDTH - 8.0, stroke(colour, 2.5), lines)?;
                Ok(x)
            }
            Node::Split { feature, threshold, missing_goes, low, high, .. } => {
                let left = self.branch(low, depth + 1, self.model.shape.step(node, low, p))?;
                let right = self.branch(high, depth + 1, self.model.shape.step(node, high, p))?;
                let x = f64::midpoint(left, right);
                for (child, side) in [(left, Side::Low), (right, Side::High)] {
                    // The strong line is the way of values that were not measured.
                    let width = if *missing_goes == side { 2.2 } else { 1.0 };
                    let ends = vec![(px(x), px(y + BOX_HEIGHT)), (px(child), px(y + ROW_HEIGHT))];
                    self.area.draw(&PathElement::new(ends, stroke(SOFT, width)))?;
                }
                let question = format!("≤ {}", format_number(*threshold));
                let name = self.model.features[*feature].feature.name.to_owned();
                self.text_box((x, y), SPLIT_WIDTH, stroke(SOFT, 1.0), [name, question])?;
                Ok(x)
            }
        }
    }

    fn text_box(&self, (x, y): (f64, f64), width: f64, border: ShapeStyle, lines: [String; 2]) -> Drawn {
        let corners = [(px(x - width / 2.0), px(y)), (px(x + width / 2.0), px(y + BOX_HEIGHT))];
        self.area.draw(&Rectangle::new(corners, PAPER.filled()))?;
        plot::outline(self.area, corners, border)?;
        for (line, down) in lines.into_iter().zip([14.0, 31.0]) {
            let style = text(12.0, INK, HPos::Center, VPos::Center);
            self.area.draw(&Text::new(line, (px(x), px(y + down)), style))?;
        }
        Ok(())
    }
}

const SQUARE: (u32, u32) = (340, 330);

/// Axes of a square plot from 0 to 1 (x) and from `lowest` to 1 (y).
fn unit_axes(x_name: &'static str, y_name: &'static str, lowest: f64) -> Axes<'static> {
    Axes { x: 0.0..1.0, y: lowest..1.0, x_name, y_name, ticks: (6, 6), digits: (1, 1), mirrored: false }
}

/// Share of sheared ends against the probability that was said; dots grow with the number of ends.
pub(super) fn reliability(steps: &[ReliabilityStep], shows: &str) -> Markup {
    let most = steps.iter().map(|s| s.n).max().unwrap_or(1) as f64;
    plot::figure(SQUARE, shows, |area| {
        let chart = plot::chart(area, &unit_axes("probability of sheared, as said", "share sheared", 0.0))?;
        let at = |x: f64, y: f64| chart.backend_coord(&(x, y));
        area.draw(&PathElement::new(vec![at(0.0, 0.0), at(1.0, 1.0)], stroke(SOFT, 1.0)))?;
        for step in steps {
            let radius = px(2.5 + 6.0 * (step.n as f64 / most).sqrt());
            area.draw(&Circle::new(at(step.said, step.was), radius, SHEARED.filled()))?;
        }
        Ok(())
    })
}

/// Balanced accuracy against the share of specimens learnt from.
pub(super) fn learning(points: &[Learning], shows: &str) -> Markup {
    /// Balanced accuracy of guessing.
    const GUESSING: f64 = 0.5;
    plot::figure(SQUARE, shows, |area| {
        let chart = plot::chart(area, &unit_axes("share of specimens learnt from", "balanced accuracy", GUESSING))?;
        let known = points.iter().filter_map(|p| Some((p.share, p.balanced_accuracy?.max(GUESSING))));
        let places: Vec<(i32, i32)> = known.map(|p| chart.backend_coord(&p)).collect();
        area.draw(&PathElement::new(places.clone(), stroke(SHEARED, 2.0)))?;
        for place in places {
            area.draw(&Circle::new(place, px(4.0), SHEARED.filled()))?;
        }
        Ok(())
    })
}
