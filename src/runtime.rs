//! The networks' runtime: one thread for each thread that asks, kept for its next question.
//!
//! Sums are then added in one order whatever the number of threads, and memory that a picture has freed serves the next
//! one: threads made anew for each question would each keep a share of their own.

use std::sync::Arc;

use rten::{Model, RunOptions, ThreadPool, Value, ValueOrView};

thread_local! {
    static OWN: Arc<ThreadPool> = Arc::new(ThreadPool::with_num_threads(1));
}

/// Runs a network with one input and one output.
///
/// # Errors
/// What the runtime says, when shapes do not fit.
pub(crate) fn run(model: &Model, input: ValueOrView<'_>) -> Result<Value, String> {
    let options = RunOptions::default().with_thread_pool(Some(OWN.with(Arc::clone)));
    model.run_one(input, Some(options)).map_err(|e| e.to_string())
}

/// The same for a caller that holds a whole picture: while it waits, a worker of a pool would take up another picture
/// (and so hold two at once), a thread of its own does not.
///
/// # Errors
/// As [`run`].
pub(crate) fn run_alone(model: &Model, input: ValueOrView<'_>) -> Result<Value, String> {
    if rayon::current_thread_index().is_none() {
        return run(model, input);
    }
    std::thread::scope(|scope| {
        let worker = scope.spawn(|| run(model, input));
        worker.join().unwrap_or_else(|_| Err("the network's runtime stopped".to_owned()))
    })
}
