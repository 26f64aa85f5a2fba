//! Rows in the binary form of COPY.

use crate::store::Cell;
use bytes::{BufMut, Bytes, BytesMut};

/// The bytes with which the form begins: its signature, no flags, no extension.
const HEAD: &[u8] = b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0";

/// The rows of one table, gathered.
#[derive(Debug)]
pub(super) struct Rows {
    bytes: BytesMut,
    /// How many.
    pub(super) count: u64,
}

impl Default for Rows {
    fn default() -> Self {
        Self { bytes: BytesMut::from(HEAD), count: 0 }
    }
}

impl Rows {
    /// Appends a row: the number of its record, then its columns.
    pub(super) fn push(&mut self, record_no: i32, cells: &[Cell<'_>]) {
        let columns = i16::try_from(cells.len() + 1).unwrap_or(i16::MAX);
        self.bytes.put_i16(columns);
        self.bytes.put_i32(4);
        self.bytes.put_i32(record_no);
        for cell in cells {
            match cell {
                Cell::Null => self.bytes.put_i32(-1),
                Cell::Integer(n) => {
                    self.bytes.put_i32(8);
                    self.bytes.put_i64(*n);
                }
                Cell::Real(x) => {
                    self.bytes.put_i32(8);
                    self.bytes.put_f64(*x);
                }
                // The server's texts hold no NUL; its picture stands for it, and the verification tells of the row.
                Cell::Text(text) if text.contains('\0') => self.long(text.replace('\0', "\u{2400}").as_bytes()),
                Cell::Text(text) => self.long(text.as_bytes()),
                Cell::Bytes(bytes) => self.long(bytes),
            }
        }
        self.count += 1;
    }

    fn long(&mut self, bytes: &[u8]) {
        // No value of a record is longer than SQLite's limit of 1 GB.
        self.bytes.put_i32(i32::try_from(bytes.len()).unwrap_or(i32::MAX));
        self.bytes.put_slice(bytes);
    }

    /// Bytes so far.
    pub(super) fn len(&self) -> usize {
        self.bytes.len()
    }

    /// The whole form.
    pub(super) fn finish(mut self) -> Bytes {
        self.bytes.put_i16(-1);
        self.bytes.freeze()
    }
}
