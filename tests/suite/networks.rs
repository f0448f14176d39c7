//! Networks from outside: one that cannot be run safely is refused before the first picture, and one that fails on a picture
//! is that picture's failure, never an empty answer. The files are made here by the operators of onnx.ai/onnx/operators.

use crate::driver::Bench;
use breakface_forward::file::{Attribute, Constant, Graph, Model, Named, Node, kinds};

fn constant(name: &str, dims: &[i64], values: &[f32]) -> Constant {
    let raw: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    Constant {
        name: Some(name.to_owned()),
        dims: dims.to_vec(),
        data_type: Some(kinds::FLOAT),
        raw_data: Some(raw),
        ..Constant::default()
    }
}

fn node(kind: &str, inputs: &[&str], output: &str, attributes: &[(&str, &[i64])]) -> Node {
    let attribute = |(name, ints): &(&str, &[i64])| Attribute {
        name: Some((*name).to_owned()),
        ints: ints.to_vec(),
        ..Attribute::default()
    };
    Node {
        op_type: Some(kind.to_owned()),
        input: inputs.iter().map(|i| (*i).to_owned()).collect(),
        output: vec![output.to_owned()],
        attribute: attributes.iter().map(attribute).collect(),
    }
}

fn network(nodes: Vec<Node>, constants: Vec<Constant>, output: &str) -> Vec<u8> {
    let named = |name: &str| Named { name: Some(name.to_owned()) };
    let graph = Graph { node: nodes, initializer: constants, input: vec![named("grey")], output: vec![named(output)] };
    Model { ir_version: Some(8), graph: Some(graph) }.write()
}

/// Seven planes of half the size, as the detection network answers: sums of two by two pixels.
fn sums() -> (Node, Constant) {
    let conv = node("Conv", &["grey", "w"], "sums", &[("kernel_shape", &[2, 2]), ("strides", &[2, 2])]);
    (conv, constant("w", &[7, 1, 2, 2], &[1.0; 28]))
}

#[test]
fn a_network_that_grows_beyond_memory_is_refused_at_once() {
    let bench = Bench::new();
    bench.copy("demo/TC-B01-A_1.jpg", "in/a.jpg");
    let large = network(
        vec![node("Resize", &["grey", "", "s"], "large", &[])],
        vec![constant("s", &[4], &[1.0, 1.0, 4000.0, 4000.0])],
        "large",
    );
    bench.write("large.onnx", large);
    let said = bench.run(&["classify", "in", "--out", "r", "--detector", "large.onnx"]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("large.onnx") && said.err.contains("numbers"), "{}", said.err);
}

#[test]
fn a_network_that_fails_on_a_picture_is_that_pictures_failure() {
    let bench = Bench::new();
    bench.copy("demo/TC-B01-A_1.jpg", "in/a.jpg");
    // The root of a sum: a number for the empty input that it is proven with, none for most places of a picture.
    let (conv, weights) = sums();
    let roots = network(vec![conv, node("Sqrt", &["sums"], "maps", &[])], vec![weights], "maps");
    bench.write("roots.onnx", roots);
    let said = bench.run(&["classify", "in", "--out", "r", "--detector", "roots.onnx", "--quiet"]);
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert_eq!(bench.column("r/images.csv", "status"), ["failed"]);
    let error = bench.column("r/images.csv", "error").concat();
    assert!(error.contains("a.jpg") && error.contains("roots.onnx") && error.contains("not finite"), "{error}");
}

#[test]
fn a_network_of_another_kind_is_refused() {
    let bench = Bench::new();
    bench.copy("demo/TC-B01-A_1.jpg", "in/a.jpg");
    let (conv, _) = sums();
    bench.write("three.onnx", network(vec![conv], vec![constant("w", &[3, 1, 2, 2], &[1.0; 12])], "sums"));
    let said = bench.run(&["classify", "in", "--out", "r", "--detector", "three.onnx"]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("three.onnx") && said.err.contains("shape"), "{}", said.err);
}

/// Protocol Buffers, encoding: a length is a number of 64 bits; read with a sign, this one leads back to where it stands.
#[test]
fn a_network_file_whose_lengths_lead_astray_is_refused() {
    let bench = Bench::new();
    bench.copy("demo/TC-B01-A_1.jpg", "in/a.jpg");
    bench.write("back.onnx", [&[0x7a, 0xf5][..], &[0xff; 8], &[0x01]].concat());
    let said = bench.run(&["classify", "in", "--out", "r", "--detector", "back.onnx"]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("back.onnx: is no ONNX file"), "{}", said.err);
}
