//! Hands a text to a program of the user's, and does not wait for it longer than told.

use super::{Clock, Stop};
use std::io::Write;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// How often a program that still runs is looked at.
const LOOK: Duration = Duration::from_millis(50);

/// Runs `argv` (no shell between) with `text` on its standard input and waits for its end, at most
/// `limit` or until `stop` is set; then that one process is killed. What it prints is dropped: our
/// own output is read by others.
///
/// # Errors
/// One line: it cannot be started, it failed, it was killed.
pub fn notify(
    argv: &[String],
    text: &str,
    limit: Duration,
    clock: &dyn Clock,
    stop: &Stop,
) -> Result<(), String> {
    let Some((program, words)) = argv.split_first() else {
        return Ok(());
    };
    let mut child = Command::new(program)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| format!("{program} cannot be started: {e}"))?;
    if let Some(mut input) = child.stdin.take() {
        // Far below what a pipe holds, so this does not wait; a program that does not read it may
        // end well all the same.
        let _ = writeln!(input, "{text}");
    }
    let until = clock.ticks() + limit.as_secs_f64();
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("{program} failed: {status}")),
            Ok(None) => {}
            Err(e) => return Err(format!("{program} cannot be waited for: {e}")),
        }
        if stop.is_set() || clock.ticks() >= until {
            return Err(killed(&mut child, program, limit));
        }
        clock.wait(LOOK, stop);
    }
}

fn killed(child: &mut Child, program: &str, limit: Duration) -> String {
    let ended = child.kill().and_then(|()| child.wait());
    match ended {
        Ok(_) => format!(
            "{program} was killed: it had not ended within {} s",
            limit.as_secs_f64()
        ),
        Err(e) => format!("{program} does not end and cannot be killed: {e}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::SystemClock;

    fn run(words: &[&str], limit: u64) -> Result<(), String> {
        let argv: Vec<String> = words.iter().map(|w| (*w).to_string()).collect();
        let (clock, stop) = (SystemClock::default(), Stop::new());
        notify(
            &argv,
            "{\"event\":\"finished\"}",
            Duration::from_millis(limit),
            &clock,
            &stop,
        )
    }

    #[test]
    fn a_program_gets_the_text_and_one_that_fails_hangs_or_is_missing_is_told_in_a_line() {
        let folder = tempfile::tempdir().unwrap();
        let kept = folder.path().join("kept").display().to_string();
        run(&["sh", "-c", "cat > \"$1\"", "sh", &kept], 20_000).unwrap();
        assert_eq!(
            std::fs::read_to_string(&kept).unwrap(),
            "{\"event\":\"finished\"}\n"
        );
        run(&["true"], 20_000).unwrap();
        run(&[], 20_000).unwrap();
        assert!(run(&["false"], 20_000).unwrap_err().contains("failed"));
        assert!(
            run(&["/no/such/program"], 20_000)
                .unwrap_err()
                .contains("cannot be started")
        );
        // `exec` keeps it one process: only our own child is ended.
        let hung = run(
            &["sh", "-c", "echo $$ > \"$1\"; exec sleep 600", "sh", &kept],
            1_500,
        );
        assert!(hung.unwrap_err().contains("killed"));
        let process = std::fs::read_to_string(&kept).unwrap();
        assert!(!std::path::Path::new("/proc").join(process.trim()).exists());
    }

    #[test]
    fn a_stop_ends_the_wait() {
        let argv = ["sleep".to_string(), "600".to_string()];
        let (clock, stop) = (SystemClock::default(), Stop::new());
        stop.set();
        let told = notify(&argv, "", Duration::from_secs(600), &clock, &stop);
        assert!(told.unwrap_err().contains("killed"));
    }
}
