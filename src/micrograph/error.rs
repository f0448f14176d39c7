//! Why a picture could not be read: file, reason, way out.

/// A picture that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The file cannot be opened.
    #[error("{file}: cannot be opened: {reason}; check the path and the rights")]
    Unreadable {
        /// Picture.
        file: String,
        /// What the system said.
        reason: String,
    },
    /// A folder, a pipe or a device.
    #[error("{file}: no regular file; give the path of a picture file")]
    NotAFile {
        /// Picture.
        file: String,
    },
    /// More bytes than a picture can have.
    #[error("{file}: the file is longer than {most_mb} MB; crop the picture or raise read.max_file_mb in the settings")]
    FileTooLong {
        /// Picture.
        file: String,
        /// Limit, MB.
        most_mb: u64,
    },
    /// The program failed on it.
    #[error("{file}: the program failed on this picture ({reason}); please report it together with the picture")]
    Fault {
        /// Picture.
        file: String,
        /// What the program said.
        reason: String,
    },
    /// Another content than in the run.
    #[error("{file}: this is not the picture that was classified: its content has changed; classify it again")]
    Changed {
        /// Picture.
        file: String,
    },
    /// The run was stopped while it was read.
    #[error("{file}: the run was stopped while it was read; give the same command again to go on")]
    Stopped {
        /// Picture.
        file: String,
    },
    /// The file has no bytes.
    #[error("{file}: the file is empty; copy it again")]
    Empty {
        /// Picture.
        file: String,
    },
    /// The content is no known picture format, whatever the name says.
    #[error("{file}: not a PNG, JPEG, TIFF, BMP or WebP picture; save it as one of these")]
    NotAPicture {
        /// Picture.
        file: String,
    },
    /// A variety of a known format that is not understood.
    #[error("{file}: this kind of {format} is not supported ({reason}); save it as plain 8- or 16-bit grey or RGB")]
    Unsupported {
        /// Picture.
        file: String,
        /// Format by content.
        format: &'static str,
        /// What is not understood.
        reason: String,
    },
    /// The file ends before the picture does, or its content is damaged.
    #[error("{file}: the {format} is cut short or damaged ({reason}); copy or save it again")]
    Damaged {
        /// Picture.
        file: String,
        /// Format by content.
        format: &'static str,
        /// What the decoder met.
        reason: String,
    },
    /// Too few pixels to hold a fibre end.
    #[error("{file}: {width} x {height} px is too small; at least {least} x {least} px are needed")]
    TooSmall {
        /// Picture.
        file: String,
        /// Width by its header, px.
        width: u32,
        /// Height by its header, px.
        height: u32,
        /// Smallest side allowed, px.
        least: u32,
    },
    /// More pixels or bytes than allowed.
    #[error(
        "{file}: {width} x {height} px is over the limit ({limit}); crop the picture or raise the limit in the settings"
    )]
    TooLarge {
        /// Picture.
        file: String,
        /// Width by its header, px.
        width: u32,
        /// Height by its header, px.
        height: u32,
        /// The limit that was passed.
        limit: String,
    },
}
