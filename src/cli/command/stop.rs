//! Being asked to stop.

/// Waits until somebody asks the program to stop: Ctrl-C, a service manager, a terminal that goes away.
pub(super) async fn asked() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let (Ok(mut end), Ok(mut hang_up)) = (signal(SignalKind::terminate()), signal(SignalKind::hangup()))
        else {
            return interrupted().await;
        };
        tokio::select! {
            () = interrupted() => {}
            _ = end.recv() => {}
            _ = hang_up.recv() => {}
        }
    }
    #[cfg(not(unix))]
    interrupted().await;
}

async fn interrupted() {
    // Without a handler the system's own way of ending a program stays in place.
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
}
