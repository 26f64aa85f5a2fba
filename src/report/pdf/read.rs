//! What a PDF says and carries, read back.

use lopdf::{Document, Object};

/// An attachment that unpacks to more than this is none of ours.
const MOST: usize = 512 * 1024 * 1024;

fn open(bytes: &[u8]) -> Result<Document, String> {
    Document::load_mem(bytes).map_err(|e| format!("it cannot be read as PDF: {e}"))
}

/// The attachment of that name; `None`: there is none.
///
/// # Errors
/// In words, when the file is no PDF, or the attachment is damaged.
pub(in crate::report) fn attachment(bytes: &[u8], name: &str) -> Result<Option<Vec<u8>>, String> {
    let document = open(bytes)?;
    for object in document.objects.values() {
        let Ok(dictionary) = object.as_dict() else { continue };
        let Ok(held) = dictionary.get(b"EF").and_then(|held| document.dereference(held)) else { continue };
        let named = dictionary.get(b"F").and_then(Object::as_str).is_ok_and(|own| own == name.as_bytes());
        let Ok(held) = held.1.as_dict() else { continue };
        if !named {
            continue;
        }
        let stream = held.get(b"F").and_then(|at| document.dereference(at)).and_then(|(_, s)| s.as_stream());
        let stream = stream.map_err(|e| format!("its attachment {name} is damaged: {e}"))?;
        let contents = if stream.dict.has(b"Filter") {
            stream
                .decompressed_content_with_limit(MOST)
                .map_err(|e| format!("its attachment {name} is damaged: {e}"))?
        } else {
            stream.content.clone()
        };
        return Ok(Some(contents));
    }
    Ok(None)
}

/// The words of all its pages.
///
/// # Errors
/// In words, when it cannot be read.
pub(in crate::report) fn words(bytes: &[u8]) -> Result<String, String> {
    let document = open(bytes)?;
    let pages: Vec<u32> = document.get_pages().into_keys().collect();
    document.extract_text(&pages).map_err(|e| format!("its text cannot be read: {e}"))
}
