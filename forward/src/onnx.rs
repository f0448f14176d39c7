//! ONNX file -> steps. A sum that follows a convolution or an enlargement is made in the same step, and so is the cutting off
//! of negative numbers.

use std::collections::HashMap;

use crate::constants::{Constant, Constants};
use crate::convolution::{Convolution, FileWeights};
use crate::elementwise::Pairwise;
use crate::file::{Attribute, Graph, Model, Node};
use crate::pooling::Mean;
use crate::program::{Action, Layer, Program, Step};
use crate::window::Window;

/// A network from the bytes of an ONNX file.
///
/// # Errors
/// When the bytes are no such file, or it asks for something that is not known here.
pub fn load(bytes: &[u8]) -> Result<Program, String> {
    let model = Model::read(bytes)?;
    let graph = model.graph.as_ref().ok_or("is no ONNX file with a network in it")?;
    let mut reading = Reading::of(graph)?;
    for node in &graph.node {
        let kind = node.op_type.as_deref().unwrap_or_default();
        reading.node(kind, node).map_err(|why| format!("its operator {kind:?}: {why}"))?;
    }
    let name = graph.output.first().and_then(|o| o.name.as_deref()).unwrap_or_default();
    let answer = reading.named(name)?;
    let steps = reading.steps.into_iter().flatten().collect();
    Ok(Program::of(steps, answer, reading.layers, reading.flat.contains(&answer)))
}

/// A file half read.
struct Reading {
    constants: Constants,
    /// Layers by their names in the file.
    names: HashMap<String, Layer>,
    /// How often each name is read.
    uses: HashMap<String, usize>,
    /// Steps so far; `None` where one was taken up by a later one.
    steps: Vec<Option<Step>>,
    layers: usize,
    /// Layers of one place, with two sides in the file.
    flat: Vec<Layer>,
    /// Weights so far.
    weights: usize,
}

/// Most weights of all convolutions: transformed ones take 16 bytes each.
const MOST_WEIGHTS: usize = 64 << 20;

impl Reading {
    fn of(graph: &Graph) -> Result<Self, String> {
        let mut constants = Constants::default();
        for tensor in &graph.initializer {
            constants.insert(tensor.name.as_deref().unwrap_or_default(), tensor)?;
        }
        let mut uses = HashMap::new();
        let outputs = graph.output.iter().filter_map(|o| o.name.clone());
        for name in graph.node.iter().flat_map(|n| n.input.iter().cloned()).chain(outputs) {
            *uses.entry(name).or_insert(0) += 1;
        }
        let inputs = graph.input.iter().filter_map(|i| i.name.as_deref());
        let names = inputs.filter(|name| constants.get(name).is_none()).map(|name| (name.to_owned(), 0)).collect();
        Ok(Self { constants, names, uses, steps: Vec::new(), layers: 1, flat: Vec::new(), weights: 0 })
    }

    fn named(&self, name: &str) -> Result<Layer, String> {
        self.names.get(name).copied().ok_or_else(|| format!("reads {name:?}, which nothing makes"))
    }

    fn input(&self, node: &Node, k: usize) -> Result<Layer, String> {
        self.named(node.input.get(k).map_or("", String::as_str))
    }

    fn constant(&self, node: &Node, k: usize) -> Option<&Constant> {
        self.constants.get(node.input.get(k)?)
    }

    fn node(&mut self, kind: &str, node: &Node) -> Result<(), String> {
        let action = match kind {
            "Constant" => {
                let tensor = node.attribute.iter().find_map(|a| a.t.as_ref()).ok_or("without its value")?;
                return self.constants.insert(node.output.first().map_or("", String::as_str), tensor);
            }
            "DequantizeLinear" => return self.constants.scale(node),
            // Weights that are equal are written once, and named again so.
            "Identity" if self.constant(node, 0).is_some() => return self.constants.name_again(node),
            "Relu" => return self.relu(node),
            "Conv" | "Gemm" => {
                let convolution = if kind == "Conv" { self.convolution(node)? } else { self.dense(node)? };
                self.weights = self.weights.saturating_add(convolution.size());
                expect(self.weights <= MOST_WEIGHTS, "too many weights for the forward pass")?;
                Action::Convolve(Box::new(convolution), self.input(node, 0)?, None)
            }
            "AveragePool" => {
                let mean = Mean { window: window(node)?, counts_rim: whole(node, "count_include_pad", 0)? != 0 };
                if mean.window.dilations != [1, 1] || whole(node, "ceil_mode", 0)? != 0 {
                    return Err("dilations or rounding up are not known here".to_owned());
                }
                Action::Mean(mean, self.input(node, 0)?)
            }
            "Add" => self.sum(node)?,
            "Sub" => self.pair(Pairwise::Sub, node)?,
            "Mul" => self.pair(Pairwise::Mul, node)?,
            "Div" => self.pair(Pairwise::Div, node)?,
            "Sqrt" => Action::Sqrt(self.input(node, 0)?),
            "Identity" => Action::Same(self.input(node, 0)?),
            "Resize" => Action::Repeat(self.times(node)?, self.input(node, 0)?, None),
            "Concat" => {
                expect(whole(node, "axis", 1)? == 1, "along another side than the channels")?;
                Action::Join((0..node.input.len()).map(|k| self.input(node, k)).collect::<Result<_, _>>()?)
            }
            "Flatten" => {
                expect(whole(node, "axis", 1)? == 1, "from another side than the channels on")?;
                Action::Flatten(self.input(node, 0)?)
            }
            "DepthToSpace" => {
                let mode = attribute(node, "mode").and_then(|a| a.s.as_deref()).unwrap_or("DCR");
                expect(mode == "CRD", "of another order than CRD")?;
                Action::Unfold(whole(node, "blocksize", 0)?, self.input(node, 0)?)
            }
            _ => return Err("is not one that is run here".to_owned()),
        };
        let flat = match &action {
            Action::Flatten(_) => true,
            Action::Join(all) => all.iter().any(|l| self.flat.contains(l)),
            _ => kind == "Gemm",
        };
        self.push(node, action);
        if flat {
            self.flat.push(self.layers - 1);
        }
        Ok(())
    }

    fn push(&mut self, node: &Node, action: Action) {
        let makes = self.layers;
        self.layers += 1;
        self.names.insert(node.output.first().cloned().unwrap_or_default(), makes);
        self.steps.push(Some(Step { makes, action, relu: false, last_read: Vec::new() }));
    }

    /// The step that makes a node's input, if nothing else reads that.
    fn own_step(&self, node: &Node, k: usize) -> Option<usize> {
        let name = node.input.get(k)?;
        let layer = self.names.get(name)?;
        let only = self.uses.get(name) == Some(&1);
        self.steps.iter().position(|s| s.as_ref().is_some_and(|s| s.makes == *layer)).filter(|_| only)
    }

    fn relu(&mut self, node: &Node) -> Result<(), String> {
        let layer = self.input(node, 0)?;
        let output = node.output.first().cloned().unwrap_or_default();
        if let Some(step) = self.own_step(node, 0).and_then(|k| self.steps[k].as_mut()) {
            step.relu = true;
            self.names.insert(output, layer);
            return Ok(());
        }
        let flat = self.flat.contains(&layer);
        self.push(node, Action::Same(layer));
        if let Some(step) = self.steps.last_mut().and_then(Option::as_mut) {
            step.relu = true;
        }
        if flat {
            self.flat.push(self.layers - 1);
        }
        Ok(())
    }

    /// A sum: within the step that makes one of both, where that can be.
    fn sum(&mut self, node: &Node) -> Result<Action, String> {
        for (k, other) in [(1, 0), (0, 1)] {
            let takes_up = |step: &Step| {
                !step.relu && matches!(step.action, Action::Convolve(_, _, None) | Action::Repeat(_, _, None))
            };
            let place = self.own_step(node, k).filter(|p| self.steps[*p].as_ref().is_some_and(takes_up));
            let (Some(place), Ok(other)) = (place, self.input(node, other)) else { continue };
            match self.steps[place].take().map(|step| step.action) {
                Some(Action::Convolve(convolution, a, _)) => return Ok(Action::Convolve(convolution, a, Some(other))),
                Some(Action::Repeat(times, a, _)) => return Ok(Action::Repeat(times, a, Some(other))),
                _ => return Err("of a step that is gone".to_owned()),
            }
        }
        self.pair(Pairwise::Add, node)
    }

    fn pair(&self, how: Pairwise, node: &Node) -> Result<Action, String> {
        let first = self.input(node, 0)?;
        match self.constant(node, 1) {
            Some(constant) if constant.values.len() == 1 => Ok(Action::Constant(how, first, constant.values[0])),
            Some(_) => Err("with a constant of several numbers".to_owned()),
            None => Ok(Action::Pair(how, first, self.input(node, 1)?)),
        }
    }

    fn convolution(&self, node: &Node) -> Result<Convolution, String> {
        let weights = self.constant(node, 1).ok_or("with weights that are no constants")?;
        let dims =
            <[usize; 4]>::try_from(weights.dims.as_slice()).map_err(|_| "with weights of other than four sides")?;
        let mut window = window(node)?;
        if ints(node, "kernel_shape")?.is_empty() {
            window.sides = [dims[2], dims[3]];
        }
        let groups = whole(node, "group", 1)?;
        expect(0 < groups, "in no groups")?;
        let of = FileWeights { values: weights.values.clone(), dims, groups };
        Convolution::new(window, of, self.added_numbers(node)?)
    }

    /// The numbers that are added to each channel of a node's answer, if it names any.
    fn added_numbers(&self, node: &Node) -> Result<Option<&[f32]>, String> {
        match node.input.get(2).filter(|name| !name.is_empty()) {
            None => Ok(None),
            Some(_) => Ok(Some(&self.constant(node, 2).ok_or("adds numbers that are no constants")?.values)),
        }
    }

    /// A product with a matrix, as a convolution of single places.
    fn dense(&self, node: &Node) -> Result<Convolution, String> {
        let weights = self.constant(node, 1).ok_or("with weights that are no constants")?;
        let [outputs, inputs] = weights.dims[..] else { return Err("with weights of other than two sides".to_owned()) };
        let is_one = |name: &str| attribute(node, name).and_then(|a| a.f).is_none_or(|v| v == 1.0);
        let plain = is_one("alpha") && is_one("beta") && whole(node, "transA", 0)? == 0;
        expect(plain && whole(node, "transB", 0)? == 1, "with factors, or matrices the other way round")?;
        expect(self.flat.contains(&self.input(node, 0)?), "of a layer that is not flat")?;
        let of = FileWeights { values: weights.values.clone(), dims: [outputs, inputs, 1, 1], groups: 1 };
        Convolution::new(Window::PLACE, of, self.added_numbers(node)?)
    }

    /// How often an enlargement repeats each place, down and across.
    fn times(&self, node: &Node) -> Result<[usize; 2], String> {
        let text = |name: &str, usual: &'static str| {
            attribute(node, name).and_then(|a| a.s.clone()).unwrap_or_else(|| usual.to_owned())
        };
        expect(text("mode", "nearest") == "nearest", "that does more than repeat")?;
        // These repeat every place alike where the factor is a whole number.
        let places = (text("coordinate_transformation_mode", "half_pixel"), text("nearest_mode", "round_prefer_floor"));
        let known =
            [("asymmetric", "floor"), ("half_pixel", "round_prefer_floor"), ("half_pixel", "round_prefer_ceil")];
        expect(known.contains(&(&places.0, &places.1)), "with places that are not known here")?;
        let scales = self.constant(node, 2).ok_or("without constant factors")?;
        let [1.0, 1.0, down, across] = scales.values[..] else {
            return Err("of other sides than rows and columns".into());
        };
        let repeats = |factor: f32| 1.0 <= factor && factor <= 64.0 && factor.fract() == 0.0;
        expect(repeats(down) && repeats(across), "by factors that are no whole numbers")?;
        Ok([down as usize, across as usize])
    }
}

fn expect(holds: bool, else_: &str) -> Result<(), String> {
    if holds { Ok(()) } else { Err(else_.to_owned()) }
}

fn attribute<'n>(node: &'n Node, name: &str) -> Option<&'n Attribute> {
    node.attribute.iter().find(|a| a.name.as_deref() == Some(name))
}

fn whole(node: &Node, name: &str, usual: usize) -> Result<usize, String> {
    match attribute(node, name).and_then(|a| a.i) {
        Some(value) => usize::try_from(value).map_err(|_| format!("its {name} is negative")),
        None => Ok(usual),
    }
}

fn ints(node: &Node, name: &str) -> Result<Vec<usize>, String> {
    let values = attribute(node, name).map(|a| a.ints.as_slice()).unwrap_or_default();
    values.iter().map(|v| usize::try_from(*v).map_err(|_| format!("its {name} is negative"))).collect()
}

/// How the window of a node moves; its sides are 1 where they are not told.
fn window(node: &Node) -> Result<Window, String> {
    let two = |name: &str| match ints(node, name)?[..] {
        [] => Ok([1, 1]),
        [a, b] if 0 < a && 0 < b => Ok([a, b]),
        _ => Err(format!("its {name} is not two numbers above 0")),
    };
    let pads = match ints(node, "pads")?[..] {
        [] => [0; 4],
        [a, b, c, d] => [a, b, c, d],
        _ => return Err("its pads are not four numbers".to_owned()),
    };
    let by_itself = attribute(node, "auto_pad").and_then(|a| a.s.as_deref()).unwrap_or("NOTSET");
    expect(by_itself == "NOTSET", "finds its rim by itself")?;
    Ok(Window { sides: two("kernel_shape")?, strides: two("strides")?, dilations: two("dilations")?, pads })
}
