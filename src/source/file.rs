//! A file that another program writes: followed as it grows, is cut, or is replaced.

use super::backoff::Backoff;
use super::outlet::Wiring;
use super::{CHUNK_BYTES, SourceError};
use std::fs::Metadata;
use std::io::{self, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::fs::File;
use tokio::io::{AsyncReadExt, AsyncSeekExt};

/// How often a file at its end is looked at. Files alone are looked at: there is nothing to wait on
/// that every system and every network file system has.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// How following one opened file ended.
enum End {
    Stopped,
    /// The file is another one now, or shorter: read on from its beginning.
    Anew(String),
    /// It cannot be read.
    Gone(SourceError),
}

/// Follows a file until the source is to stop.
///
/// A file that was cut and has grown past the old place between two looks cannot be told from one that grew.
pub(super) async fn follow(path: PathBuf, from_end: bool, mut wiring: Wiring, must_exist: bool) {
    let mut backoff = Backoff::new();
    let mut from_end = from_end;
    let mut was_open = false;
    let mut told = String::new();
    loop {
        let why = match open(&path, from_end).await {
            Ok((mut file, place)) => {
                let what = format!("{} from byte {place}", path.display());
                if wiring.outlet.opened(what, Vec::new()).await.is_err() {
                    return;
                }
                was_open = true;
                from_end = false;
                told.clear();
                backoff = Backoff::new();
                match read_on(&path, &mut file, place, &mut wiring).await {
                    End::Stopped => return,
                    End::Anew(why) => {
                        if wiring.outlet.gone(why).await.is_err() {
                            return;
                        }
                        continue;
                    }
                    End::Gone(error) => error.to_string(),
                }
            }
            Err(error) if must_exist && !was_open => return wiring.fail(&error).await,
            Err(error) => error.to_string(),
        };
        // What appears later at this path is new as a whole.
        from_end = false;
        if why != told {
            if wiring.outlet.gone(why.as_str()).await.is_err() {
                return;
            }
            told = why;
        }
        if !wiring.pause(backoff.wait(), "a file is only read").await {
            return;
        }
    }
}

async fn open(path: &Path, from_end: bool) -> Result<(File, u64), SourceError> {
    let failed = |source| SourceError::File { path: path.to_owned(), source };
    // Looked at before it is opened: opening a pipe waits for somebody who writes.
    if !tokio::fs::metadata(path).await.map_err(failed)?.is_file() {
        return Err(SourceError::NotAFile { path: path.to_owned() });
    }
    let mut file = File::open(path).await.map_err(failed)?;
    let place = if from_end { file.seek(SeekFrom::End(0)).await.map_err(failed)? } else { 0 };
    Ok((file, place))
}

async fn read_on(path: &Path, file: &mut File, mut place: u64, wiring: &mut Wiring) -> End {
    let gone = |source| End::Gone(SourceError::File { path: path.to_owned(), source });
    let mut buffer = vec![0; CHUNK_BYTES];
    // Set when the path leads elsewhere: what the old file still holds is read first.
    let mut replaced: Option<End> = None;
    loop {
        if wiring.cancel.is_cancelled() {
            return End::Stopped;
        }
        match file.read(&mut buffer).await {
            Ok(0) => {}
            Ok(count) => {
                place += count as u64;
                if wiring.outlet.bytes(&buffer[..count]).await.is_err() {
                    return End::Stopped;
                }
                continue;
            }
            Err(error) => return gone(error),
        }
        if let Some(end) = replaced {
            return end;
        }
        if !wiring.pause(LOOK_EVERY, "a file is only read").await {
            return End::Stopped;
        }
        match look(path, file).await {
            Ok((now, _)) if now.len() < place => {
                return End::Anew(format!(
                    "{} became shorter ({} bytes, {place} were read): read again from its beginning",
                    path.display(),
                    now.len()
                ));
            }
            Ok((_, true)) => {}
            Ok((_, false)) => {
                replaced = Some(End::Anew(format!("{} was replaced by a new file", path.display())))
            }
            Err(error) => replaced = Some(gone(error)),
        }
    }
}

/// The open file as it is now, and whether the path still leads to it.
async fn look(path: &Path, file: &File) -> io::Result<(Metadata, bool)> {
    let open = file.metadata().await?;
    let there = tokio::fs::metadata(path).await?;
    let same = same_file(&open, &there);
    Ok((open, same))
}

#[cfg(unix)]
fn same_file(one: &Metadata, other: &Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    (one.dev(), one.ino()) == (other.dev(), other.ino())
}

/// Without file numbers the time of creation has to do.
#[cfg(not(unix))]
fn same_file(one: &Metadata, other: &Metadata) -> bool {
    match (one.created(), other.created()) {
        (Ok(one), Ok(other)) => one == other,
        _ => true,
    }
}
