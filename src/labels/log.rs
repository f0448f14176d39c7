//! The open `labels.csv`: rows appended one by one, each on the disk before anybody is told that it was kept.

use std::fs::{File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::{Action, LabelRow, LabelsError, end_key, header_line, parse_labels, row_line};
use crate::units::Point;

/// An open log of hand labels.
#[derive(Debug)]
pub struct LabelLog {
    path: PathBuf,
    file: Option<File>,
    rows: Vec<LabelRow>,
    /// Bytes of the file that hold whole rows.
    length: u64,
}

impl LabelLog {
    /// Opens the log; a file that does not exist yet is made with the first row.
    ///
    /// A last line cut short by a crash is dropped. A file with other columns (made by hand) is rewritten with ours and
    /// kept beside it as `labels-as-found.csv`.
    ///
    /// # Errors
    /// When the file is there and cannot be read, understood or opened for writing.
    pub fn open(path: &Path) -> Result<Self, LabelsError> {
        let io_error = |source| LabelsError::Io { path: path.into(), source };
        let bytes = match std::fs::read(path) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(e) => return Err(io_error(e)),
        };
        let rows = parse_labels(&bytes, path)?;
        let mut log = Self { path: path.into(), file: None, rows, length: 0 };
        if bytes.is_empty() {
            return Ok(log);
        }
        let ours = log.all_lines();
        if bytes != ours {
            if !bytes.starts_with(header_line().trim_ascii_end()) {
                std::fs::write(path.with_file_name("labels-as-found.csv"), &bytes).map_err(io_error)?;
            }
            write_atomically(path, &ours).map_err(io_error)?;
        }
        log.length = ours.len() as u64;
        let file = OpenOptions::new().write(true).open(path).map_err(io_error)?;
        log.file = Some(file);
        Ok(log)
    }

    /// All rows in the order in which they were written.
    pub fn rows(&self) -> &[LabelRow] {
        &self.rows
    }

    /// Appends a row and waits until the disk has it.
    ///
    /// # Errors
    /// When the disk refuses (full, gone, read-only): then nothing of the row is kept, and everything before stays.
    pub fn append(&mut self, row: LabelRow) -> Result<(), LabelsError> {
        self.write(&row_line(&row)).map_err(|source| LabelsError::NotKept { path: self.path.clone(), source })?;
        self.rows.push(row);
        Ok(())
    }

    /// The row that takes back the last row of a labeller that still stands; `None` when there is none.
    ///
    /// `found_tip` gives the tip as it was found, for an end whose first row is taken back.
    pub fn undo_row(&self, labeller: &str, found_tip: impl Fn(&LabelRow) -> Option<Point>) -> Option<LabelRow> {
        let mut stack: Vec<&LabelRow> = Vec::new();
        for row in self.rows.iter().filter(|r| r.labeller == labeller) {
            match row.action {
                Action::Undo => drop(stack.pop()),
                _ => stack.push(row),
            }
        }
        let undone = stack.pop()?;
        let before = stack.iter().rev().find(|r| end_key(r) == end_key(undone));
        let mut row = undone.clone();
        row.action = Action::Undo;
        row.label = before.and_then(|b| b.label);
        row.tip = before.map(|b| b.tip).or_else(|| found_tip(undone)).unwrap_or(undone.tip);
        Some(row)
    }

    fn write(&mut self, line: &[u8]) -> io::Result<()> {
        let is_new = self.file.is_none();
        if is_new {
            self.file = Some(OpenOptions::new().write(true).create(true).truncate(false).open(&self.path)?);
        }
        let bytes = if self.length == 0 { [header_line().as_slice(), line].concat() } else { line.to_vec() };
        let file = self.file.as_mut().ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))?;
        let written = append_at(file, self.length, &bytes);
        if let Err(e) = written {
            // Half a line must not stay behind: the next row would be glued to it.
            let _ = file.set_len(self.length);
            return Err(e);
        }
        if is_new {
            sync_folder(&self.path);
        }
        self.length += bytes.len() as u64;
        Ok(())
    }

    fn all_lines(&self) -> Vec<u8> {
        std::iter::once(header_line()).chain(self.rows.iter().map(row_line)).flatten().collect()
    }
}

fn append_at(file: &mut File, length: u64, bytes: &[u8]) -> io::Result<()> {
    file.seek(SeekFrom::Start(length))?;
    file.write_all(bytes)?;
    file.sync_all()
}

fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut temporary = tempfile::NamedTempFile::new_in(folder)?;
    temporary.write_all(bytes)?;
    temporary.as_file().sync_all()?;
    temporary.persist(path).map_err(|e| e.error)?;
    sync_folder(path);
    Ok(())
}

/// Makes a new name durable; not every system can sync a folder, and the row itself is safe without.
fn sync_folder(path: &Path) {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::super::{HandLabel, read_labels, standing};
    use super::*;

    #[test]
    fn rows_are_there_after_opening_again_and_a_torn_line_is_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels.csv");
        let mut log = LabelLog::open(&path).unwrap();
        assert!(!path.exists());
        log.append(row("Bo", 1, Some(HandLabel::Sheared))).unwrap();
        log.append(row("Bo", 2, Some(HandLabel::Tensile))).unwrap();
        drop(log);
        let mut torn = std::fs::read(&path).unwrap();
        torn.extend_from_slice(b"\"a b/\xc3");
        std::fs::write(&path, &torn).unwrap();
        let mut log = LabelLog::open(&path).unwrap();
        assert_eq!(log.rows().len(), 2);
        log.append(row("Bo", 3, Some(HandLabel::Unclear))).unwrap();
        assert_eq!(read_labels(&path).unwrap(), log.rows());
        assert_eq!(log.rows().len(), 3);
        drop(log);
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, &whole[..whole.len() - 2]).unwrap();
        let mut log = LabelLog::open(&path).unwrap();
        log.append(row("Bo", 4, None)).unwrap();
        assert_eq!(read_labels(&path).unwrap().len(), 4);
    }

    #[test]
    fn a_file_made_by_hand_is_taken_over_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels.csv");
        std::fs::write(&path, "note,image,x_px,y_px,label\nhm,p.png,1,2,sheared").unwrap();
        let mut log = LabelLog::open(&path).unwrap();
        log.append(row("Bo", 3, Some(HandLabel::Unclear))).unwrap();
        assert_eq!(read_labels(&path).unwrap(), log.rows());
        assert_eq!(log.rows().len(), 2);
        assert!(std::fs::read_to_string(folder.path().join("labels-as-found.csv")).unwrap().starts_with("note,"));
    }

    #[test]
    fn undo_goes_back_step_by_step_and_only_for_its_labeller() {
        let folder = tempfile::tempdir().unwrap();
        let mut log = LabelLog::open(&folder.path().join("labels.csv")).unwrap();
        log.append(row("Bo", 1, Some(HandLabel::Sheared))).unwrap();
        log.append(row("Ann", 1, Some(HandLabel::Unclear))).unwrap();
        let moved =
            LabelRow { action: Action::Move, tip: Point::new(11.0, 22.0), ..row("Bo", 1, Some(HandLabel::Sheared)) };
        log.append(moved).unwrap();
        let undo = log.undo_row("Bo", |_| None).unwrap();
        assert_eq!((undo.tip, undo.label), (Point::new(10.25, 21.5), Some(HandLabel::Sheared)));
        log.append(undo).unwrap();
        let undo = log.undo_row("Bo", |_| Some(Point::new(1.0, 2.0))).unwrap();
        assert_eq!((undo.tip, undo.label), (Point::new(1.0, 2.0), None));
        log.append(undo).unwrap();
        assert_eq!(log.undo_row("Bo", |_| None), None);
        let labels: Vec<_> = standing(log.rows()).iter().map(|r| (r.labeller.as_str(), r.label)).collect();
        assert_eq!(labels, [("Bo", None), ("Ann", Some(HandLabel::Unclear))]);
    }
}
