//! Everything the screen is made of; the same state always gives the same screen.

mod armed;
mod asked;

use super::alarm::Alarm;
use super::books::Books;
use super::charts::ChartsPage;
use super::cover::Cover;
use super::desk::EarlierCurve;
use super::electrode::ElectrodePage;
use super::entry::Entry;
use super::filing::Filing;
use super::form::Form;
use super::keyboard::Keyboard;
use super::meter::Meter;
use super::needs::Silenced;
use super::options::Options;
use super::review::Review;
use super::series::SeriesPage;
use super::setup::Setup;
use super::sheet::{Sheet, SheetFor};
use crate::work::{BenchState, LaneId, LaneState, Origin, RunState};
pub(super) use armed::{Armed, Deed};
pub(super) use asked::Asked;
use std::collections::BTreeMap;
use std::time::Duration;

/// How long a message stays, if nothing replaces it.
pub(super) const MESSAGE_STAYS: Duration = Duration::from_secs(10);

/// The state of one dashboard.
#[derive(Debug, Clone)]
pub struct State {
    /// How to show and what to offer.
    pub options: Options,
    /// What the recorder told.
    pub(super) bench: BenchState,
    /// Whether the recorder has told anything yet.
    pub(super) attached: bool,
    /// The lane that is looked at.
    pub(super) lane: LaneId,
    /// Title of the lane that was looked at until it closed; the one that takes its place is looked at again.
    pub(super) lost: Option<String>,
    /// The lane that closed last while it was looked at, with its title.
    pub(super) lost_lane: Option<(LaneId, String)>,
    /// The page that is looked at.
    pub(super) page: Page,
    /// What lies over it.
    pub(super) over: Over,
    /// Lines scrolled in the help, while it is open.
    pub(super) help: Option<usize>,
    /// The lens on the curve.
    pub(super) lens: Lens,
    /// First frame (by number) shown on the wire page; none follows the newest.
    pub(super) wire_from: Option<u64>,
    /// Line chosen on the bench page.
    pub(super) bench_line: usize,
    /// Line chosen on the runs page.
    pub(super) runs_line: usize,
    /// Fields that were left with Esc: nothing typed is lost.
    pub(super) shelf: Vec<Entry>,
    /// The form that was left with Esc, with its lane.
    pub(super) form_shelf: Option<(LaneId, Form)>,
    /// Sheets that were left with Esc.
    pub(super) sheets: Vec<Sheet>,
    /// The sheet that is on its way to the desk or the recorder.
    pub(super) sent: Option<SheetFor>,
    /// The files that can be written.
    pub(super) filing: Filing,
    /// The form was left for another page: Esc goes back to it.
    pub(super) back_to_form: bool,
    /// What the desk told.
    pub(super) books: Books,
    /// The page of electrodes.
    pub(super) electrode: ElectrodePage,
    /// Lot chosen on the page of titrants.
    pub(super) titrant_line: usize,
    /// The page of a series.
    pub(super) series: SeriesPage,
    /// The page of the stored runs.
    pub(super) review: Review,
    /// Step chosen on its page.
    pub(super) steps_line: usize,
    /// Piece chosen on the page of the equipment.
    pub(super) equipment_line: usize,
    /// Row chosen on the page of decisions.
    pub(super) decisions_line: usize,
    /// The page of charts.
    pub(super) charts: ChartsPage,
    /// What is said with the next acceptance.
    pub(super) remark: String,
    /// The guide to a bench.
    pub(super) setup: Setup,
    /// Who signed last on this screen.
    pub(super) signer: String,
    /// Series and procedure whose cautions were read.
    pub(super) cautions_read: Vec<(String, String)>,
    /// The lane that takes the place of the practice bench is looked at.
    pub(super) expects_lane: bool,
    /// Steadiness and digits by lane and channel.
    pub(super) meters: BTreeMap<LaneId, Vec<Meter>>,
    /// When each lane last gave a reading, by the clock of the screen.
    pub(super) heard: BTreeMap<LaneId, Duration>,
    /// The last alarm told, by lane.
    pub(super) alarms: BTreeMap<LaneId, Alarm>,
    /// What to tell now.
    pub(super) message: Option<Message>,
    /// A first of two presses.
    pub(super) armed: Option<Armed>,
    /// When the pedal was last down.
    pub(super) pedal: Option<Duration>,
    /// When a printable key other than the pedal was last down.
    pub(super) typed: Option<Duration>,
    /// How the recorder knows whoever sits here.
    pub(super) who: Option<String>,
    /// What a key has to answer to prove whose it is.
    pub(super) challenge: String,
    /// What lies over a screen that nobody may command from.
    pub(super) cover: Option<Cover>,
    /// When a key was last down.
    pub(super) touched: Duration,
    /// Alarms that somebody has silenced.
    pub(super) silenced: Vec<Silenced>,
    /// Curves of the portions before the run of a lane.
    pub(super) earlier: BTreeMap<LaneId, Vec<EarlierCurve>>,
    /// A volume that was keyed and waits for its steady reading, by lane.
    pub(super) taken: BTreeMap<LaneId, f64>,
    /// Columns and rows of the terminal.
    pub(super) size: (u16, u16),
    /// Commands that wait for an answer.
    pub(super) asked: Vec<Asked>,
    /// Number of the next command.
    pub(super) next_id: u64,
    /// Tells hand from scanner.
    pub(super) keyboard: Keyboard,
    /// Time by the clock of the screen.
    pub(super) now: Duration,
}

/// What is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Page {
    /// The run that goes on.
    Run,
    /// What comes in.
    Wire,
    /// The instruments.
    Bench,
    /// The stored runs.
    Runs,
    /// A series: portions side by side.
    Series,
    /// Electrodes and their checks.
    Electrode,
    /// Titrants and their factors.
    Titrant,
    /// Steps of preparation and care.
    Steps,
    /// What the lab measures with.
    Equipment,
    /// Control charts and trends.
    Charts,
    /// The ledger, gone through.
    Decisions,
    /// The guide to a bench.
    Setup,
}

impl Page {
    /// All pages in the order of the Tab key.
    pub(super) const ALL: [Self; 11] = [
        Self::Run,
        Self::Series,
        Self::Runs,
        Self::Electrode,
        Self::Titrant,
        Self::Steps,
        Self::Equipment,
        Self::Charts,
        Self::Decisions,
        Self::Bench,
        Self::Wire,
    ];

    /// Its name.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Wire => "wire",
            Self::Bench => "bench",
            Self::Runs => "runs",
            Self::Series => "series",
            Self::Electrode => "electrode",
            Self::Titrant => "titrant",
            Self::Steps => "steps",
            Self::Equipment => "equipment",
            Self::Charts => "charts",
            Self::Decisions => "decisions",
            Self::Setup => "new bench",
        }
    }
}

/// What lies over the page.
#[derive(Debug, Clone)]
#[expect(clippy::large_enum_variant, reason = "one lives at a time, in the one state of the screen")]
pub(super) enum Over {
    /// Nothing.
    Nothing,
    /// A field to type into.
    Entry(Entry),
    /// The form for the next portion.
    Form(Form),
    /// A sheet to fill in.
    Sheet(Sheet),
}

/// A lens on the curve.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Lens {
    /// Steps of magnification; each halves the width.
    pub(super) zoom: u32,
    /// Where the cursor is, in mL or g.
    pub(super) cursor: Option<f64>,
}

/// Something told once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    /// In words.
    pub(super) text: String,
    /// Whether something was not done.
    pub(super) warns: bool,
    /// When it was told.
    pub(super) at: Duration,
}

impl State {
    /// The state before the recorder has told anything.
    #[must_use]
    pub fn new(options: Options) -> Self {
        let said = options.notice.as_deref().map(super::text::visible);
        let message = said.map(|text| Message { text, warns: true, at: Duration::ZERO });
        Self {
            options,
            bench: BenchState::default(),
            attached: false,
            lane: 0,
            lost: None,
            lost_lane: None,
            page: Page::Run,
            over: Over::Nothing,
            help: None,
            lens: Lens::default(),
            wire_from: None,
            bench_line: 0,
            runs_line: 0,
            shelf: Vec::new(),
            form_shelf: None,
            sheets: Vec::new(),
            sent: None,
            filing: Filing::default(),
            back_to_form: false,
            books: Books::default(),
            electrode: ElectrodePage::default(),
            titrant_line: 0,
            series: SeriesPage::default(),
            review: Review::default(),
            steps_line: 0,
            equipment_line: 0,
            decisions_line: 0,
            charts: ChartsPage::default(),
            remark: String::new(),
            setup: Setup::default(),
            signer: String::new(),
            cautions_read: Vec::new(),
            expects_lane: false,
            meters: BTreeMap::new(),
            heard: BTreeMap::new(),
            alarms: BTreeMap::new(),
            message,
            armed: None,
            pedal: None,
            typed: None,
            who: None,
            challenge: String::new(),
            cover: None,
            touched: Duration::ZERO,
            silenced: Vec::new(),
            earlier: BTreeMap::new(),
            taken: BTreeMap::new(),
            size: (80, 24),
            asked: Vec::new(),
            next_id: 1,
            keyboard: Keyboard::default(),
            now: Duration::ZERO,
        }
    }

    /// The lane that is looked at.
    pub(super) fn lane(&self) -> Option<&LaneState> {
        self.bench.lane(self.lane)
    }

    /// Its run, going on or last.
    pub(super) fn run(&self) -> Option<&RunState> {
        self.lane()?.run.as_ref()
    }

    /// Its run, if it goes on.
    pub(super) fn live_run(&self) -> Option<&RunState> {
        self.run().filter(|run| run.end.is_none())
    }

    /// Whether what is shown is made up.
    pub(super) fn is_simulated(&self) -> bool {
        let origin = self.run().map(|run| run.head.origin);
        let practice = self.lane().map(super::electrode::origin_of);
        self.options.simulated || origin == Some(Origin::Simulator) || practice == Some(Origin::Simulator)
    }

    /// What the meters of the lane show.
    pub(super) fn lane_meters(&self) -> &[Meter] {
        self.meters.get(&self.lane).map_or(&[], Vec::as_slice)
    }

    /// Seconds since the lane last gave a reading, once that is worth saying.
    pub(super) fn silent_s(&self) -> Option<u64> {
        let heard = self.heard.get(&self.lane)?;
        let silent = self.now.saturating_sub(*heard).as_secs();
        (silent >= 5).then_some(silent)
    }

    /// The message, while it stays.
    pub(super) fn current_message(&self) -> Option<&Message> {
        self.message.as_ref().filter(|m| self.now.saturating_sub(m.at) < MESSAGE_STAYS)
    }

    /// Why the recorder left, in words.
    pub(super) fn left_because(&self) -> String {
        self.bench.leaving.clone().unwrap_or_else(|| "the recorder closed the connection".to_owned())
    }

    /// When the state changes by itself: held keys, a second press, a message that goes, an age that grows.
    #[must_use]
    pub fn next_tick(&self) -> Duration {
        let second = Duration::from_secs(1);
        let mut at = self.now + second;
        if let Some(deadline) = self.keyboard.deadline() {
            at = at.min(deadline);
        }
        if let Some(armed) = self.armed {
            at = at.min(armed.deadline());
        }
        if let Some(stale) = self.books.stale {
            at = at.min(stale);
        }
        at
    }
}
