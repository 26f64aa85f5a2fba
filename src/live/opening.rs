//! How a bench becomes a lane: profiles read, ports opened, rows begun.

use super::hand::Hand;
use super::hub::{COMMANDS, Hub, LANE_CHUNKS, LaneHandle};
use super::lane::{Lane, LaneCommand, LaneParts};
use super::line::{Line, forward};
use crate::profile::Profile;
use crate::source::{Clock, Opening, Port, PortError, open};
use crate::store::{Commit, Entry, LineRow, Reader};
use crate::work::{BenchPlan, Event, Health, LaneId, LaneState, LinePlan, Origin, Posted, VolumeFrom};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tokio::sync::mpsc;

impl Hub {
    /// Opens a bench; one that is open already keeps its lane, unless its settings have changed and no run is on.
    pub(super) async fn open(
        &mut self,
        bench: &BenchPlan,
        first: Option<LaneCommand>,
        confirmed_by: Option<String>,
    ) -> Result<LaneId, String> {
        let same = self.lanes.iter().find(|(_, l)| l.bench.bench.title == bench.bench.title);
        if let Some((&id, handle)) = same {
            let gives_way = !handle.busy && *handle.bench != *bench;
            if gives_way {
                handle.cancel.cancel();
            }
            if !handle.over && !gives_way {
                return if *handle.bench == *bench {
                    if let Some(first) = first {
                        let commands = handle.commands.clone();
                        // A lane that has ended meanwhile drops the reply, which is answered in words.
                        tokio::spawn(async move {
                            let _ended = commands.send(first).await;
                        });
                    }
                    Ok(id)
                } else {
                    Err(format!(
                        "a run goes on at the bench \"{}\", which was opened with other settings: end that run first, or give this bench another title",
                        bench.bench.title
                    ))
                };
            }
            self.lanes.remove(&id);
            self.tell(Event::Closed { lane: id }).await;
        }
        let mut parts = Vec::new();
        for plan in &bench.lines {
            let profile = Profile::parse(&plan.profile_name, &plan.profile_text)
                .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))?;
            let port: Port = plan.port.parse().map_err(|e: PortError| e.to_string())?;
            parts.push((plan, Arc::new(profile), port));
        }
        if parts.is_empty() {
            return Err(format!("the bench \"{}\" names no instrument", bench.bench.title));
        }
        // A capture takes nothing, so nothing is sent to it.
        for (plan, profile, _) in parts.iter().filter(|(_, _, port)| !matches!(port, Port::Capture { .. })) {
            self.check_sending(&bench.bench.title, plan, profile, confirmed_by.as_deref()).await?;
        }
        // Whoever starts a run with the bench has the hand on it.
        let opened_by = first.as_ref().map(|first| first.who.clone());
        let id = self.next_lane;
        self.next_lane += 1;
        let cancel = self.cancel.child_token();
        let (to_lane, sources) = mpsc::channel(LANE_CHUNKS);
        let (commands_in, commands) = mpsc::channel(COMMANDS);
        let mut lines = Vec::new();
        let mut entries = Vec::new();
        let origins: Vec<Origin> = parts.iter().map(|(_, _, port)| origin_of(port)).collect();
        let utc_us = Clock::start().stamp().utc_us;
        for (index, ((plan, profile, port), origin)) in parts.iter().zip(&origins).enumerate() {
            let line_id = self.ids.line;
            self.ids.line += 1;
            let decoding_id = self.numbers.decoding.fetch_add(1, Ordering::Relaxed);
            entries.push(Entry::Line(Box::new(LineRow {
                line_id,
                bench: bench.bench.title.clone(),
                instrument: profile.title.clone(),
                port: plan.port.clone(),
                origin: *origin,
                bench_text: bench.text.clone(),
                opened_utc_us: utc_us,
                utc_offset_s: utc_offset_s(),
            })));
            let profile_text = plan.profile_text.clone();
            entries.push(Entry::Decoding { decoding_id, line_id, profile_text, from_seq: 0, utc_us });
            let opening = Opening {
                line: profile.wire,
                must_exist: self.options.ports_must_exist,
                simulator: self.options.simulator,
            };
            let handle = open(port.clone(), opening, cancel.clone());
            let write = forward(index, handle, to_lane.clone());
            let takes_requests = !matches!(port, Port::Capture { .. });
            let write = takes_requests.then_some(write);
            lines.push(Line::new(line_id, decoding_id, Arc::clone(profile), write));
        }
        drop(to_lane);
        self.writer.write_and_go_on(entries).await;
        let bench = Arc::new(bench.clone());
        let instruments: Vec<&str> = parts.iter().map(|(_, profile, _)| profile.title.as_str()).collect();
        let ports: Vec<&str> = parts.iter().map(|(plan, _, _)| plan.port.as_str()).collect();
        let lane = LaneState {
            id,
            title: bench.bench.title.clone(),
            instrument: instruments.join(" + "),
            profiles: bench.bench.instrument.iter().map(|i| i.profile.clone()).collect(),
            port: ports.join(" + "),
            keyed: matches!(bench.bench.volume, VolumeFrom::Keyed { .. }),
            health: Health::Opening,
            frames: VecDeque::new(),
            frames_total: 0,
            frames_not_understood: 0,
            latest: Vec::new(),
            run: None,
            warnings: VecDeque::new(),
            people: Posted { hand: opened_by.clone(), ..Posted::of(&bench.bench.people) },
        };
        self.tell(Event::Opened { lane: Box::new(lane) }).await;
        let lane = Lane::new(LaneParts {
            id,
            bench: Arc::clone(&bench),
            origin: origins.iter().copied().find(|o| !o.is_real()).unwrap_or(origins[0]),
            lines,
            sources,
            commands,
            writer: self.writer.clone(),
            hub: self.to_hub.clone(),
            numbers: Arc::clone(&self.numbers),
            cancel: cancel.clone(),
            record: self.record.clone(),
            first,
        });
        self.tracker.spawn(lane.run());
        let hand = opened_by.map_or_else(Hand::default, Hand::of);
        self.lanes
            .insert(id, LaneHandle { commands: commands_in, bench, busy: false, over: false, cancel, hand });
        Ok(id)
    }
}

impl Hub {
    /// A profile that sends is used only when a person has confirmed it, once for its text and the bench.
    async fn check_sending(
        &self,
        bench: &str,
        plan: &LinePlan,
        profile: &Profile,
        confirmed_by: Option<&str>,
    ) -> Result<(), String> {
        let sends = profile.sends();
        if sends.is_empty() {
            return Ok(());
        }
        let record = Reader::open(&self.record).map_err(|e| e.to_string())?;
        if record.is_confirmed(&plan.profile_text, bench).map_err(|e| e.to_string())? {
            return Ok(());
        }
        let Some(who) = confirmed_by else {
            return Err(format!(
                "the profile {} sends bytes to the instrument, and nobody has confirmed that for the bench \"{bench}\" yet; \
                 look at them with `dropwise profile explain`, then open the bench with --confirm-sending",
                plan.profile_name
            ));
        };
        let entry = Entry::Confirmation {
            profile_text: plan.profile_text.clone(),
            bench: bench.to_owned(),
            utc_us: Clock::start().stamp().utc_us,
            who: who.to_owned(),
        };
        // Committed before the first byte goes out.
        match self.writer.write(vec![entry]).await.await {
            Ok(Commit::Saved) => Ok(()),
            Ok(Commit::Waiting(why)) => Err(format!("the confirmation could not be saved: {why}")),
            Err(_) => Err("the writer of the record has gone".to_owned()),
        }
    }
}

/// Offset of the local time from UTC now, in seconds.
fn utc_offset_s() -> i32 {
    jiff::ZonedDateTime::now().offset().seconds()
}

fn origin_of(port: &Port) -> Origin {
    match port {
        Port::Serial { .. } | Port::Usb { .. } => Origin::Serial,
        Port::Tcp { .. } => Origin::Network,
        Port::File { .. } | Port::Stdin => Origin::File,
        Port::Hand => Origin::Keyed,
        Port::Capture { .. } => Origin::Capture,
        Port::Simulator { .. } => Origin::Simulator,
    }
}
