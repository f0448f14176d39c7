//! One picture and one series: order, parallelism, outcomes, events.
