//! The state of a review: the run, the log of hand labels, and how to name ends over the wire.
//!
//! There is no other state than the files: a server that is killed and started again knows the same.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use breakface::labels::{Action, Disputed, EndRef, HandLabel, LabelLog, LabelRow, LabelsError, disputed, place};
use breakface::settings::LabelSettings;
use breakface::table::EndRow;
use breakface::train::TrainingTable;
use breakface::tree::Model;
use breakface::units::Point;

use super::end_id::EndId;
use super::image_cache::ImageCache;
use super::options::Mode;
use super::reply::Refusal;
use super::run::Run;

/// Longest name of a labeller, characters.
const MAX_NAME: usize = 60;

/// What one labeller says of an end now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hand {
    /// The label, when one was given.
    pub label: Option<HandLabel>,
    /// The tip.
    pub tip: Point,
}

/// A new model that waits for a yes.
pub struct RetrainedModel {
    /// The model.
    pub model: Model,
    /// What it learnt from.
    pub table: TrainingTable,
}

/// One running review.
pub struct Session {
    /// What is shown, and what decisions mean.
    pub mode: Mode,
    /// The run that is looked at.
    pub run: Run,
    /// Decoded pictures.
    pub cache: ImageCache,
    /// Labeller of requests that name none.
    pub default_labeller: String,
    log: Mutex<LabelLog>,
    /// Held from looking at the log to adding to it, so that two requests cannot take the same number.
    writing: Mutex<()>,
    /// A new model that waits for a yes.
    retrained: Mutex<Option<RetrainedModel>>,
}

/// What a person asks to be written down.
#[derive(Debug, Clone, Copy)]
pub enum ReviewAction {
    /// A label for an end.
    Label(EndId, HandLabel),
    /// A new place of a tip.
    Move(EndId, Point),
    /// A missed end in a picture.
    Add(usize, Point, HandLabel),
    /// Take the last action back.
    Undo,
}

impl Session {
    /// A review of a run with its log.
    pub fn new(run: Run, log: LabelLog, default_labeller: String, mode: Mode) -> Self {
        Self {
            mode,
            run,
            cache: ImageCache::default(),
            default_labeller,
            log: Mutex::new(log),
            writing: Mutex::new(()),
            retrained: Mutex::new(None),
        }
    }

    /// All rows of the log, each with the end it speaks of.
    pub fn placed_rows(&self) -> Vec<LabelRow> {
        let mut log = self.log();
        // A file that cannot be read now is said when something is written.
        let _ = log.refresh();
        place(log.rows(), &self.run.ends, &self.run.settings.label)
    }

    /// What a labeller says, by end; to an adjudicator, what adjudicators say.
    pub fn hand_of(&self, labeller: &str) -> BTreeMap<EndId, Hand> {
        let adjudicates = self.mode == Mode::Adjudicate;
        let is_own =
            |r: &&LabelRow| r.action.is_adjudication() == adjudicates && (adjudicates || r.labeller == labeller);
        let mut out = BTreeMap::new();
        for row in self.placed_rows().iter().filter(is_own) {
            let Some(id) = self.id_of(row) else { continue };
            let hand = Hand { label: row.label, tip: row.tip };
            let is_gone = row.label.is_none() && matches!(id.end, EndRef::Added(_));
            if is_gone {
                out.remove(&id)
            } else {
                out.insert(id, hand)
            };
        }
        out
    }

    /// Ends on which labellers differ.
    pub fn disputed(&self) -> BTreeMap<EndId, Disputed> {
        let ends = disputed(&self.placed_rows()).into_iter();
        ends.filter_map(|d| Some((EndId { picture: self.run.picture_number(&d.image)?, end: d.end? }, d))).collect()
    }

    /// The id of the end a placed row speaks of; `None` when its picture is not part of the run.
    pub fn id_of(&self, row: &LabelRow) -> Option<EndId> {
        Some(EndId { picture: self.run.picture_number(&row.image)?, end: row.end? })
    }

    /// Writes an action down and returns the end it was about.
    pub fn write(&self, labeller: &str, action: ReviewAction) -> Result<EndId, Refusal> {
        let labeller = checked_name(labeller)?;
        self.check_spelling(labeller)?;
        let _turn = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let hand = self.hand_of(labeller);
        let row = match action {
            ReviewAction::Label(id, label) if self.mode == Mode::Adjudicate => self.decision(labeller, id, label)?,
            ReviewAction::Move(..) | ReviewAction::Add(..) if self.mode == Mode::Adjudicate => {
                return Err(Refusal::new(
                    400,
                    "here labels are decided; tips are moved and ends are added while labelling",
                ));
            }
            ReviewAction::Label(id, label) => {
                let tip = self.tip(id, &hand)?;
                self.row(labeller, id, tip, Some(label), Action::Label)
            }
            ReviewAction::Move(id, to) => {
                self.tip(id, &hand)?;
                self.check_place(id.picture, to)?;
                self.check_move(id, to)?;
                self.row(labeller, id, to, hand.get(&id).and_then(|h| h.label), Action::Move)
            }
            ReviewAction::Add(picture, at, label) => {
                self.check_place(picture, at)?;
                if label == HandLabel::NotAnEnd {
                    return Err(Refusal::new(400, "an added end is sheared, tensile or unclear"));
                }
                let id = EndId { picture, end: EndRef::Added(self.next_added(picture)) };
                self.row(labeller, id, at, Some(label), Action::Add)
            }
            ReviewAction::Undo => self
                .log()
                .undo_row(labeller, self.mode == Mode::Adjudicate, |row| {
                    self.id_of(row).and_then(|id| self.run.end(id)).map(found_tip)
                })
                .ok_or_else(|| Refusal::new(409, "there is nothing to take back"))?,
        };
        let id = place(std::slice::from_ref(&row), &self.run.ends, &self.run.settings.label)
            .first()
            .and_then(|r| self.id_of(r))
            .ok_or_else(|| Refusal::not_found("picture"))?;
        self.log().append(row).map_err(not_kept)?;
        Ok(id)
    }

    /// A labeller that the log knows by another spelling would count as two people, with two votes.
    pub fn check_spelling(&self, labeller: &str) -> Result<(), Refusal> {
        let plain = |name: &str| name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        let log = self.log();
        let known = || log.rows().iter().map(|r| r.labeller.as_str());
        match known().find(|name| plain(name) == plain(labeller)) {
            Some(other) if known().all(|name| name != labeller) => Err(Refusal::new(
                409,
                format!("labels.csv has this labeller as {other:?}; write the name the same way"),
            )),
            _ => Ok(()),
        }
    }

    /// Keeps a new model until it is taken or another one is made.
    pub fn keep_retrained(&self, retrained: RetrainedModel) {
        *self.retrained.lock().unwrap_or_else(PoisonError::into_inner) = Some(retrained);
    }

    /// The model that waits.
    pub fn take_retrained(&self) -> Option<RetrainedModel> {
        self.retrained.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    fn row(&self, labeller: &str, id: EndId, tip: Point, label: Option<HandLabel>, action: Action) -> LabelRow {
        let image = self.run.pictures[id.picture].row.series.image.clone();
        let when = chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
        LabelRow { image, tip, label, labeller: labeller.into(), when, action, end: Some(id.end) }
    }

    /// A decision between labellers.
    fn decision(&self, labeller: &str, id: EndId, label: HandLabel) -> Result<LabelRow, Refusal> {
        let disputed = self.disputed();
        let end = disputed.get(&id).ok_or_else(|| Refusal::new(400, "labellers do not differ on this end"))?;
        Ok(self.row(labeller, id, end.tip, Some(label), Action::Adjudicate))
    }

    /// Where an end is in the eyes of a labeller.
    fn tip(&self, id: EndId, hand: &BTreeMap<EndId, Hand>) -> Result<Point, Refusal> {
        let found = self.run.end(id).map(found_tip);
        hand.get(&id).map(|h| h.tip).or(found).ok_or_else(|| Refusal::not_found("end"))
    }

    fn check_place(&self, picture: usize, at: Point) -> Result<(), Refusal> {
        let picture = self.run.pictures.get(picture).ok_or_else(|| Refusal::not_found("picture"))?;
        let inside = |v: f64, n: Option<u32>| -0.5 <= v && n.is_none_or(|n| v < f64::from(n) - 0.5) && v.is_finite();
        if inside(at.x, picture.row.width_px) && inside(at.y, picture.row.height_px) {
            return Ok(());
        }
        Err(Refusal::new(400, "this place is outside the picture"))
    }

    fn check_move(&self, id: EndId, to: Point) -> Result<(), Refusal> {
        let Some(end) = self.run.end(id) else { return Ok(()) };
        if found_tip(end).distance(to) <= reach(end, &self.run.settings.label) {
            return Ok(());
        }
        Err(Refusal::new(
            400,
            "that is too far from where this end was found; say that this one is not an end, and add the other one",
        ))
    }

    fn next_added(&self, picture: usize) -> u32 {
        let numbers = self.placed_rows().into_iter().filter_map(|row| match self.id_of(&row)? {
            EndId { picture: p, end: EndRef::Added(n) } if p == picture => Some(n),
            _ => None,
        });
        numbers.max().unwrap_or(0).saturating_add(1)
    }

    fn log(&self) -> MutexGuard<'_, LabelLog> {
        self.log.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Why a label was not kept, and what to do.
fn not_kept(error: LabelsError) -> Refusal {
    use std::io::ErrorKind::{FileTooLarge, NotFound, Other, QuotaExceeded, StorageFull};
    let kind = match &error {
        LabelsError::NotKept { source, .. } => source.kind(),
        _ => Other,
    };
    let (status, advice) = match kind {
        StorageFull | QuotaExceeded | FileTooLarge => (507, "free some room and try again"),
        NotFound => (409, "the folder of results is not there any more; put it back and try again"),
        _ => (409, "put that right and try again"),
    };
    let error = anyhow::Error::new(error);
    Refusal::new(status, format!("{error:#}; {advice}, everything before is kept"))
}

/// A name that can stand in the log, without blanks around it.
pub fn checked_name(name: &str) -> Result<&str, Refusal> {
    let name = name.trim();
    if name.is_empty() || MAX_NAME < name.chars().count() || name.chars().any(char::is_control) {
        return Err(Refusal::new(
            400,
            format!("a labeller's name has 1 to {MAX_NAME} characters, all of them printable"),
        ));
    }
    Ok(name)
}

/// Where the run has found an end.
pub fn found_tip(end: &EndRow) -> Point {
    Point::new(end.x_px, end.y_px)
}

fn reach(end: &EndRow, settings: &LabelSettings) -> f64 {
    let diameter = end.features.get("shaft_diameter_px").unwrap_or(0.0);
    settings.match_px.max(settings.max_move_diameters * diameter)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_checked() {
        assert_eq!(checked_name("  Jö B. ").unwrap(), "Jö B.");
        assert!(checked_name(" ").is_err());
        assert!(checked_name("a\nb").is_err());
        assert!(checked_name(&"a".repeat(61)).is_err());
    }
}
