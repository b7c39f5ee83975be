//! What the user touches: arguments, settings, printing, exit codes.

pub mod folder;
pub mod policy;

/// The zone this machine tells its time in: `TZ`, else what /etc/localtime points to, else UTC.
pub fn local_zone() -> chrono_tz::Tz {
    let named = std::env::var("TZ")
        .ok()
        .and_then(|name| name.trim_start_matches(':').parse().ok());
    let linked = || {
        let target = std::fs::read_link("/etc/localtime").ok()?;
        let text = target.to_string_lossy().into_owned();
        text.split_once("zoneinfo/")
            .and_then(|(_, name)| name.parse().ok())
    };
    named.or_else(linked).unwrap_or(chrono_tz::UTC)
}
