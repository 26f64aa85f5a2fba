//! The socket, when the other side is another version, no dropwise at all, deaf, or somebody who has to prove who it is.

use super::{Recorder, follow, open_and_run, simulated};
use crate::program::dropwise;
use dropwise::link::{self, RecordLock};
use dropwise::live::Session;
use dropwise::store::{Reader, prove, public_of};
use dropwise::work::{BenchState, Command as Wish, Document, Event, Identity, Origin};
use futures_util::{SinkExt, StreamExt};
use std::path::Path;
use std::time::{Duration, Instant};
use tokio::io::AsyncWriteExt;
use tokio::net::{UnixListener, UnixStream};
use tokio_util::codec::{Framed, LengthDelimitedCodec};

type Raw = Framed<UnixStream, LengthDelimitedCodec>;

fn framed(stream: UnixStream) -> Raw {
    LengthDelimitedCodec::builder().max_frame_length(link::LONGEST_MESSAGE).new_framed(stream)
}

/// The next message, or nothing when the other side has closed.
async fn heard(raw: &mut Raw) -> Option<serde_json::Value> {
    let next = tokio::time::timeout(Duration::from_secs(60), raw.next()).await.unwrap()?;
    next.ok().map(|bytes| serde_json::from_slice(&bytes).unwrap())
}

async fn knock(socket: &Path) -> (Raw, serde_json::Value) {
    let mut raw = framed(UnixStream::connect(socket).await.unwrap());
    let greeting = heard(&mut raw).await.unwrap();
    (raw, greeting)
}

fn hello(protocol: u32) -> bytes::Bytes {
    format!(r#"{{"protocol":{protocol},"name":null}}"#).into()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_screen_of_this_version_is_dropped_and_the_others_notice_nothing() {
    let home = tempfile::tempdir().unwrap();
    let recorder = Recorder::start(home.path(), &[]);
    let mut session = recorder.attach().await;
    open_and_run(&session, 1, 20).await;
    let socket = link::socket_path(&recorder.record);
    for first in [
        hello(link::PROTOCOL - 1),
        hello(link::PROTOCOL + 1),
        bytes::Bytes::from_static(b"GET / HTTP/1.1\r\n\r\n"),
        bytes::Bytes::from_static(b"\xff\x00{"),
    ] {
        let (mut raw, greeting) = knock(&socket).await;
        // Whoever is of another version learns from the greeting which one is spoken here.
        assert_eq!(greeting["protocol"], link::PROTOCOL, "{greeting}");
        assert_eq!(greeting["version"], env!("CARGO_PKG_VERSION"));
        raw.send(first).await.unwrap();
        assert_eq!(heard(&mut raw).await, None);
    }
    // A length that no message has: nothing is set aside for it, and nothing is waited for.
    let (raw, _) = knock(&socket).await;
    let mut stream = raw.into_inner();
    stream.write_all(&[0x7f, 0xff, 0xff, 0xff, b'x']).await.unwrap();
    assert_eq!(heard(&mut framed(stream)).await, None);
    // A wish that this version does not know, after a good beginning.
    let (mut raw, _) = knock(&socket).await;
    raw.send(hello(link::PROTOCOL)).await.unwrap();
    assert!(heard(&mut raw).await.is_some());
    raw.send(bytes::Bytes::from_static(br#"{"id":1,"command":{"do":"boil","lane":1}}"#)).await.unwrap();
    while heard(&mut raw).await.is_some() {}
    let mut state = BenchState::default();
    follow(&mut session, &mut state, |s| s.store.saved_lines > 20).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recorder_of_another_version_is_told_in_words() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    let socket = link::socket_path(&record);
    let _lock = RecordLock::take(&record, Some(&socket)).unwrap();
    let listener = UnixListener::bind(&socket).unwrap();
    for (protocol, version) in [(1, "0.1.0"), (link::PROTOCOL + 6, "9.0.0")] {
        let mut command = dropwise(home.path());
        command.args(["hand", "ask"]);
        let asked = tokio::task::spawn_blocking(move || command.output().unwrap());
        let mut raw = framed(listener.accept().await.unwrap().0);
        // A version to come may say more.
        let greeting =
            format!(r#"{{"protocol":{protocol},"version":"{version}","refused":null,"mood":"fair"}}"#);
        raw.send(bytes::Bytes::from(greeting)).await.unwrap();
        let output = asked.await.unwrap();
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(5), "{text}");
        let wanted = format!("protocol {protocol} (dropwise {version})");
        assert!(text.contains(&wanted) && text.contains("the same version"), "{text}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_screen_that_does_not_read_is_dropped_and_the_run_goes_on() {
    let home = tempfile::tempdir().unwrap();
    let recorder = Recorder::start(home.path(), &[]);
    let mut session = recorder.attach().await;
    let (mut deaf, _) = knock(&link::socket_path(&recorder.record)).await;
    deaf.send(hello(link::PROTOCOL)).await.unwrap();
    for seed in 1..=4 {
        open_and_run(&session, seed, 400).await;
    }
    let mut state = BenchState::default();
    // Longer than the patience of the recorder, and much more than a socket holds.
    let deadline = tokio::time::Instant::now() + Duration::from_secs(8);
    while let Ok(Some(event)) = tokio::time::timeout_at(deadline, session.events.recv()).await {
        state.apply(&event);
    }
    let then = state.store.saved_lines;
    assert!(then > 0);
    // What it still finds in its socket ends: nobody writes there any more.
    let mut rest = 0;
    while heard(&mut deaf).await.is_some() {
        rest += 1;
    }
    assert!(rest > 0);
    let mut again = recorder.attach().await;
    let mut seen = BenchState::default();
    follow(&mut again, &mut seen, |s| s.store.saved_lines >= then).await;
}

/// A screen that remembers what its person has to answer.
struct Screen {
    session: Session,
    challenge: String,
    asked: u64,
}

impl Screen {
    async fn open(socket: &Path) -> Self {
        let mut screen =
            Self { session: link::connect(socket).await.unwrap(), challenge: String::new(), asked: 0 };
        while screen.challenge.is_empty() {
            let event = screen.session.events.recv().await.unwrap();
            screen.hear(&event);
        }
        screen
    }

    fn hear(&mut self, event: &Event) {
        if let Event::You { challenge, .. } = event {
            self.challenge.clone_from(challenge);
        }
    }

    /// Asks, and gives the reason of a refusal.
    async fn ask(&mut self, wish: Wish) -> Option<String> {
        self.asked += 1;
        self.session.commands.send((self.asked, wish)).await.unwrap();
        loop {
            let event = self.session.events.recv().await.unwrap();
            self.hear(&event);
            match event {
                Event::Answer { id, refused, .. } if id == self.asked => return refused,
                _ => {}
            }
        }
    }

    /// Says that Rosa sits here, with what a key makes of a challenge.
    async fn name(&mut self, key: Option<[u8; 32]>, challenge: &str) -> Option<String> {
        let proof = key.map(|key| prove(&key, challenge));
        self.ask(Wish::Name { name: "Rosa Lind".to_owned(), proof }).await
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn who_sits_at_a_screen_is_proved_by_a_key_and_no_proof_serves_twice() {
    let home = tempfile::tempdir().unwrap();
    let recorder = Recorder::start(home.path(), &[]);
    let socket = link::socket_path(&recorder.record);
    let (rosa, ivo) = ([7; 32], [9; 32]);
    let mut first = Screen::open(&socket).await;
    for (name, secret) in [("Rosa Lind", rosa), ("Ivo Brandt", ivo)] {
        let document = Box::new(Document {
            kind: "key".to_owned(),
            name: name.to_owned(),
            body: format!(r#"{{"public":"{}"}}"#, public_of(&secret)),
            origin: Origin::Keyed,
            verb: "enrol".to_owned(),
            why: String::new(),
        });
        assert_eq!(first.ask(Wish::Enter { document }).await, None);
    }
    let mut bench = simulated(5, 60);
    bench.bench.people.identity = Identity::Key;
    let open = Wish::Open { bench: Box::new(bench), start: None, confirms_sending: false };
    assert_eq!(first.ask(open).await, None);
    let start = || Wish::Start { lane: 1, plan: Box::default() };
    let told = first.ask(start()).await.unwrap();
    assert!(told.contains("knows people by their keys"), "{told}");
    // A name is no proof, nor is the key of somebody else.
    assert_eq!(first.name(None, "").await, None);
    assert!(first.ask(start()).await.unwrap().contains("keys"));
    let now = first.challenge.clone();
    let told = first.name(Some(ivo), &now).await.unwrap();
    assert!(told.contains("was not the key of Rosa Lind"), "{told}");
    assert!(first.ask(start()).await.unwrap().contains("keys"));
    // The right key on the challenge of another connection is what somebody has listened to.
    let mut other = Screen::open(&socket).await;
    assert_ne!(other.challenge, first.challenge);
    let overheard = first.challenge.clone();
    assert!(other.name(Some(rosa), &overheard).await.is_some());
    assert!(other.ask(start()).await.unwrap().contains("keys"));
    // The right key on the challenge of now, once.
    let now = first.challenge.clone();
    assert_eq!(first.name(Some(rosa), &now).await, None);
    assert_eq!(first.ask(start()).await, None);
    assert!(first.name(Some(rosa), &now).await.is_some());
    let reader = Reader::open(&recorder.record).unwrap();
    let deadline = Instant::now() + Duration::from_secs(60);
    let begun = loop {
        // It is on its way to the disk when the screen hears that the run goes on.
        let ledger = reader.ledger(0).unwrap();
        if let Some(row) = ledger.into_iter().find(|row| row.verb == "begin") {
            break row;
        }
        assert!(Instant::now() < deadline, "the ledger does not say who began");
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    assert_eq!(
        (begun.identity.as_str(), begun.who.starts_with("Rosa Lind (key ")),
        ("key", true),
        "{begun:?}"
    );
}
