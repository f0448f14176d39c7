//! The steps of a network, and how they are run.

use std::cell::RefCell;
use std::sync::Mutex;

use crate::activation::{Activation, Buffers, Shape};
use crate::convolution::Convolution;
use crate::elementwise::{self, Pairwise};
use crate::pooling::Mean;

thread_local! {
    static BUFFERS: RefCell<Buffers> = RefCell::default();
}

/// Number of a layer: the input is 0, each step makes the next.
pub(super) type Layer = usize;

/// What one step does.
#[derive(Debug)]
pub(super) enum Action {
    /// A convolution, with another layer added.
    Convolve(Box<Convolution>, Layer, Option<Layer>),
    /// Means of windows.
    Mean(Mean, Layer),
    /// Two layers laid over each other.
    Pair(Pairwise, Layer, Layer),
    /// A layer and one number.
    Constant(Pairwise, Layer, f32),
    /// Square roots.
    Sqrt(Layer),
    /// The layer itself.
    Same(Layer),
    /// Places repeated, with another layer added.
    Repeat([usize; 2], Layer, Option<Layer>),
    /// Channels one after the other.
    Join(Vec<Layer>),
    /// All numbers as channels of one place.
    Flatten(Layer),
    /// Channels as squares of places.
    Unfold(usize, Layer),
}

impl Action {
    /// The layers that it reads.
    fn reads(&self) -> Vec<Layer> {
        match self {
            Self::Convolve(_, a, added) | Self::Repeat(_, a, added) => {
                [Some(*a), *added].into_iter().flatten().collect()
            }
            Self::Pair(_, a, b) => vec![*a, *b],
            Self::Join(all) => all.clone(),
            Self::Mean(_, a)
            | Self::Constant(_, a, _)
            | Self::Sqrt(a)
            | Self::Same(a)
            | Self::Flatten(a)
            | Self::Unfold(_, a) => vec![*a],
        }
    }
}

/// One step of a network.
#[derive(Debug)]
pub(super) struct Step {
    /// The layer that it makes.
    pub(super) makes: Layer,
    /// What it does.
    pub(super) action: Action,
    /// Whether negative numbers of the answer become 0.
    pub(super) relu: bool,
    /// Layers that no later step reads.
    pub(super) last_read: Vec<Layer>,
}

/// A network as steps.
#[derive(Debug)]
pub struct Program {
    steps: Vec<Step>,
    answer: Layer,
    layers: usize,
    /// Whether the answer has one place a picture, and so two sides.
    flat: bool,
}

impl Program {
    /// Puts steps in order to be run; `layers` is how many layers there are, `flat` whether the answer has two sides.
    pub(super) fn of(mut steps: Vec<Step>, answer: Layer, layers: usize, flat: bool) -> Self {
        let mut read_later = vec![false; layers];
        read_later[answer] = true;
        for step in steps.iter_mut().rev() {
            for layer in step.action.reads() {
                if !std::mem::replace(&mut read_later[layer], true) {
                    step.last_read.push(layer);
                }
            }
        }
        prepare(&mut steps);
        Self { steps, answer, layers, flat }
    }

    /// The answer to an input of pictures, channels, rows and columns: its sides and numbers.
    ///
    /// # Errors
    /// When the input does not fit the network.
    pub fn run(&self, sides: [usize; 4], input: &[f32]) -> Result<(Vec<usize>, Vec<f32>), String> {
        let [pictures, channels, rows, columns] = sides;
        let shape = Shape { pictures, rows, columns, channels };
        if input.len() != shape.places() * channels || input.is_empty() {
            return Err("an input without numbers".to_owned());
        }
        BUFFERS.with_borrow_mut(|buffers| {
            let mut layers: Vec<Option<Activation>> = (0..self.layers).map(|_| None).collect();
            layers[0] = Some(Activation::from_planes(shape, input, buffers));
            for step in &self.steps {
                let made = step.run(&layers, buffers)?;
                layers[step.makes] = Some(made);
                step.last_read.iter().filter_map(|l| layers[*l].take()).for_each(|layer| buffers.done(layer));
            }
            let answer = layers[self.answer].take().ok_or("a network without an answer")?;
            let Shape { pictures, rows, columns, channels } = answer.shape;
            let sides = if self.flat { vec![pictures, channels] } else { vec![pictures, channels, rows, columns] };
            let planes = answer.to_planes();
            buffers.done(answer);
            layers.into_iter().flatten().for_each(|layer| buffers.done(layer));
            Ok((sides, planes))
        })
    }
}

/// Prepares all convolutions, shared out among the processor's cores: those of a large network take a tenth of a second.
fn prepare(steps: &mut [Step]) {
    let convolutions: Vec<&mut Convolution> = steps
        .iter_mut()
        .filter_map(|step| match &mut step.action {
            Action::Convolve(convolution, ..) => Some(&mut **convolution),
            _ => None,
        })
        .collect();
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let workers = cores.min(convolutions.len());
    let next = Mutex::new(convolutions.into_iter());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(convolution) = next.lock().ok().and_then(|mut next| next.next()) {
                    convolution.prepare();
                }
            });
        }
    });
}

impl Step {
    fn run(&self, layers: &[Option<Activation>], buffers: &mut Buffers) -> Result<Activation, String> {
        let layer = |k: &Layer| layers.get(*k).and_then(Option::as_ref).ok_or("a step before what it reads");
        let other = |k: &Option<Layer>| k.as_ref().map(layer).transpose();
        // A convolution leaves negative numbers out as it writes.
        if let Action::Convolve(convolution, a, added) = &self.action {
            return convolution.run(layer(a)?, other(added)?, self.relu, buffers);
        }
        let mut made = match &self.action {
            Action::Convolve(convolution, a, added) => convolution.run(layer(a)?, other(added)?, false, buffers)?,
            Action::Mean(mean, a) => mean.run(layer(a)?, buffers)?,
            Action::Pair(how, a, b) => how.layers(layer(a)?, layer(b)?, buffers)?,
            Action::Constant(how, a, number) => how.constant(layer(a)?, *number, buffers),
            Action::Sqrt(a) => elementwise::sqrt(layer(a)?, buffers),
            Action::Same(a) => Pairwise::Add.constant(layer(a)?, 0.0, buffers),
            Action::Repeat(times, a, added) => elementwise::repeated(layer(a)?, *times, other(added)?, buffers)?,
            Action::Join(all) => {
                let all = all.iter().map(layer).collect::<Result<Vec<_>, _>>()?;
                elementwise::joined(&all, buffers)?
            }
            Action::Flatten(a) => elementwise::flattened(layer(a)?, buffers),
            Action::Unfold(side, a) => elementwise::unfolded(layer(a)?, *side, buffers)?,
        };
        if self.relu {
            elementwise::relu(&mut made);
        }
        Ok(made)
    }
}
