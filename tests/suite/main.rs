//! Every integration test, in one binary. One `mod` line per file; a module tests one topic through the public
//! interface of the library or through the real program.

mod answers;
mod attacks;
mod bad_inputs;
mod calibrate;
mod cli;
mod damage;
mod driver;
mod edited;
mod faults;
mod formats;
mod golden;
mod hand_labels;
mod lab;
mod marks;
mod networks;
mod quality;
mod report;
mod review;
mod review_safety;
mod runs;
mod runtime;
mod scale_bars;
mod schema;
mod settings_sweep;
mod shards;
mod stack;
mod strangers;
mod tidy;
mod tree;
mod versions;
