//! One network: loaded under limits, proven before the first picture, every answer checked.
//!
//! Everything runs in the thread that asks.

use std::io::Read;
use std::path::Path;

use breakface_forward::Program;
use rten_tensor::prelude::*;
use rten_tensor::{NdTensor, Tensor};

use super::shapes;
use crate::cancel::Cancelled;

/// Why a network gives no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NetworkError {
    /// The file cannot be read, is no network of the expected kind, or is not safe to run.
    #[error("network {name}: {reason}")]
    Unusable {
        /// File name, or `bundled NAME`.
        name: String,
        /// What is wrong with it.
        reason: String,
    },
    /// A network that was proven when loaded fails on a picture.
    #[error("network {name} failed on this picture: {reason}")]
    Failed {
        /// File name, or `bundled NAME`.
        name: String,
        /// What the forward pass said, or what is wrong with the answer.
        reason: String,
    },
    /// The run was stopped while the picture was worked on.
    #[error("the run was stopped before this picture was finished; give the same command again to go on")]
    Stopped,
}

impl From<Cancelled> for NetworkError {
    fn from(_: Cancelled) -> Self {
        Self::Stopped
    }
}

impl NetworkError {
    /// A fault of something that is compiled in.
    pub(crate) fn bundled(reason: String) -> Self {
        Self::Unusable { name: "bundled".to_owned(), reason }
    }
}

/// The bytes of a file of a network or of what belongs to it.
///
/// # Errors
/// When it cannot be read, is no plain file, or is larger than any network.
pub(crate) fn read_file(path: &Path) -> Result<Vec<u8>, NetworkError> {
    let unusable = |reason: String| NetworkError::Unusable { name: path.display().to_string(), reason };
    let file = crate::files::open_regular(path).map_err(|e| unusable(e.to_string()))?;
    let mut bytes = Vec::new();
    file.take(shapes::MAX_BYTES as u64 + 1).read_to_end(&mut bytes).map_err(|e| unusable(e.to_string()))?;
    if shapes::MAX_BYTES < bytes.len() {
        return Err(unusable(format!("is larger than {} MB", shapes::MAX_BYTES >> 20)));
    }
    Ok(bytes)
}

/// What a network of one kind takes and gives.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Contract {
    /// Shapes of input with which a network is proven: two, so that nothing is fixed to one size.
    pub(crate) trials: [[usize; 4]; 2],
    /// Shape of the answer to an input of a shape.
    pub(crate) answer: fn([usize; 4]) -> Vec<usize>,
    /// Largest input that it is ever shown; inner values are bounded for it.
    pub(crate) largest: [usize; 4],
}

/// A network with one input and one output.
pub(crate) struct Network {
    name: String,
    program: Program,
    contract: Contract,
    digest: [u8; 32],
}

impl Network {
    /// Loads a network from the bytes of an ONNX file and proves it on two inputs.
    ///
    /// # Errors
    /// When the bytes are no network, hold operators that none of ours has, can grow beyond memory, or answer otherwise than
    /// the contract says.
    pub(crate) fn load(name: &str, bytes: Vec<u8>, contract: Contract) -> Result<Self, NetworkError> {
        let unusable = |reason: String| NetworkError::Unusable { name: name.to_owned(), reason };
        shapes::check(&bytes, contract.largest).map_err(unusable)?;
        let digest = *blake3::hash(&bytes).as_bytes();
        let program = breakface_forward::load(&bytes).map_err(unusable)?;
        let network = Self { name: name.to_owned(), program, contract, digest };
        for shape in contract.trials {
            network.answer(NdTensor::zeros(shape)).map_err(unusable)?;
        }
        Ok(network)
    }

    /// BLAKE3 of the file.
    pub(crate) fn digest(&self) -> [u8; 32] {
        self.digest
    }

    /// The answer to an input, in the shape that the contract says, all numbers finite.
    ///
    /// # Errors
    /// When the forward pass fails or the answer is another.
    pub(crate) fn run(&self, input: NdTensor<f32, 4>) -> Result<Tensor<f32>, NetworkError> {
        self.answer(input).map_err(|reason| NetworkError::Failed { name: self.name.clone(), reason })
    }

    fn answer(&self, input: NdTensor<f32, 4>) -> Result<Tensor<f32>, String> {
        let expected = (self.contract.answer)(input.shape());
        let shape = input.shape();
        let (sides, numbers) = self.program.run(shape, &input.into_data())?;
        if sides != expected {
            return Err(format!("answers with shape {sides:?}, expected {expected:?}"));
        }
        if !numbers.iter().all(|v| v.is_finite()) {
            return Err("answers with numbers that are not finite".to_owned());
        }
        Ok(Tensor::from_data(&sides, numbers))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::strip_input::{self, COLUMNS, ROWS};
    use breakface_forward::file::{Constant, Graph, Model, Named, Node};

    const REGRESSION: &[u8] = include_bytes!("../../models/regression.onnx");

    fn reason(network: Result<Network, NetworkError>) -> String {
        network.err().map(|e| e.to_string()).unwrap_or_default()
    }

    fn node(kind: &str, inputs: &[&str], output: &str) -> Node {
        Node {
            op_type: Some(kind.into()),
            input: inputs.iter().map(|i| (*i).to_owned()).collect(),
            output: vec![output.into()],
            ..Node::default()
        }
    }

    /// A file that reads `x` and answers `y`.
    fn file(node: Vec<Node>, initializer: Vec<Constant>) -> Vec<u8> {
        let value = |name: &str| Named { name: Some(name.into()) };
        let (input, output) = (vec![value("x")], vec![value("y")]);
        let graph = Graph { node, initializer, input, output };
        let model = Model { ir_version: Some(8), graph: Some(graph) };
        model.write()
    }

    #[test]
    fn answers_of_another_shape_are_found_out_when_loading() {
        let contract = strip_input::contract(|[n, ..]| vec![n, 7]);
        let refused = reason(Network::load("odd.onnx", REGRESSION.to_vec(), contract));
        assert!(refused.starts_with("network odd.onnx: answers with shape"), "{refused}");
        // Right for one size and wrong for the other.
        let contract = strip_input::contract(|_| vec![1, super::super::regression::OUTPUTS]);
        assert!(reason(Network::load("odd.onnx", REGRESSION.to_vec(), contract)).contains("answers with shape"));
    }

    /// The root of its input: finite for the zeros that a network is proven with, and nothing for a value below.
    #[test]
    fn answers_that_are_not_finite_fail() {
        let model = file(vec![node("Sqrt", &["x"], "y")], vec![]);
        let contract = strip_input::contract(|shape| shape.to_vec());
        let network = Network::load("root.onnx", model, contract).expect("usable");
        assert!(network.run(NdTensor::full([1, 3, ROWS, COLUMNS], 4.0)).is_ok());
        let failed = network.run(NdTensor::full([1, 3, ROWS, COLUMNS], -4.0)).expect_err("not finite");
        assert!(failed.to_string().contains("root.onnx failed on this picture"), "{failed}");
    }

    /// ONNX operator specification, Identity and Conv: exporters write equal weights once and name them again.
    #[test]
    fn weights_named_again_are_the_weights() {
        let constant = |name: &str, dims: &[i64], values: &[f32]| Constant {
            name: Some(name.into()),
            dims: dims.to_vec(),
            float_data: values.to_vec(),
            ..Constant::default()
        };
        let load = |added: &str| {
            let again = node("Identity", &["b"], "again");
            let bytes = file(
                vec![again, node("Conv", &["x", "w", added], "y")],
                vec![constant("w", &[1, 3, 1, 1], &[1.0, 2.0, 3.0]), constant("b", &[1], &[0.5])],
            );
            Network::load("again.onnx", bytes, strip_input::contract(|[n, _, h, w]| vec![n, 1, h, w]))
        };
        let answer = load("again").and_then(|n| n.run(NdTensor::full([1, 3, ROWS, COLUMNS], 2.0))).expect("an answer");
        assert!(answer.iter().all(|v| *v == 12.5));
        assert!(reason(load("x")).contains("no constants"));
    }

    #[test]
    fn only_plain_files_of_a_bounded_length_are_read() {
        let folder = tempfile::tempdir().expect("a folder");
        assert!(read_file(folder.path()).is_err_and(|e| e.to_string().contains("regular file")));
        assert!(read_file(&folder.path().join("none.onnx")).is_err_and(|e| e.to_string().contains("none.onnx")));
    }
}
