//! The drafter against random instruments of the project's own, with fixed seeds.

#[path = "draft/compose.rs"]
mod compose;
#[path = "draft/grammar.rs"]
mod grammar;
#[path = "draft/onwire.rs"]
mod onwire;
#[path = "draft/score.rs"]
mod score;
#[path = "draft/words.rs"]
mod words;

#[test]
fn show_some() {
    for seed in 0..30 {
        let l = onwire::layout(seed);
        println!("== {seed} {:?} {:?} {} {:?}", l.family, l.text, l.framing, l.columns);
        let bytes: Vec<u8> = l.damaged.chunks.iter().filter(|c| !c.sent).flat_map(|c| c.bytes.clone()).collect();
        println!("{:?}", String::from_utf8_lossy(&bytes[..bytes.len().min(300)]));
        println!("{:?}", l.damaged.truth.iter().filter(|t| t.damage.is_some()).take(3).collect::<Vec<_>>());
    }
}
