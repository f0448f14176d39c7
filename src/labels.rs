//! Hand labels: `labels.csv`.
