//! The JSON of the page: what goes out. Field names are part of the page's code, nothing else reads them.

use std::collections::BTreeMap;

use breakface::labels::{Disputed, EndRef, Guide, HandLabel, Kappa, Labelled, agreement, cohen_kappa, guide};
use breakface::measure::FEATURES;
use breakface::table::EndRow;
use breakface::tree::Label;
use serde::Serialize;

use super::end_id::EndId;
use super::options::Mode;
use super::session::{Hand, Session};

/// Everything the page needs to begin.
#[derive(Debug, Serialize)]
pub struct State {
    title: String,
    version: &'static str,
    model: String,
    labeller: String,
    labellers: Vec<String>,
    /// `open`, `blind` or `adjudicate`.
    mode: &'static str,
    pictures: Vec<PictureItem>,
    ends: Vec<EndItem>,
    standing: Standing,
}

#[derive(Debug, Serialize)]
struct PictureItem {
    name: String,
    specimen: String,
    width: Option<u32>,
    height: Option<u32>,
    um_per_px: Option<f64>,
    /// Why it cannot be shown; empty = it can.
    missing: String,
}

/// One end in the list.
#[derive(Debug, Serialize)]
pub struct EndItem {
    id: String,
    picture: usize,
    end: String,
    specimen: String,
    x: f64,
    y: f64,
    axis: Option<f64>,
    diameter: Option<f64>,
    carrier: Option<u32>,
    cut_angle: Option<f64>,
    bulb: Option<f64>,
    /// The model's label; missing for added ends.
    label: Option<&'static str>,
    p: Option<f64>,
    reason: String,
    hand: Option<HandItem>,
    /// Whether a person added it.
    added: bool,
    /// Whether the model's answer is hidden until this labeller has decided.
    hidden: bool,
    /// To an adjudicator: who says what, when labellers differ.
    said: Vec<SaidItem>,
}

#[derive(Debug, Serialize)]
struct SaidItem {
    labeller: String,
    label: &'static str,
}

#[derive(Debug, Serialize)]
struct HandItem {
    label: Option<&'static str>,
    x: f64,
    y: f64,
}

/// How far the labeller is, and how far they agree with the model.
#[derive(Debug, Serialize)]
pub struct Standing {
    n_ends: usize,
    n_labelled: usize,
    n_added: usize,
    /// Found ends that hand and model both call sheared or tensile or unclear.
    n_compared: usize,
    n_same: usize,
    kappa: Option<f64>,
    /// What to label next for a model of one's own.
    guide: Guide,
}

/// What an action changed.
#[derive(Debug, Serialize)]
pub struct Changed {
    /// The end; missing when an added end is gone.
    end: Option<EndItem>,
    id: String,
    standing: Standing,
}

/// The measurements of one end and its way through the tree.
#[derive(Debug, Default, Serialize)]
pub struct Details {
    measurements: Vec<Measurement>,
    path: Vec<PathStep>,
    leaf: Option<[f64; 2]>,
    outside: Vec<&'static str>,
    quality: Option<f64>,
    subtype: String,
    /// Whether everything that measuring and the model say is left out until this labeller has decided.
    hidden: bool,
}

#[derive(Debug, Serialize)]
struct Measurement {
    name: &'static str,
    unit: &'static str,
    meaning: &'static str,
    value: Option<f64>,
}

#[derive(Debug, Serialize)]
struct PathStep {
    name: &'static str,
    unit: &'static str,
    meaning: &'static str,
    value: Option<f64>,
    threshold: f64,
    low: bool,
    counts: [f64; 2],
}

/// How two labellers agree.
#[derive(Debug, Serialize)]
pub struct AgreementItem {
    labellers: [String; 2],
    n_both: usize,
    n_same: usize,
    kappa: Option<Kappa>,
    differ: Vec<DifferItem>,
}

#[derive(Debug, Serialize)]
struct DifferItem {
    id: Option<String>,
    image: String,
    end: String,
    first: &'static str,
    second: &'static str,
}

/// The whole state in the eyes of a labeller.
pub fn state(session: &Session, labeller: &str) -> State {
    let hand = session.hand_of(labeller);
    let rows = session.placed_rows();
    let mut labellers: Vec<String> = rows.iter().map(|r| r.labeller.clone()).filter(|l| !l.is_empty()).collect();
    labellers.sort();
    labellers.dedup();
    let pictures = session.run.pictures.iter().map(|p| PictureItem {
        name: p.row.series.image.clone(),
        specimen: p.row.series.specimen.clone(),
        width: p.row.width_px,
        height: p.row.height_px,
        um_per_px: p.row.um_per_px,
        missing: p.missing(),
    });
    let ends = items(session, &hand);
    State {
        title: session.run.title.clone(),
        version: env!("CARGO_PKG_VERSION"),
        model: session.run.model_name.clone(),
        labeller: labeller.into(),
        labellers,
        mode: session.mode.word(),
        pictures: pictures.collect(),
        ends,
        standing: standing(session, &hand),
    }
}

/// All ends; to an adjudicator those on which labellers differ.
fn items(session: &Session, hand: &BTreeMap<EndId, Hand>) -> Vec<EndItem> {
    if session.mode == Mode::Adjudicate {
        return session.disputed().iter().map(|(id, d)| disputed_item(session, *id, d)).collect();
    }
    let found = session.run.ends_with_ids().map(|(id, row)| found_item(session, id, row, hand.get(&id)));
    let added = hand.iter().filter(|(id, _)| matches!(id.end, EndRef::Added(_)));
    found.chain(added.map(|(id, h)| added_item(session, *id, *h))).collect()
}

fn disputed_item(session: &Session, id: EndId, disputed: &Disputed) -> EndItem {
    let hand = disputed.decided.as_ref().map(|(_, label)| Hand { label: Some(*label), tip: disputed.tip });
    let item = match session.run.end(id) {
        Some(row) => found_item(session, id, row, hand.as_ref()),
        None => {
            let undecided = Hand { label: None, tip: disputed.tip };
            added_item(session, id, hand.unwrap_or(undecided))
        }
    };
    let said = disputed.said.iter().map(|(who, label)| SaidItem { labeller: who.clone(), label: label.word() });
    EndItem { said: said.collect(), ..item }
}

/// What an end looks like now, after an action.
pub fn changed(session: &Session, labeller: &str, id: EndId) -> Changed {
    let hand = session.hand_of(labeller);
    let end = match (session.mode, session.run.end(id)) {
        (Mode::Adjudicate, _) => session.disputed().get(&id).map(|d| disputed_item(session, id, d)),
        (_, Some(row)) => Some(found_item(session, id, row, hand.get(&id))),
        (_, None) => hand.get(&id).map(|h| added_item(session, id, *h)),
    };
    Changed { end, id: id.text(), standing: standing(session, &hand) }
}

/// Whether this labeller must not see yet what the model says of an end.
fn is_hidden(session: &Session, hand: Option<&Hand>) -> bool {
    session.mode == Mode::Blind && hand.is_none_or(|h| h.label.is_none())
}

fn found_item(session: &Session, id: EndId, row: &EndRow, hand: Option<&Hand>) -> EndItem {
    let hidden = is_hidden(session, hand);
    let shown = |name: &str| row.features.get(name).filter(|_| !hidden);
    EndItem {
        id: id.text(),
        picture: id.picture,
        end: id.end.text(),
        specimen: row.specimen.clone(),
        x: row.x_px,
        y: row.y_px,
        axis: Some(row.axis_deg),
        diameter: row.features.get("shaft_diameter_px"),
        carrier: row.carrier,
        cut_angle: shown("cut_angle_deg"),
        bulb: shown("bulb_ratio"),
        label: Some(row.label.word()).filter(|_| !hidden),
        p: row.p_sheared.filter(|_| !hidden),
        reason: if hidden { String::new() } else { row.reason.to_string() },
        hand: hand.map(hand_item),
        added: false,
        hidden,
        said: Vec::new(),
    }
}

fn added_item(session: &Session, id: EndId, hand: Hand) -> EndItem {
    EndItem {
        id: id.text(),
        picture: id.picture,
        end: id.end.text(),
        specimen: session.run.pictures[id.picture].row.series.specimen.clone(),
        x: hand.tip.x,
        y: hand.tip.y,
        axis: None,
        diameter: session.run.pictures[id.picture].row.median_shaft_diameter_px,
        carrier: None,
        cut_angle: None,
        bulb: None,
        label: None,
        p: None,
        reason: String::new(),
        hand: Some(hand_item(&hand)),
        added: true,
        hidden: false,
        said: Vec::new(),
    }
}

fn hand_item(hand: &Hand) -> HandItem {
    HandItem { label: hand.label.map(HandLabel::word), x: hand.tip.x, y: hand.tip.y }
}

fn standing(session: &Session, hand: &BTreeMap<EndId, Hand>) -> Standing {
    let mut table = [[0usize; 4]; 4];
    let (mut n_labelled, mut n_added) = (0, 0);
    for (id, said) in hand {
        let Some(label) = said.label else { continue };
        match session.run.end(*id) {
            Some(row) => {
                n_labelled += 1;
                table[label as usize][column(row.label)] += 1;
            }
            None => n_added += 1,
        }
    }
    let adjudicates = session.mode == Mode::Adjudicate;
    // How far one agrees with the model would be a hint on the ends that follow.
    let compared = session.mode == Mode::Open;
    Standing {
        n_ends: if adjudicates { session.disputed().len() } else { session.run.ends.len() },
        n_labelled,
        n_added,
        n_compared: if compared { n_labelled } else { 0 },
        n_same: (0..4).map(|i| table[i][i]).sum(),
        kappa: if compared { cohen_kappa(&table) } else { None },
        guide: guide_of(session, hand),
    }
}

fn guide_of(session: &Session, hand: &BTreeMap<EndId, Hand>) -> Guide {
    let mut specimens: BTreeMap<String, Labelled> = BTreeMap::new();
    for (id, end) in session.run.ends_with_ids() {
        let name = if end.specimen.is_empty() { &end.image } else { &end.specimen };
        let labelled = specimens.entry(name.clone()).or_default();
        labelled.ends += 1;
        match hand.get(&id).and_then(|h| h.label) {
            Some(HandLabel::Sheared) => labelled.sheared += 1,
            Some(HandLabel::Tensile) => labelled.tensile += 1,
            Some(HandLabel::Unclear | HandLabel::NotAnEnd) => labelled.other += 1,
            None => {}
        }
    }
    guide(&specimens)
}

/// The hand label that says the same as a model's label.
fn column(label: Label) -> usize {
    match label {
        Label::Sheared => HandLabel::Sheared as usize,
        Label::Tensile => HandLabel::Tensile as usize,
        Label::Unclear => HandLabel::Unclear as usize,
    }
}

/// Measurements and way through the tree of a found end.
pub fn details(session: &Session, id: EndId, row: &EndRow, labeller: &str) -> Details {
    if is_hidden(session, session.hand_of(labeller).get(&id)) {
        return Details { hidden: true, ..Details::default() };
    }
    let model = &session.run.model;
    let measurements = FEATURES.iter().map(|f| Measurement {
        name: f.name,
        unit: f.unit,
        meaning: f.meaning,
        value: row.features.get(f.name),
    });
    let path = model.path(&row.features).into_iter().map(|step| PathStep {
        name: step.feature.name,
        unit: step.feature.unit,
        meaning: step.feature.meaning,
        value: step.value,
        threshold: step.threshold,
        low: step.side == breakface::tree::Side::Low,
        counts: [step.counts.0, step.counts.1],
    });
    let leaf = model.leaf_counts(&row.features);
    Details {
        measurements: measurements.collect(),
        path: path.collect(),
        leaf: Some([leaf.0, leaf.1]),
        outside: model.out_of_range(&row.features),
        quality: Some(row.quality),
        subtype: row.subtype.clone(),
        hidden: false,
    }
}

/// Agreement of every pair of labellers.
pub fn agreements(session: &Session) -> Vec<AgreementItem> {
    let rows = session.placed_rows();
    let pairs = agreement(&rows).into_iter().map(|a| AgreementItem {
        differ: a
            .disagreements
            .into_iter()
            .map(|d| DifferItem {
                id: id_text(session, &d.image, d.end),
                end: d.end.map(EndRef::text).unwrap_or_default(),
                image: d.image,
                first: d.first.word(),
                second: d.second.word(),
            })
            .collect(),
        labellers: a.labellers,
        n_both: a.n_both,
        n_same: a.n_same,
        kappa: a.kappa,
    });
    pairs.collect()
}

fn id_text(session: &Session, image: &str, end: Option<EndRef>) -> Option<String> {
    Some(EndId { picture: session.run.picture_number(image)?, end: end? }.text())
}
