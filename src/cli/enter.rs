//! A document goes into the record: through the recorder that runs, or directly when none does.

use super::attach::own_caller;
use super::command::run::runtime;
use super::{Exit, Fault, Settings};
use crate::link::{self, Holder, RecordLock};
use crate::source::Clock;
use crate::store::{Commit, Entry, NewDatum, Writer};
use crate::work::{Command, Document, Event};

/// Number of the one command that is sent.
const ONLY: u64 = 1;

/// Enters a document and waits until it is committed.
///
/// # Errors
/// When the recorder refuses it, or the record cannot be written.
pub fn enter(settings: &Settings, document: Document) -> Result<(), Fault> {
    let refused = |why: String| Fault { text: format!("it could not be entered: {why}"), exit: Exit::Record };
    match RecordLock::holder(&settings.record)? {
        Some(Holder { socket: Some(socket), .. }) => runtime()?.block_on(async {
            let mut session = link::connect_as(&socket, settings.name.clone()).await?;
            let command = Command::Enter { document: Box::new(document) };
            // A recorder that has gone shows as the end of the events.
            let _gone = session.commands.send((ONLY, command)).await;
            while let Some(event) = session.events.recv().await {
                if let Event::Answer { id: ONLY, refused: why, .. } = event {
                    return why.map_or(Ok(()), |why| Err(refused(why)));
                }
            }
            Err(refused("the recorder has gone".to_owned()))
        }),
        _ => {
            let _lock = RecordLock::take(&settings.record, None)?;
            let (writer, thread, _) = Writer::start(&settings.record)?;
            let datum = NewDatum::new(&document, own_caller(settings).who(), Clock::start().stamp().utc_us);
            let saved =
                runtime()?.block_on(async { writer.write(vec![Entry::Datum(Box::new(datum))]).await.await });
            drop(writer);
            match (saved, thread.finish()) {
                (Ok(Commit::Saved), None) => Ok(()),
                (Ok(Commit::Waiting(why)), _) | (_, Some(why)) => Err(refused(why)),
                (Err(_), None) => Err(refused("the writer of the record has gone".to_owned())),
            }
        }
    }
}
