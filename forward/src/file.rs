//! What an ONNX file says (onnx.ai/onnx/repo-docs/IR.html; numbers of fields: onnx/onnx.proto): the parts that are read here.
//! Fields that are not declared are skipped.

use prost::Message;
use prost::encoding::{DecodeContext, WireType, decode_key, decode_varint, skip_field};

/// Most parts (operators, constants, attributes, names of inputs and outputs) in one file: a part of two bytes takes a hundred
/// in memory.
const MOST_PARTS: usize = 200_000;

/// `ModelProto`: the whole file.
#[derive(Clone, PartialEq, Message)]
pub struct Model {
    /// Version of the format.
    #[prost(int64, optional, tag = "1")]
    pub ir_version: Option<i64>,
    /// The network.
    #[prost(message, optional, tag = "7")]
    pub graph: Option<Graph>,
}

/// `GraphProto`: operators in the order in which they run, and their constants.
#[derive(Clone, PartialEq, Message)]
pub struct Graph {
    /// Operators.
    #[prost(message, repeated, tag = "1")]
    pub node: Vec<Node>,
    /// Constants.
    #[prost(message, repeated, tag = "5")]
    pub initializer: Vec<Constant>,
    /// What it is asked with; older files name constants here too.
    #[prost(message, repeated, tag = "11")]
    pub input: Vec<Named>,
    /// What it answers.
    #[prost(message, repeated, tag = "12")]
    pub output: Vec<Named>,
}

/// `ValueInfoProto`: an input or output.
#[derive(Clone, PartialEq, Message)]
pub struct Named {
    /// Its name.
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
}

/// `NodeProto`: an operator.
#[derive(Clone, PartialEq, Message)]
pub struct Node {
    /// Names of what it reads; an empty one is left out.
    #[prost(string, repeated, tag = "1")]
    pub input: Vec<String>,
    /// Names of what it makes.
    #[prost(string, repeated, tag = "2")]
    pub output: Vec<String>,
    /// Which operator it is.
    #[prost(string, optional, tag = "4")]
    pub op_type: Option<String>,
    /// How it works.
    #[prost(message, repeated, tag = "5")]
    pub attribute: Vec<Attribute>,
}

/// `AttributeProto`: how an operator works.
#[derive(Clone, PartialEq, Message)]
pub struct Attribute {
    /// Its name.
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
    /// A number.
    #[prost(float, optional, tag = "2")]
    pub f: Option<f32>,
    /// A whole number.
    #[prost(int64, optional, tag = "3")]
    pub i: Option<i64>,
    /// A word.
    #[prost(string, optional, tag = "4")]
    pub s: Option<String>,
    /// A constant.
    #[prost(message, optional, tag = "5")]
    pub t: Option<Constant>,
    /// Whole numbers.
    #[prost(int64, repeated, tag = "8")]
    pub ints: Vec<i64>,
}

/// `TensorProto`: numbers with their sides.
#[derive(Clone, PartialEq, Message)]
pub struct Constant {
    /// Sides.
    #[prost(int64, repeated, tag = "1")]
    pub dims: Vec<i64>,
    /// Kind of the numbers, one of [`kinds`].
    #[prost(int32, optional, tag = "2")]
    pub data_type: Option<i32>,
    /// Numbers of kind `FLOAT`.
    #[prost(float, repeated, tag = "4")]
    pub float_data: Vec<f32>,
    /// Numbers of the kinds of up to 32 bits.
    #[prost(int32, repeated, tag = "5")]
    pub int32_data: Vec<i32>,
    /// Its name.
    #[prost(string, optional, tag = "8")]
    pub name: Option<String>,
    /// Numbers of any kind as they lie in memory, the low byte first.
    #[prost(bytes = "vec", optional, tag = "9")]
    pub raw_data: Option<Vec<u8>>,
}

/// `TensorProto.DataType`: kinds of numbers that our networks are written in.
pub mod kinds {
    /// 32 bits, a floating point.
    pub const FLOAT: i32 = 1;
    /// 8 bits, from 0.
    pub const UINT8: i32 = 2;
    /// 8 bits, with a sign.
    pub const INT8: i32 = 3;
}

impl Model {
    /// What the bytes of a file say.
    ///
    /// # Errors
    /// When they are no such file, or hold more parts than any network.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        let mut left = MOST_PARTS;
        count(bytes, Part::Model, &mut left)?;
        Self::decode(bytes).map_err(|e| format!("is no ONNX file: {e}"))
    }

    /// The bytes of a file.
    pub fn write(&self) -> Vec<u8> {
        self.encode_to_vec()
    }
}

/// Where in a file a field stands.
#[derive(Clone, Copy)]
enum Part {
    Model,
    Graph,
    Node,
    Attribute,
}

impl Part {
    /// What a field holds when other parts may lie in it.
    fn within(self, field: u32) -> Option<Self> {
        match (self, field) {
            (Self::Model, 7) => Some(Self::Graph),
            (Self::Graph, 1) => Some(Self::Node),
            (Self::Node, 5) => Some(Self::Attribute),
            _ => None,
        }
    }
}

/// Counts the parts of a file before memory is taken for them.
fn count(mut bytes: &[u8], part: Part, left: &mut usize) -> Result<(), String> {
    let damaged = |e: prost::DecodeError| format!("is no ONNX file: {e}");
    while !bytes.is_empty() {
        let (field, kind) = decode_key(&mut bytes).map_err(damaged)?;
        let Some(within) = part.within(field).filter(|_| kind == WireType::LengthDelimited) else {
            skip_field(kind, field, &mut bytes, DecodeContext::default()).map_err(damaged)?;
            *left = left.checked_sub(1).ok_or(format!("has more than {MOST_PARTS} parts"))?;
            continue;
        };
        let length = usize::try_from(decode_varint(&mut bytes).map_err(damaged)?).unwrap_or(usize::MAX);
        let (own, rest) = bytes.split_at_checked(length).ok_or("is no ONNX file: it is cut short")?;
        *left = left.checked_sub(1).ok_or(format!("has more than {MOST_PARTS} parts"))?;
        count(own, within, left)?;
        bytes = rest;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Protocol Buffers, encoding: a length of ten bytes is a number of 64 bits, so that it can reach back when read with a sign.
    #[test]
    fn lengths_beyond_the_end_are_refused() {
        let back = [&[0x3a][..], &[0xff; 9], &[0x01]].concat();
        assert!(Model::read(&back).is_err());
        let unknown = [&[0x7a][..], &[0xf5], &[0xff; 8], &[0x01]].concat();
        assert!(Model::read(&unknown).is_err());
        assert!(Model::read(&[0x0a, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f]).is_err());
        assert!(Model::read(&[]).is_ok_and(|m| m.graph.is_none()));
    }

    #[test]
    fn more_parts_than_any_network_are_refused_before_they_take_memory() {
        let graph = Graph { node: vec![Node::default(); MOST_PARTS + 1], ..Graph::default() };
        let refused = Model { ir_version: None, graph: Some(graph) }.write();
        assert!(Model::read(&refused).is_err_and(|why| why.contains("parts")));
    }
}
