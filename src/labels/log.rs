//! The open `labels.csv`: rows appended one by one, each on the disk before anybody is told that it was kept.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::file::{LabelFile, row_line_under};
use super::standing::end_key;
use super::{Action, COLUMNS, LabelRow, LabelsError, header_line};
use crate::files;
use crate::units::Point;

/// An open log of hand labels.
///
/// Each row is written under a lock of the file, after what others have written meanwhile: several programs may label at
/// the same time, and a file that was replaced (by an editor) is the one that is written to.
#[derive(Debug)]
pub struct LabelLog {
    path: PathBuf,
    /// What the file holds, as far as it is known.
    file: LabelFile,
    /// When it was changed last, as far as it is known.
    modified: Option<SystemTime>,
}

impl LabelLog {
    /// Opens the log; a file that does not exist yet is made with the first row.
    ///
    /// A last line cut short by a crash is dropped. Columns that are not ours stay as they are. Columns of ours that are
    /// missing (a file made by hand) are added at the end, and the file as it was is kept beside it under the first free
    /// name of `labels-as-found-1.csv`, `labels-as-found-2.csv` and so on.
    ///
    /// # Errors
    /// When the file is there and cannot be read, understood or written, or is a link to another place.
    pub fn open(path: &Path) -> Result<Self, LabelsError> {
        let io_error = |source| LabelsError::Io { path: path.into(), source };
        let mut log = Self { path: path.into(), file: LabelFile::default(), modified: None };
        let Some(mut file) = existing(path).map_err(io_error)? else { return Ok(log) };
        file.lock().map_err(io_error)?;
        let bytes = whole(&mut file).map_err(io_error)?;
        log.file = LabelFile::parse(&bytes, path)?;
        if log.file.header.is_empty() {
            return Ok(log);
        }
        let kept = &bytes[..log.file.whole];
        let ends_in_line_end = kept.ends_with(b"\n");
        if log.file.is_complete() && ends_in_line_end && kept.len() == bytes.len() {
            return Ok(log);
        }
        let whole_rows = match log.file.is_complete() {
            true if ends_in_line_end => kept.to_vec(),
            true => [kept, b"\r\n"].concat(),
            false => {
                let backup = files::numbered(&path.with_file_name("labels-as-found.csv"));
                files::write_whole(&backup, &bytes).map_err(io_error)?;
                log.file.completed()
            }
        };
        files::write_whole(path, &whole_rows).map_err(io_error)?;
        log.file = LabelFile::parse(&whole_rows, path)?;
        Ok(log)
    }

    /// All rows in the order in which they were written.
    pub fn rows(&self) -> &[LabelRow] {
        &self.file.rows
    }

    /// Takes up what others have written meanwhile.
    ///
    /// # Errors
    /// When the file cannot be read or understood any more; then nothing changes here.
    pub fn refresh(&mut self) -> Result<(), LabelsError> {
        let io_error = |source| LabelsError::Io { path: self.path.clone(), source };
        let Some(mut file) = existing(&self.path).map_err(io_error)? else { return Ok(()) };
        if self.is_known(&file) {
            return Ok(());
        }
        file.lock_shared().map_err(io_error)?;
        self.take_up(&mut file)
    }

    /// Whether the file is as it was when it was read or written last.
    fn is_known(&self, file: &File) -> bool {
        let Ok(data) = file.metadata() else { return false };
        data.len() == self.file.whole as u64 && self.modified.is_some() && data.modified().ok() == self.modified
    }

    fn take_up(&mut self, file: &mut File) -> Result<(), LabelsError> {
        let io_error = |source| LabelsError::Io { path: self.path.clone(), source };
        let modified = file.metadata().and_then(|data| data.modified()).ok();
        self.file = LabelFile::parse(&whole(file).map_err(io_error)?, &self.path)?;
        self.modified = modified;
        Ok(())
    }

    /// Appends a row and waits until the disk has it.
    ///
    /// # Errors
    /// When the disk refuses (full, gone, read-only): then nothing of the row is kept, and everything before stays.
    pub fn append(&mut self, row: LabelRow) -> Result<(), LabelsError> {
        let refused = |source| LabelsError::NotKept { path: self.path.clone(), source };
        let (mut file, is_new) = match existing(&self.path).map_err(refused)? {
            Some(file) => (file, false),
            None => (made(&self.path).map_err(refused)?, true),
        };
        file.lock().map_err(refused)?;
        if !self.is_known(&file) {
            self.take_up(&mut file)?;
        }
        if self.file.header.is_empty() {
            self.file.header = COLUMNS.map(str::to_owned).to_vec();
            self.file.whole = 0;
        }
        if !self.file.is_complete() {
            let source = io::Error::other("its columns were changed meanwhile; start the review again");
            return Err(LabelsError::NotKept { path: self.path.clone(), source });
        }
        let line = row_line_under(&self.file.header, &row);
        let bytes = if self.file.whole == 0 { [header_line(), line].concat() } else { line };
        let at = self.file.whole as u64;
        if let Err(source) = append_at(&mut file, at, &bytes) {
            // Half a line must not stay behind: the next row would be glued to it.
            let _ = file.set_len(at);
            return Err(LabelsError::NotKept { path: self.path.clone(), source });
        }
        if is_new {
            files::sync_folder(files::folder_of(&self.path));
        }
        self.file.whole += bytes.len();
        self.file.rows.push(row);
        self.modified = file.metadata().and_then(|data| data.modified()).ok();
        Ok(())
    }

    /// The row that takes back the last row of a labeller that still stands; `None` when there is none.
    ///
    /// With `adjudications` their decisions between labellers are meant, else their labels. `found_tip` gives the tip as it
    /// was found, for an end whose first row is taken back.
    pub fn undo_row(
        &self,
        labeller: &str,
        adjudications: bool,
        found_tip: impl Fn(&LabelRow) -> Option<Point>,
    ) -> Option<LabelRow> {
        let mut stack: Vec<&LabelRow> = Vec::new();
        for row in
            self.file.rows.iter().filter(|r| r.labeller == labeller && r.action.is_adjudication() == adjudications)
        {
            match row.action {
                action if action.is_undo() => drop(stack.pop()),
                _ => stack.push(row),
            }
        }
        let undone = stack.pop()?;
        let before = stack.iter().rev().find(|r| end_key(r) == end_key(undone));
        let mut row = undone.clone();
        row.action = if undone.action.is_adjudication() { Action::UndoAdjudicate } else { Action::Undo };
        row.label = before.and_then(|b| b.label);
        row.tip = before.map(|b| b.tip).or_else(|| found_tip(undone)).unwrap_or(undone.tip);
        Some(row)
    }
}

/// The file for reading and writing; `None` when there is none.
fn existing(path: &Path) -> io::Result<Option<File>> {
    match files::open_own(path, OpenOptions::new().read(true).write(true)) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        opened => opened.map(Some),
    }
}

fn made(path: &Path) -> io::Result<File> {
    files::open_own(path, OpenOptions::new().read(true).write(true).create(true).truncate(false))
}

fn whole(file: &mut File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.rewind()?;
    file.read_to_end(&mut bytes)?;
    Ok(bytes)
}

fn append_at(file: &mut File, length: u64, bytes: &[u8]) -> io::Result<()> {
    file.seek(SeekFrom::Start(length))?;
    file.write_all(bytes)?;
    // What a crash has left behind the last whole row goes.
    file.set_len(length + bytes.len() as u64)?;
    file.sync_all()
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
        let as_found =
            |n: u32| std::fs::read_to_string(folder.path().join(format!("labels-as-found-{n}.csv"))).unwrap();
        assert!(as_found(1).starts_with("note,"));
        // The column that is not ours is still there, with its cells, and new rows leave it empty.
        let text = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "note,image,x_px,y_px,label,labeller,when,action,end");
        assert_eq!(lines[1], "hm,p.png,1,2,sheared,,,label,");
        assert!(lines[2].starts_with(",\"a b/"), "{}", lines[2]);
        // Opened again, nothing changes; another file made by hand does not overwrite the first backup.
        drop(LabelLog::open(&path).unwrap());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        std::fs::write(&path, "image,x_px,y_px,label,weather\np.png,1,2,sheared,rain\n").unwrap();
        drop(LabelLog::open(&path).unwrap());
        assert!(as_found(1).starts_with("note,") && as_found(2).contains("rain"));
    }

    #[test]
    fn a_file_changed_by_hand_is_taken_up_whatever_its_length() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels.csv");
        let mut log = LabelLog::open(&path).unwrap();
        log.append(row("Bo", 1, Some(HandLabel::Sheared))).unwrap();
        let text = std::fs::read_to_string(&path).unwrap().replace("sheared", "tensile");
        // The clock of the file system may be coarse.
        std::thread::sleep(std::time::Duration::from_millis(20));
        std::fs::write(&path, text).unwrap();
        log.refresh().unwrap();
        assert_eq!(log.rows()[0].label, Some(HandLabel::Tensile));
        // A torn line behind a carriage return and line feed leaves no blank line.
        let torn = [std::fs::read(&path).unwrap(), b"a".to_vec()].concat();
        std::fs::write(&path, &torn).unwrap();
        log.append(row("Bo", 2, None)).unwrap();
        assert!(!std::fs::read_to_string(&path).unwrap().replace("\r\n", "").contains(['\r', '\n']));
    }

    #[test]
    fn two_logs_on_one_file_lose_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("labels.csv");
        let write = |name: &'static str| {
            let mut log = LabelLog::open(&path).unwrap();
            for end in 0..40 {
                log.append(row(name, end, Some(HandLabel::Sheared))).unwrap();
            }
        };
        std::thread::scope(|scope| {
            scope.spawn(|| write("Ann"));
            scope.spawn(|| write("Bo"));
        });
        let rows = read_labels(&path).unwrap();
        assert_eq!(rows.len(), 80);
        assert_eq!(rows.iter().filter(|r| r.labeller == "Ann").count(), 40);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_not_followed() {
        let folder = tempfile::tempdir().unwrap();
        let (path, target) = (folder.path().join("labels.csv"), folder.path().join("mine.txt"));
        std::os::unix::fs::symlink(&target, &path).unwrap();
        let mut log = match LabelLog::open(&path) {
            Err(e) => return assert!(e.to_string().contains("labels")),
            Ok(log) => log,
        };
        assert!(log.append(row("Bo", 1, None)).is_err());
        assert!(!target.exists());
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
        let undo = log.undo_row("Bo", false, |_| None).unwrap();
        assert_eq!((undo.tip, undo.label), (Point::new(10.25, 21.5), Some(HandLabel::Sheared)));
        log.append(undo).unwrap();
        let undo = log.undo_row("Bo", false, |_| Some(Point::new(1.0, 2.0))).unwrap();
        assert_eq!((undo.tip, undo.label), (Point::new(1.0, 2.0), None));
        log.append(undo).unwrap();
        assert_eq!(log.undo_row("Bo", false, |_| None), None);
        let labels: Vec<_> = standing(log.rows()).iter().map(|r| (r.labeller.as_str(), r.label)).collect();
        assert_eq!(labels, [("Bo", None), ("Ann", Some(HandLabel::Unclear))]);
    }
}
