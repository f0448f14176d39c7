//! Unit and meaning of every column as Arrow keeps them: a schema message in the metadata of a Parquet file, from which
//! pyarrow, polars, duckdb and others take the metadata of their fields.
//!
//! Source: Apache Arrow, columnar format, "Serialization and Interprocess Communication", and its definitions
//! `Schema.fbs` and `Message.fbs` (version 5). Places in a table are numbered in the order of its fields there, from 4 in
//! steps of 2.

use crate::tabular::{CellKind, Column};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use flatbuffers::{FlatBufferBuilder, TableFinishedWIPOffset, WIPOffset};

/// The key of the message in the metadata of a file.
pub(super) const KEY: &str = "ARROW:schema";

type Table = WIPOffset<TableFinishedWIPOffset>;

/// The message for these columns, as base64 of its encapsulated form.
pub(super) fn schema(columns: &[Column]) -> String {
    let mut to = FlatBufferBuilder::new();
    let fields: Vec<_> = columns.iter().map(|column| field(&mut to, column)).collect();
    let fields = to.create_vector(&fields);
    let schema = table(&mut to, |to| to.push_slot_always(6, fields));
    let message = table(&mut to, |to| {
        to.push_slot_always(8, schema);
        to.push_slot_always(4, VERSION_5);
        to.push_slot_always(6, HEADER_IS_SCHEMA);
    });
    to.finish_minimal(message);
    let message = to.finished_data();
    let mut bytes = vec![0xff; 4];
    bytes.extend((message.len() as u32).to_le_bytes());
    bytes.extend(message);
    STANDARD.encode(bytes)
}

const VERSION_5: i16 = 4;
const HEADER_IS_SCHEMA: u8 = 1;

fn field(to: &mut FlatBufferBuilder<'_>, column: &Column) -> Table {
    let metadata = [pair(to, "meaning", &column.meaning), pair(to, "unit", column.unit)];
    let metadata = to.create_vector(&metadata);
    let name = to.create_string(&column.name);
    // Some readers want an empty list of children rather than none.
    let children = to.create_vector::<Table>(&[]);
    let (kind, of_kind) = kind(to, column.kind);
    table(to, |to| {
        to.push_slot_always(4, name);
        to.push_slot_always(10, of_kind);
        to.push_slot_always(14, children);
        to.push_slot_always(16, metadata);
        to.push_slot_always(8, kind);
        to.push_slot_always(6, true);
    })
}

/// The number of a type and its table.
fn kind(to: &mut FlatBufferBuilder<'_>, kind: CellKind) -> (u8, Table) {
    match kind {
        CellKind::Text => (5, table(to, |_| ())),
        // Precision: 2 = double.
        CellKind::Number => (3, table(to, |to| to.push_slot_always(4, 2_i16))),
        // Width in bits; no sign, which is what a missing entry says.
        CellKind::Count => (2, table(to, |to| to.push_slot_always(4, 64_i32))),
        CellKind::YesNo => (6, table(to, |_| ())),
    }
}

fn pair(to: &mut FlatBufferBuilder<'_>, key: &str, value: &str) -> Table {
    let (key, value) = (to.create_string(key), to.create_string(value));
    table(to, |to| {
        to.push_slot_always(4, key);
        to.push_slot_always(6, value);
    })
}

fn table<'a>(to: &mut FlatBufferBuilder<'a>, fill: impl FnOnce(&mut FlatBufferBuilder<'a>)) -> Table {
    let start = to.start_table();
    fill(to);
    to.end_table(start)
}
