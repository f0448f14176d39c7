//! The forward pass of our networks: convolutions of small pictures, channels side by side.
//!
//! ONNX file -> [`load`] -> [`Program`]; input -> answer. Only the operators that our networks are made of are known; a file that asks
//! for others is refused when it is loaded. Everything runs in the thread that asks, and every sum is added in one order,
//! so that the answer is the same whatever the number of threads. Vectors are those of `rten-simd`: AVX-512, AVX2, NEON or
//! plain code, whichever the processor has.
//!
//! A package of its own, so that test builds of the program run it at full speed.

// What a layer holds, and buffers that serve one layer after the other.
mod activation;

// Products of rows of inputs with panels of weights.
mod kernel;

// How the window of a convolution or a mean moves.
mod window;

// What becomes of the sums of a convolution.
mod finish;

// Convolutions of any shape.
mod convolution;

// Convolutions of each channel by itself.
mod depthwise;

// 3 x 3 convolutions with a quarter of the products.
mod winograd;

// Sums, roots, means and rearrangements.
mod elementwise;

// Means of windows.
mod pooling;

// The steps of a network, and how they are run.
mod program;

/// What an ONNX file says.
pub mod file;

// Constants of a file.
mod constants;

// ONNX file -> steps.
mod onnx;

pub use onnx::load;
pub use program::Program;
