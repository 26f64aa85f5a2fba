//! How a bench becomes a lane: profiles read, ports opened, rows begun.

use super::hub::{COMMANDS, Hub, LANE_CHUNKS, LaneHandle};
use super::lane::{Lane, LaneCommand, LaneParts};
use super::line::{Line, forward};
use crate::frame::Parity as FrameParity;
use crate::profile::{Flow as WireFlow, Profile, WireSettings};
use crate::reading::{DataBits, Flow, LineSettings, Parity, StopBits};
use crate::source::{Clock, Opening, Port, PortError, open};
use crate::store::{Entry, LineRow};
use crate::work::{BenchPlan, Event, Health, LaneId, LaneState, Origin, VolumeFrom};
use std::collections::VecDeque;
use std::sync::Arc;
use tokio::sync::mpsc;

impl Hub {
    /// Opens a bench; one that is open already keeps its lane.
    pub(super) async fn open(
        &mut self,
        bench: &BenchPlan,
        first: Option<LaneCommand>,
    ) -> Result<LaneId, String> {
        let same = self.lanes.iter().find(|(_, l)| l.bench.bench.title == bench.bench.title);
        if let Some((&id, handle)) = same {
            if !handle.over {
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
                        "a bench called \"{}\" is open with other settings; give this one another title, or end the recorder first",
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
            let (line_id, decoding_id) = (self.ids.line, self.ids.decoding);
            self.ids.line += 1;
            self.ids.decoding += 1;
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
            entries.push(Entry::Decoding { decoding_id, line_id, profile_text, utc_us });
            let opening = Opening {
                line: line_settings(&profile.wire),
                must_exist: self.options.ports_must_exist,
                simulator: self.options.simulator,
            };
            let handle = open(port.clone(), opening, cancel.clone());
            let write = forward(index, handle, to_lane.clone());
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
            port: ports.join(" + "),
            keyed: matches!(bench.bench.volume, VolumeFrom::Keyed { .. }),
            health: Health::Opening,
            frames: VecDeque::new(),
            frames_total: 0,
            frames_not_understood: 0,
            latest: Vec::new(),
            run: None,
            warnings: VecDeque::new(),
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
            cancel,
            first,
        });
        self.tracker.spawn(lane.run());
        self.lanes.insert(id, LaneHandle { commands: commands_in, bench, busy: false, over: false });
        Ok(id)
    }
}

fn line_settings(wire: &WireSettings) -> LineSettings {
    LineSettings {
        baud: wire.baud,
        data_bits: DataBits::try_from(wire.data_bits).unwrap_or_default(),
        parity: match wire.parity {
            FrameParity::None => Parity::None,
            FrameParity::Even => Parity::Even,
            FrameParity::Odd => Parity::Odd,
        },
        stop_bits: StopBits::try_from(wire.stop_bits).unwrap_or_default(),
        flow: match wire.flow {
            WireFlow::None => Flow::None,
            WireFlow::XonXoff => Flow::XonXoff,
            WireFlow::Hardware => Flow::RtsCts,
        },
        dtr: wire.dtr,
        rts: wire.rts,
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
        Port::Capture { .. } => Origin::Capture,
        Port::Simulator { .. } => Origin::Simulator,
    }
}
