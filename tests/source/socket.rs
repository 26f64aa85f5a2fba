//! Serial-to-network boxes, played by real sockets.

use super::{any_bytes, cpu_s, is_gone, is_opened, next, until, until_bytes};
use bytes::Bytes;
use dropwise::reading::LineSettings;
use dropwise::source::{Opening, Port, SourceEvent, open};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

async fn listener() -> (TcpListener, Port) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    (listener, Port::Tcp { address })
}

#[tokio::test]
async fn bytes_go_both_ways_and_the_peer_is_named() {
    let (listener, port) = listener().await;
    let mut source = open(port, LineSettings::default(), CancellationToken::new());
    let (mut box_side, _) = listener.accept().await.unwrap();
    let opened = next(&mut source).await.unwrap();
    let peer = format!("connected to {}", listener.local_addr().unwrap());
    assert!(matches!(&opened, SourceEvent::Opened { what, .. } if *what == peer), "{opened:?}");
    let sent = any_bytes();
    box_side.write_all(&sent).await.unwrap();
    assert_eq!(until_bytes(&mut source, sent.len()).await, sent);
    source.write.send(Bytes::from_static(b"READ\r")).await.unwrap();
    let mut request = [0; 5];
    box_side.read_exact(&mut request).await.unwrap();
    assert_eq!(&request, b"READ\r");
    assert!(matches!(next(&mut source).await, Some(SourceEvent::Sent { .. })));
}

#[tokio::test]
async fn a_dropped_connection_is_told_and_made_again() {
    let (listener, port) = listener().await;
    let mut source = open(port, LineSettings::default(), CancellationToken::new());
    for round in 0..3 {
        let (mut box_side, _) = listener.accept().await.unwrap();
        until(&mut source, is_opened).await;
        let text = format!("round {round}\n");
        box_side.write_all(text.as_bytes()).await.unwrap();
        assert_eq!(until_bytes(&mut source, text.len()).await, text.as_bytes());
        drop(box_side);
        let gone = next(&mut source).await.unwrap();
        assert!(matches!(&gone, SourceEvent::Gone { why, .. } if why.contains("closed the connection")));
    }
}

#[tokio::test]
async fn a_box_that_takes_and_drops_each_connection_does_not_make_the_source_spin() {
    let (listener, port) = listener().await;
    let mut source = open(port, LineSettings::default(), CancellationToken::new());
    let cpu_before = cpu_s();
    let began = Instant::now();
    let mut taken = 0;
    while began.elapsed() < Duration::from_secs(2) {
        tokio::select! {
            accepted = listener.accept() => { drop(accepted); taken += 1; }
            event = next(&mut source) => assert!(event.is_some()),
            () = tokio::time::sleep(Duration::from_millis(200)) => {}
        }
    }
    // at 0, 0.25, 0.75 and 1.75 s
    assert!((2..=4).contains(&taken), "{taken} connections");
    assert!(cpu_s() - cpu_before < 0.1);
}

#[tokio::test]
async fn a_box_that_is_not_there_fails_only_when_it_must_exist() {
    let (listener, port) = listener().await;
    drop(listener);
    let must_exist = Opening { must_exist: true, ..Opening::default() };
    let mut source = open(port.clone(), must_exist, CancellationToken::new());
    let failed = next(&mut source).await.unwrap();
    assert!(
        matches!(&failed, SourceEvent::Failed { why, .. } if why.contains("could not be reached")),
        "{failed:?}"
    );
    let mut patient = open(port, LineSettings::default(), CancellationToken::new());
    assert!(is_gone(&next(&mut patient).await.unwrap()));
}
