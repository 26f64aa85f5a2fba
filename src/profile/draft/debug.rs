#[test]
fn show() {
    let files = std::env::var("CAP").unwrap_or_default();
    for path in files.split_whitespace() {
        let text = std::fs::read_to_string(path).unwrap();
        let mut heard = super::Heard { timed: true, ..Default::default() };
        for (k, l) in text.lines().enumerate() {
            let v: serde_json::Value = serde_json::from_str(l).unwrap();
            if k == 0 {
                heard.line.baud = v["line"]["baud"].as_u64().unwrap_or(9600) as u32;
                continue;
            }
            let sent = v.get("out").is_some();
            let s = v.get("out").or(v.get("in")).unwrap().as_str().unwrap();
            heard.chunks.push(super::HeardChunk { at_s: v["t"].as_f64().unwrap(), sent, bytes: s.chars().map(|c| c as u32 as u8).collect() });
        }
        let f = super::pipeline::run(&heard);
        println!("=== {path}\n parity {:?} echoes {} framing {:?} flow {} check {:?} enc {:?} style {:?} lines {} req {}", f.parity, f.echoes, f.framing, f.flow_control, f.check.as_ref().map(|c| (c.check.kind, c.fits, c.tried, c.in_body)), f.encoding, f.style, f.lines.len(), f.requests.len());
        for (i, t) in f.templates.iter().enumerate() {
            println!("  T{i} n={} asked {:?} opt {:?} {:?} over {:?} | {:?}", t.lines.len(), t.asked, t.optional, t.slots, t.over.iter().map(|o| (o.slot, &o.words, o.lines.len())).collect::<Vec<_>>(), f.lines[t.lines[0]].text);
            for (c, choice) in f.columns.iter().zip(&f.choices).filter(|(c, _)| c.template == i) {
                println!("     col {} {:?} other {:?} ev {:?} scale {:?} n {} {}..{} shape {:?}", c.slot, choice.map(|c| (c.quantity, (c.weight * 100.0).round() / 100.0)), c.other, c.evidence.iter().map(|(q, w, f)| format!("{q} {w:.2} {f}")).collect::<Vec<_>>(), c.scale, c.values.len(), c.run.min, c.run.max, (&c.shape.decimals, c.shape.whole, c.shape.padded, &c.shape.signs));
            }
        }
        for fl in &f.flags { println!("  flag {:?}", fl); }
        for h in &f.headings { println!("  heading {:?}", f.lines[*h].text); }
    }
}
