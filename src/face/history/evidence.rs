//! The figures of a face in words.

use super::Figures;

/// What the pictures show, with its numbers.
pub(super) fn words(figures: &Figures) -> String {
    let Figures { labelled, sheared, .. } = figures;
    let length = |name: &str| figures.get(name).map(f64::exp_m1);
    let mut said = vec![format!("{sheared} of {labelled} labelled ends sheared")];
    let lengths = [(length("sheared_spread"), "sheared"), (length("tensile_spread"), "tensile")];
    for (found, label) in lengths {
        said.extend(found.map(|l| format!("{label} tips over {l:.0} fibre diameters of the line")));
    }
    said.extend(length("label_distance").map(|l| format!("the middles of both {l:.0} diameters apart")));
    said.extend(length("largest_gap").map(|l| format!("longest stretch without a tip {l:.0} diameters")));
    said.extend(figures.get("cut_angle").map(|deg| format!("cuts at {deg:.0}° to square")));
    said.extend(figures.get("carrier_stagger").map(|r| {
        format!("cuts of the carriers {:.1} times as far apart along the line as the ends of one carrier", r.exp())
    }));
    said.join("; ")
}
