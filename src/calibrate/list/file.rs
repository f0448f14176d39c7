//! The table as a file that several people and programs write.

use super::error::ListError;
use super::table::{Calibration, CalibrationList};
use crate::files;
use std::path::Path;

impl CalibrationList {
    /// Reads the table.
    ///
    /// # Errors
    /// When the file cannot be read, lacks a column, or a cell is not understood.
    pub fn read(path: &Path) -> Result<Self, ListError> {
        let table = path.display().to_string();
        let text =
            files::read_text(path).map_err(|e| ListError::File { table: table.clone(), reason: e.to_string() })?;
        Self::parse(&table, &text)
    }

    /// Writes the table, whole or not at all.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), ListError> {
        // A table that many folders share through a link stays where it is.
        let place = path.canonicalize().unwrap_or_else(|_| path.to_owned());
        files::write_whole(&place, self.to_csv()?.as_bytes()).map_err(|e| unusable(path, &e))
    }

    /// Puts a calibration into the table of a file, which is made when it is not there; returns the one of the same name
    /// that it replaces. Others that do so at the same time wait.
    ///
    /// # Errors
    /// As [`Self::read`] and [`Self::write`], and when no microscope has such a scale: the table could not be read again.
    pub fn put_into(path: &Path, calibration: Calibration) -> Result<Option<Calibration>, ListError> {
        if calibration.scale().is_none() {
            return Err(ListError::Implausible {
                name: calibration.name,
                um_per_px: calibration.um_per_px.to_string(),
            });
        }
        let fail = |e: std::io::Error| unusable(path, &e);
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let mut options = std::fs::OpenOptions::new();
        options.create(true).truncate(false).write(true);
        // A file of its own: the table itself is another file after each writer.
        let lock = files::open_own(&path.with_file_name(format!(".{name}.lock")), &mut options).map_err(fail)?;
        lock.lock().map_err(fail)?;
        let mut list = if path.exists() { Self::read(path)? } else { Self::default() };
        let older = list.put(calibration);
        list.write(path)?;
        Ok(older)
    }
}

fn unusable(path: &Path, error: &std::io::Error) -> ListError {
    ListError::File { table: path.display().to_string(), reason: error.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_of_others_stay_and_twelve_writers_lose_nothing() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("calibrations.csv");
        std::fs::write(&path, "name,who,um_per_px,u_um_per_px,date,source\n4x,Mara,1.5,,,ruling\n").expect("a table");
        let ten = |n: u32| Calibration {
            name: format!("{n}x"),
            um_per_px: f64::from(n),
            u_um_per_px: None,
            date: String::new(),
            source: String::new(),
        };
        std::thread::scope(|scope| {
            for n in 10..22 {
                let (path, ten) = (&path, &ten);
                scope.spawn(move || CalibrationList::put_into(path, ten(n)).expect("kept"));
            }
        });
        let text = std::fs::read_to_string(&path).expect("a table");
        assert_eq!(CalibrationList::parse("c.csv", &text).expect("a table").rows().len(), 13);
        assert!(text.starts_with("name,who,um_per_px,") && text.contains("4x,Mara,1.5,"), "{text}");
    }
}
