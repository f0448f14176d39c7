//! How large a network's inner values can get, told from its file before anything is run.
//!
//! A file of a few hundred bytes can ask for any amount of memory. So every operator is followed with an upper bound of its
//! answer's shape, for the largest input that the network is ever shown; operators that ours do not need are refused.
//! Shapes follow the ONNX operator specification (onnx.ai/onnx/operators).

use std::collections::HashMap;

use breakface_forward::file::{Attribute, Constant, Model, Node};

/// Largest file, bytes.
pub(super) const MAX_BYTES: usize = 256 << 20;
/// Most operators.
const MAX_NODES: usize = 10_000;
/// Most numbers in one inner value: 256 MB.
const MAX_NUMBERS: u64 = 64 << 20;
/// Most numbers in all inner values together: 2 GB, were none of them freed on the way.
const MAX_NUMBERS_IN_ALL: u64 = 512 << 20;
/// Most multiply-adds for one input: about ten seconds of one core, ten times what the largest network here takes.
const MAX_WORK: u64 = 400_000_000_000;

type Shape = Vec<u64>;

/// Checks that running the network on an input of this shape or a smaller one keeps within bounds.
///
/// # Errors
/// Why it does not, or why that cannot be told.
pub(super) fn check(bytes: &[u8], largest: [usize; 4]) -> Result<(), String> {
    if MAX_BYTES < bytes.len() {
        return Err(format!("is larger than {} MB", MAX_BYTES >> 20));
    }
    let model = Model::read(bytes)?;
    let graph = model.graph.as_ref().ok_or("is no ONNX file with a network in it")?;
    if MAX_NODES < graph.node.len() {
        return Err(format!("has {} operators, at most {MAX_NODES} are run", graph.node.len()));
    }
    let mut walk =
        Walk { shapes: HashMap::new(), constants: HashMap::new(), file: bytes.len() as u64, numbers: 0, work: 0 };
    for tensor in &graph.initializer {
        walk.keep_constant(tensor.name.as_deref().unwrap_or_default(), tensor)?;
    }
    let inputs = graph.input.iter().filter_map(|i| i.name.as_deref());
    let input: Vec<&str> = inputs.filter(|name| !walk.shapes.contains_key(*name)).collect();
    let [input] = input[..] else { return Err(format!("has {} inputs, expected one", input.len())) };
    walk.shapes.insert(input.to_owned(), largest.iter().map(|n| *n as u64).collect());
    graph.node.iter().try_for_each(|node| walk.step(node))
}

/// What is known so far, by name of the value.
struct Walk<'a> {
    shapes: HashMap<String, Shape>,
    constants: HashMap<String, &'a Constant>,
    file: u64,
    numbers: u64,
    work: u64,
}

impl<'a> Walk<'a> {
    fn keep_constant(&mut self, name: &str, tensor: &'a Constant) -> Result<(), String> {
        let shape: Shape = tensor.dims.iter().map(|d| u64::try_from(*d).unwrap_or(u64::MAX)).collect();
        if self.file < numbers(&shape) {
            return Err(format!("its weights {name:?} claim more numbers than the file holds"));
        }
        self.shapes.insert(name.to_owned(), shape);
        self.constants.insert(name.to_owned(), tensor);
        Ok(())
    }

    fn step(&mut self, node: &'a Node) -> Result<(), String> {
        let kind = node.op_type.as_deref().unwrap_or_default();
        if kind == "Constant" {
            let tensor = node.attribute.iter().find_map(|a| a.t.as_ref()).ok_or("a constant without its value")?;
            return self.keep_constant(node.output.first().map_or("", String::as_str), tensor);
        }
        let shape = self.answer(kind, node).ok_or_else(|| format!("operator {kind:?} is not one that is run here"))?;
        if MAX_NUMBERS < numbers(&shape) {
            return Err(format!("operator {kind:?} can answer with more than {MAX_NUMBERS} numbers"));
        }
        self.numbers = self.numbers.saturating_add(numbers(&shape));
        if MAX_NUMBERS_IN_ALL < self.numbers {
            return Err(format!("its inner values can hold more than {MAX_NUMBERS_IN_ALL} numbers"));
        }
        self.work = self.work.saturating_add(self.cost(kind, node, &shape));
        if MAX_WORK < self.work {
            return Err("takes more than ten seconds for one input".to_owned());
        }
        node.output.iter().for_each(|name| drop(self.shapes.insert(name.clone(), shape.clone())));
        Ok(())
    }

    fn shape(&self, node: &Node, k: usize) -> Option<&Shape> {
        self.shapes.get(node.input.get(k)?)
    }

    /// Upper bound of an answer's shape; `None` for operators that are not known.
    fn answer(&self, kind: &str, node: &Node) -> Option<Shape> {
        let first = self.shape(node, 0)?;
        match kind {
            "Relu"
            | "LeakyRelu"
            | "Sigmoid"
            | "HardSigmoid"
            | "HardSwish"
            | "Tanh"
            | "Clip"
            | "Sqrt"
            | "Exp"
            | "Identity"
            | "Softmax"
            | "DequantizeLinear"
            | "BatchNormalization"
            | "InstanceNormalization"
            | "GlobalAveragePool"
            | "Slice"
            | "Split" => Some(first.clone()),
            "Add" | "Sub" | "Mul" | "Div" | "Max" | "Min" => {
                let all = (0..node.input.len()).map(|k| self.shape(node, k)).collect::<Option<Vec<_>>>()?;
                Some(all.into_iter().fold(Vec::new(), |a, b| broadcast(&a, b)))
            }
            "Conv" => sliding(node, first, *self.shape(node, 1)?.first()?),
            "AveragePool" | "MaxPool" => sliding(node, first, *first.get(1)?),
            "Resize" => self.resized(node, first),
            "Concat" => self.joined(node, first),
            "DepthToSpace" => blocks(node, first),
            "Flatten" => Some(flat(node, first)),
            "Gemm" | "MatMul" => self.product(node, first),
            _ => None,
        }
    }

    /// Multiply-adds of one operator, an upper bound.
    fn cost(&self, kind: &str, node: &Node, answer: &Shape) -> u64 {
        let each = match kind {
            "Conv" => self.shape(node, 1).map_or(1, |w| numbers(&w[1.min(w.len())..])),
            "Gemm" | "MatMul" => self.shape(node, 0).map_or(1, numbers_of_widest),
            "AveragePool" | "MaxPool" => ints(node, "kernel_shape").iter().fold(1, |n: u64, k| n.saturating_mul(*k)),
            _ => 1,
        };
        numbers(answer).saturating_mul(each)
    }

    fn resized(&self, node: &Node, first: &Shape) -> Option<Shape> {
        let scales = floats(self.constants.get(node.input.get(2)?)?);
        (scales.len() == first.len())
            .then(|| first.iter().zip(scales).map(|(n, s)| (*n as f64 * f64::from(s.max(0.0))).ceil() as u64).collect())
    }

    fn joined(&self, node: &Node, first: &Shape) -> Option<Shape> {
        let axis = attribute(node, "axis").and_then(|a| a.i)?;
        let axis = usize::try_from(if axis < 0 { axis + first.len() as i64 } else { axis }).ok()?;
        let mut joined = first.clone();
        let sum =
            (0..node.input.len()).try_fold(0u64, |sum, k| Some(sum.saturating_add(*self.shape(node, k)?.get(axis)?)));
        *joined.get_mut(axis)? = sum?;
        Some(joined)
    }

    fn product(&self, node: &Node, first: &Shape) -> Option<Shape> {
        let second = self.shape(node, 1)?;
        let flag = |name: &str| attribute(node, name).and_then(|a| a.i).unwrap_or(0) != 0;
        let (a, b) = (first.len().checked_sub(2)?, second.len().checked_sub(2)?);
        let rows = first[if flag("transA") { a + 1 } else { a }];
        let columns = second[if flag("transB") { b } else { b + 1 }];
        let mut shape = broadcast(&first[..a], &second[..b]);
        shape.extend([rows, columns]);
        Some(shape)
    }
}

fn numbers(shape: &[u64]) -> u64 {
    shape.iter().fold(1, |n, d| n.saturating_mul(*d))
}

fn numbers_of_widest(shape: &Shape) -> u64 {
    shape.iter().copied().max().unwrap_or(1)
}

fn attribute<'n>(node: &'n Node, name: &str) -> Option<&'n Attribute> {
    node.attribute.iter().find(|a| a.name.as_deref() == Some(name))
}

/// A list of whole numbers; negative ones count as zero.
fn ints(node: &Node, name: &str) -> Vec<u64> {
    attribute(node, name).map(|a| a.ints.iter().map(|v| u64::try_from(*v).unwrap_or(0)).collect()).unwrap_or_default()
}

fn floats(tensor: &Constant) -> Vec<f32> {
    if !tensor.float_data.is_empty() {
        return tensor.float_data.clone();
    }
    let raw = tensor.raw_data.as_deref().unwrap_or_default();
    raw.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
}

/// Shapes laid over each other from their last side.
fn broadcast(a: &[u64], b: &[u64]) -> Shape {
    let rank = a.len().max(b.len());
    let side = |shape: &[u64], k: usize| (k + shape.len()).checked_sub(rank).map_or(1, |i| shape[i]);
    (0..rank).map(|k| side(a, k).max(side(b, k))).collect()
}

/// A window that slides over the sides after the second: at most the side and its rims over the stride, and one.
fn sliding(node: &Node, first: &Shape, planes: u64) -> Option<Shape> {
    let (strides, pads) = (ints(node, "strides"), ints(node, "pads"));
    let sides = first.len().checked_sub(2)?;
    let mut shape = vec![*first.first()?, planes];
    shape.extend((0..sides).map(|k| {
        let rim = pads.get(k).copied().unwrap_or(0).saturating_add(pads.get(sides + k).copied().unwrap_or(0));
        first[2 + k].saturating_add(rim) / strides.get(k).copied().unwrap_or(1).max(1) + 1
    }));
    Some(shape)
}

fn blocks(node: &Node, first: &Shape) -> Option<Shape> {
    let block = u64::try_from(attribute(node, "blocksize")?.i?).ok().filter(|b| 0 < *b)?;
    let [n, planes, rows, columns] = first[..] else { return None };
    let area = block.checked_mul(block)?;
    Some(vec![n, planes / area, rows.saturating_mul(block), columns.saturating_mul(block)])
}

fn flat(node: &Node, first: &Shape) -> Shape {
    let axis = attribute(node, "axis").and_then(|a| a.i).unwrap_or(1).clamp(0, first.len() as i64) as usize;
    vec![numbers(&first[..axis]), numbers(&first[axis..])]
}

#[cfg(test)]
mod tests {
    use super::*;
    use breakface_forward::file::{Graph, Named};

    const LARGEST: [usize; 4] = [1, 1, 896, 896];

    fn constant(name: &str, dims: &[i64], values: &[f32]) -> Constant {
        Constant {
            name: Some(name.to_owned()),
            dims: dims.to_vec(),
            float_data: values.to_vec(),
            ..Constant::default()
        }
    }

    fn network(node: Node, constants: Vec<Constant>) -> Vec<u8> {
        let input = Named { name: Some("x".into()) };
        let graph = Graph { node: vec![node], initializer: constants, input: vec![input], ..Graph::default() };
        Model { ir_version: None, graph: Some(graph) }.write()
    }

    fn node(kind: &str, inputs: &[&str], attribute: Vec<Attribute>) -> Node {
        Node {
            op_type: Some(kind.into()),
            input: inputs.iter().map(|i| (*i).to_owned()).collect(),
            output: vec!["y".into()],
            attribute,
        }
    }

    fn refusal(bytes: &[u8]) -> String {
        check(bytes, LARGEST).expect_err("refused")
    }

    #[test]
    fn networks_that_grow_beyond_memory_are_refused() {
        let resize = |scale: f32| {
            network(node("Resize", &["x", "", "s"], vec![]), vec![constant("s", &[4], &[1.0, 1.0, scale, scale])])
        };
        assert_eq!(check(&resize(2.0), LARGEST), Ok(()));
        assert!(refusal(&resize(100.0)).contains("numbers"));
        let pads = Attribute { name: Some("pads".into()), ints: vec![1 << 20; 4], ..Attribute::default() };
        let conv = network(node("Conv", &["x", "w"], vec![pads]), vec![constant("w", &[1, 1, 1, 1], &[1.0])]);
        assert!(refusal(&conv).contains("Conv"));
        let outer = network(node("MatMul", &["x", "w"], vec![]), vec![constant("w", &[1 << 40, 1 << 40], &[1.0])]);
        assert!(refusal(&outer).contains("claim"));
    }

    #[test]
    fn operators_that_are_not_known_are_refused() {
        let wide = network(node("ConstantOfShape", &["x"], vec![]), vec![]);
        assert!(refusal(&wide).contains("ConstantOfShape"));
        assert!(refusal(b"not a network").contains("ONNX"));
    }

    #[test]
    fn sides_are_bounded_as_the_specification_says() {
        // ONNX operator specification, Conv: floor((in + pads - kernel) / stride) + 1, which our bound never undercuts.
        let ints = |name: &str, ints: &[i64]| Attribute {
            name: Some(name.into()),
            ints: ints.to_vec(),
            ..Attribute::default()
        };
        let conv = node("Conv", &["x", "w"], vec![ints("strides", &[2, 2]), ints("pads", &[1, 1, 1, 1])]);
        let shape = sliding(&conv, &vec![1, 1, 100, 60], 8).expect("two sides");
        assert!(shape[..2] == [1, 8] && 50 <= shape[2] && shape[2] <= 52 && 30 <= shape[3] && shape[3] <= 32);
        assert_eq!(broadcast(&[4, 1, 3], &[5, 1]), [4, 5, 3]);
    }
}
