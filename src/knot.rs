//! Break faces -> knots: ranking, comparison, efficiency, capacity.
