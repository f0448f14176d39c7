//! Statistics: intervals, circular and axial data, controls, comparison, bundle theory. One file each.
