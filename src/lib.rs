//! dropwise: serial data logger and live end-point detector for titration benches.
//!
//! The modules stand in the order in which data passes through them; DEVELOPERS.md explains
//! the path and who may use whom, `tests/structure.rs` keeps it.

// The vocabulary: quantities, units, stamps, readings, points and curves. Pure.
pub mod reading;

// Bytes come in: serial port, socket, file, standard input, capture, simulator.
pub mod source;

// Bytes are cut into frames. Pure; any chunking gives the same frames.
pub mod frame;

// Files that people write, with their mistakes told in place. Pure.
pub mod form;

// What a user writes about an instrument: frames become readings. Pure.
pub mod profile;

// The work at the bench as events in, events out: runs and procedures. Pure.
pub mod work;

// End-points: the live watch and the final evaluation. Pure.
pub mod detector;

// From volumes and masses to results: formulae, uncertainty, limits, statistics, electrode checks. Pure.
pub mod results;

// Equilibria, molar masses, buffers, constants with their sources. Pure.
pub mod chemistry;

// Numerical kernels with their sources. Pure.
pub mod numeric;

// The record: the only module that knows SQL.
pub mod store;

// What leaves the record: tables in CSV, JSON Lines, spreadsheets and columnar files.
pub mod export;

// Sealed runs to one database of many benches.
pub mod push;

// The recorder: joins the stages, takes commands, gives events.
pub mod live;

// The local socket between recorder and screens.
pub mod link;

// What leaves the program on paper: reports, charts, pictures.
pub mod report;

// The terminal screens.
pub mod dashboard;

// The command line.
pub mod cli;
