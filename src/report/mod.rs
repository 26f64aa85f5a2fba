//! What leaves the program on paper: reports of runs and series, control charts and trends, and pictures.
//!
//! `gather` asks the record once and makes one [`Document`]; `text`, `html` and `pdf` only show it. What a report rests
//! on is attached to it as files ([`Evidence`]), so that it can be checked without the record.

mod document;
mod evidence;
mod fonts;
mod gather;
mod html;
mod lab;
mod pdf;
pub mod picture;
mod text;

pub use document::{
    Align, Attachment, Block, Column, Document, Figure, Header, Logo, LogoKind, Standing, Table,
};
pub use evidence::{Carried, Compared, Evidence, Stated, Summary, compare, read_back};
pub use gather::{
    Chart, ControlPoint, Controlled, Error, Gathered, Subject, chart_of, controlled, gather, stated,
};
pub use html::html;
pub use lab::{FILE as LAB_FILE, header};
pub use pdf::{Paper, pdf};
pub use text::text;
