//! The exported tables: columns with name, unit, type and meaning. A stable form with a version.

/// Version of the tables. Raised when a column is renamed, removed or changes its meaning; a new column at the end of a
/// table is no such change.
pub const SCHEMA_VERSION: i64 = 1;

/// What the values of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// A whole number.
    Integer,
    /// A number.
    Number,
    /// A moment in UTC.
    Time,
}

/// One column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name; a unit is its ending.
    pub name: &'static str,
    /// The unit, empty for none or for one that another column names.
    pub unit: &'static str,
    /// What its values are.
    pub kind: Kind,
    /// What it means.
    pub meaning: &'static str,
}

/// One table.
#[derive(Debug, PartialEq, Eq)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// What a row stands for.
    pub meaning: &'static str,
    /// Its columns, in their order.
    pub columns: &'static [Column],
}

impl Column {
    /// The heading for people: the name with its unit.
    #[must_use]
    pub fn heading(&self) -> String {
        match (self.unit, self.kind) {
            ("", Kind::Time) => format!("{} (UTC)", self.name),
            ("", _) => self.name.to_owned(),
            (unit, _) => format!("{} [{unit}]", self.name),
        }
    }
}

/// One value of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value<'a> {
    /// There is none.
    Nothing,
    /// Text, as it was entered or sent.
    Text(&'a str),
    /// A whole number.
    Integer(i64),
    /// A number.
    Number(f64),
    /// Microseconds since 1970 UTC.
    Time(i64),
}

impl<'a> Value<'a> {
    /// A number; one that is none (infinite, not a number) is nothing.
    #[must_use]
    pub fn number(x: impl Into<Option<f64>>) -> Self {
        x.into().filter(|x| x.is_finite()).map_or(Self::Nothing, Self::Number)
    }

    /// A text; an empty one is nothing.
    #[must_use]
    pub fn text(text: &'a str) -> Self {
        if text.is_empty() { Self::Nothing } else { Self::Text(text) }
    }

    /// A text that may be missing.
    #[must_use]
    pub fn some_text(text: Option<&'a str>) -> Self {
        text.map_or(Self::Nothing, Self::text)
    }
}

const fn column(name: &'static str, unit: &'static str, kind: Kind, meaning: &'static str) -> Column {
    Column { name, unit, kind, meaning }
}

const fn text(name: &'static str, meaning: &'static str) -> Column {
    column(name, "", Kind::Text, meaning)
}

const fn integer(name: &'static str, meaning: &'static str) -> Column {
    column(name, "", Kind::Integer, meaning)
}

const fn number(name: &'static str, unit: &'static str, meaning: &'static str) -> Column {
    column(name, unit, Kind::Number, meaning)
}

const fn time(name: &'static str, meaning: &'static str) -> Column {
    column(name, "", Kind::Time, meaning)
}

const RECORD: Column =
    text("record", "the record: first 16 digits of the hash of the first row of its ledger");
const RUN: Column = integer("run", "number of the run in its record");
const ORIGIN: Column =
    text("origin", "where the data came from: serial, network, file, keyed, capture, simulator, imported");
const RECORDED_ORIGIN: Column =
    text("recorded_origin", "the origin when it was recorded; differs from origin for imported runs");
const BENCH: Column = text("bench", "title of the bench");
const SERIES: Column = text("series", "the series that the portion belongs to");
const SAMPLE: Column = text("sample", "the sample, as typed or scanned");
const ROLE: Column = text("role", "what the portion was for: sample, standardisation, blank, control");
const PORTION: Column = integer("portion", "which portion of the sample, from 1");
const PROCEDURE: Column = text("procedure", "title of the procedure");
const STARTED: Column = time("started", "when the run began");
const STATE: Column = text("state", "going on, ended, set aside, accepted");
const SET_ASIDE: Column = text("set_aside_because", "why it was set aside");

/// The columns with which results and portions begin.
pub(super) const HEAD: [Column; 13] = [
    RECORD,
    RUN,
    ORIGIN,
    RECORDED_ORIGIN,
    BENCH,
    SERIES,
    SAMPLE,
    ROLE,
    PORTION,
    PROCEDURE,
    STARTED,
    STATE,
    SET_ASIDE,
];

/// [`HEAD`], and then the columns of a table of its own; `ALL` is how many that makes.
const fn with_head<const OWN: usize, const ALL: usize>(own: [Column; OWN]) -> [Column; ALL] {
    assert!(HEAD.len() + OWN == ALL);
    let mut all = [RECORD; ALL];
    let mut at = 0;
    while at < ALL {
        all[at] = if at < HEAD.len() { HEAD[at] } else { own[at - HEAD.len()] };
        at += 1;
    }
    all
}

/// One row for each result of a run.
pub const RESULTS: Table = Table {
    name: "results",
    meaning: "one row for each result of a run, as it holds",
    columns: &with_head::<11, 24>([
        text("result", "what was determined, in the words of the procedure"),
        text("unit", "unit of value, u, expanded_u and the told figures"),
        number("value", "", "the full value, in the unit of the row"),
        number("u", "", "combined standard uncertainty, in the unit of the row"),
        number("k", "1", "coverage factor"),
        number("expanded_u", "", "expanded uncertainty k·u, in the unit of the row"),
        number("coverage", "1", "probability of the stated interval"),
        number("degrees_of_freedom", "1", "effective degrees of freedom; nothing: as good as infinite"),
        text("told", "the value as it is told, rounded by the rule of the procedure"),
        text("told_expanded_u", "the expanded uncertainty as it is told"),
        text("incomplete", "what the budget lacks"),
    ]),
};

/// One row for each run.
pub const PORTIONS: Table = Table {
    name: "portions",
    meaning: "one row for each run: one portion titrated, aborted and set-aside ones too",
    columns: &with_head::<19, 32>([
        time("ended", "when the run ended"),
        text("ended_because", "why it ended"),
        text("started_by", "who began it"),
        text("instruments", "titles of the instruments"),
        integer("portions_planned", "how many portions were planned"),
        number("mass_g", "g", "mass of the portion"),
        text("procedure_sha256", "SHA-256 of the text of the procedure"),
        integer("reckoning", "the evaluation that end-points and points are of: the reported one"),
        text("program", "the program that made it"),
        integer("points", "points of the curve"),
        integer("end_points", "end-points found"),
        number("end_point_ml", "mL", "first end-point, of a titration by volume"),
        number("end_point_g", "g", "first end-point, of a titration by mass of titrant"),
        number("end_point_u_ml", "mL", "its standard uncertainty"),
        number("end_point_u_g", "g", "its standard uncertainty"),
        number("end_point_signal", "", "signal at the first end-point, in signal_unit"),
        text("signal_unit", "unit of the signal"),
        text("end_point_method", "how it was found"),
        text("no_result_because", "why there is no result, where there should be one"),
    ]),
};

/// One row for each point of a curve.
pub const POINTS: Table = Table {
    name: "points",
    meaning: "one row for each point of the curves, as they hold",
    columns: &[
        RECORD,
        RUN,
        ORIGIN,
        BENCH,
        SAMPLE,
        PROCEDURE,
        STARTED,
        integer("point", "number of the point, from 1"),
        number("volume_ml", "mL", "titrant, by volume"),
        number("mass_g", "g", "titrant, by mass"),
        number("signal", "", "the signal, in signal_unit"),
        text("signal_quantity", "what the signal is"),
        text("signal_unit", "unit of the signal"),
        number("temperature_degc", "degC", "temperature"),
        number("time_s", "s", "time on the clock of the line"),
    ],
};

/// The tables.
pub const TABLES: [&Table; 3] = [&RESULTS, &PORTIONS, &POINTS];
