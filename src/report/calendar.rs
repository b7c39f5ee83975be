//! The schedule as an RFC 5545 calendar: one event a batch, one for the end of the move.
//!
//! An event keeps its UID for as long as the move and the batch keep their names, so that a newer
//! calendar replaces the entries of an older one. DTSTAMP is the `now` of the model. All times are
//! UTC (form 2 of section 3.3.5), which needs no zone definition. Events are transparent: a batch
//! makes nobody busy.

use crate::digest::Digest;
use crate::moment::Moment;
use crate::names::shown;
use crate::report::model::{BatchRow, Period, ReportModel, Standing};
use crate::report::words::{finish_sentence, percent, share};
use icalendar::{Calendar, Component, Event, EventLike, EventStatus, Property};

/// Octets of a line without its end, RFC 5545 section 3.1.
const MOST_OCTETS: usize = 75;

/// The calendar's text, lines ended by CRLF and none longer than 75 octets. What has no time a
/// calendar can hold is left out.
pub fn calendar(model: &ReportModel) -> String {
    let mut calendar = Calendar::empty();
    calendar
        .append_property(Property::new("VERSION", "2.0"))
        .append_property(Property::new("PRODID", "-//Poolward//Poolward//EN"))
        .append_property(Property::new("CALSCALE", "GREGORIAN"))
        .append_property(Property::new("METHOD", "PUBLISH"));
    for batch in &model.batches {
        if let Some(event) = batch_event(model, batch) {
            calendar.push(event);
        }
    }
    if let Some(event) = finish_event(model) {
        calendar.push(event);
    }
    refolded(&calendar.to_string())
}

/// Folds long lines at 75 octets and between characters (section 3.1): the library's own folding
/// lets continued lines grow to 76.
fn refolded(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + text.len() / 64);
    for line in text.replace("\r\n ", "").split_terminator("\r\n") {
        let mut length = 0;
        for c in line.chars() {
            if length + c.len_utf8() > MOST_OCTETS {
                out.push_str("\r\n ");
                length = 1;
            }
            out.push(c);
            length += c.len_utf8();
        }
        out.push_str("\r\n");
    }
    out
}

fn batch_event(model: &ReportModel, batch: &BatchRow) -> Option<Event> {
    let period = when(batch)?;
    let name = shown(batch.name.as_str().as_bytes());
    let totals = &batch.progress;
    let mut text = vec![
        format!(
            "{} from {} to dataset {}.",
            totals.planned,
            shown(batch.source.0.as_bytes()),
            shown(batch.dataset.as_bytes())
        ),
        format!("State: {}.", batch.state.word()),
        format!(
            "Copied {}, verified {}.",
            percent(share(totals.copied, totals.planned)),
            percent(share(totals.verified, totals.planned))
        ),
    ];
    text.extend(batch.flags.iter().map(|flag| format!("Flag: {}.", flag.word())));
    let begun = batch.actual.is_some();
    event(
        model,
        batch.name.as_str(),
        period,
        format!("Batch {name}, {}", totals.planned.bytes),
        text.join("\n"),
        begun,
    )
}

/// What happened where the batch is over, else from its real or planned start to the newest end.
fn when(batch: &BatchRow) -> Option<Period> {
    let planned = batch.planned.or(batch.actual)?;
    let start = batch.actual.map_or(planned.start, |p| p.start);
    let end = match (batch.forecast_end, batch.actual) {
        (Some(end), _) => end,
        (None, Some(actual)) => actual.end,
        (None, None) => planned.end,
    };
    // RFC 5545 section 3.8.2.2: DTEND must be later than DTSTART.
    let end = end.max(start.plus_seconds(1));
    Some(Period { start, end })
}

fn finish_event(model: &ReportModel) -> Option<Event> {
    let finish = model.finish?;
    let period = Period {
        start: finish.likely,
        end: finish.likely.plus_seconds(3_600),
    };
    let summary = match finish.standing {
        Standing::Measured => format!("{}: verified", shown(model.title.as_bytes())),
        _ => format!("{}: verified, most likely", shown(model.title.as_bytes())),
    };
    event(
        model,
        "\0finish",
        period,
        summary,
        finish_sentence(Some(finish), model.zone),
        finish.standing == Standing::Measured,
    )
}

fn event(
    model: &ReportModel,
    key: &str,
    period: Period,
    summary: String,
    text: String,
    sure: bool,
) -> Option<Event> {
    let status = if sure {
        EventStatus::Confirmed
    } else {
        EventStatus::Tentative
    };
    let mut event = Event::new();
    event
        .uid(&uid(&model.move_id, key))
        .timestamp(whole(model.now)?)
        .starts(whole(period.start)?)
        .ends(whole(period.end)?)
        .summary(&summary)
        .description(&text)
        .add_property("TRANSP", "TRANSPARENT");
    event.status(status);
    Some(event.done())
}

/// A calendar time; years of other than four digits have none.
fn whole(moment: Moment) -> Option<chrono::DateTime<chrono::Utc>> {
    moment.year(chrono_tz::UTC)?;
    Moment::from_seconds(moment.seconds).utc()
}

/// Half a hash of the move's own word and the event's key: unique without a host name.
fn uid(move_id: &str, key: &str) -> String {
    let digest = Digest::of(format!("{}\n{move_id}\n{key}", move_id.len()).as_bytes()).to_string();
    format!("{}-poolward", digest.get(..32).unwrap_or(&digest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::names::BatchName;
    use crate::report::sample::sample;
    use proptest::prelude::*;

    /// RFC 5545 section 3.1, on bytes, since a fold may split a character.
    fn unfolded(text: &str) -> String {
        text.replace("\r\n ", "").replace("\r\n\t", "")
    }

    #[test]
    fn the_calendar_is_stable_text() {
        let mut model = sample();
        model.batches.truncate(2);
        insta::assert_snapshot!(calendar(&model).replace("\r\n", "\n"), @r#"
        BEGIN:VCALENDAR
        VERSION:2.0
        PRODID:-//Poolward//Poolward//EN
        CALSCALE:GREGORIAN
        METHOD:PUBLISH
        BEGIN:VEVENT
        DESCRIPTION:212 GB in 2\,140 files from oldbox to dataset pilot.\nState: re
         leased.\nCopied 100 %\, verified 100 %.
        DTEND:20270202T180000Z
        DTSTAMP:20270219T083000Z
        DTSTART:20270201T183000Z
        STATUS:CONFIRMED
        SUMMARY:Batch pilot.1\, 212 GB
        TRANSP:TRANSPARENT
        UID:f3362f12e02d57ca1c7d460077e6a56f-poolward
        END:VEVENT
        BEGIN:VEVENT
        DESCRIPTION:2.87 TB in 61\,204 files from oldbox to dataset 2014.\nState: r
         eleased.\nCopied 100 %\, verified 100 %.
        DTEND:20270205T180000Z
        DTSTAMP:20270219T083000Z
        DTSTART:20270202T183000Z
        STATUS:CONFIRMED
        SUMMARY:Batch 2014.1\, 2.87 TB
        TRANSP:TRANSPARENT
        UID:478dc60671036b88990c1b4ab4048d1b-poolward
        END:VEVENT
        BEGIN:VEVENT
        DESCRIPTION:All should be verified by Mon 2027-03-08\, in nine cases of ten
          between Fri 2027-03-05 and Sun 2027-03-14 (forecast from measured rates).
        DTEND:20270308T042000Z
        DTSTAMP:20270219T083000Z
        DTSTART:20270308T032000Z
        STATUS:TENTATIVE
        SUMMARY:Harbour Lane archive: verified\, most likely
        TRANSP:TRANSPARENT
        UID:ee862fbcf9fd7ca1e106cc6690bed4cb-poolward
        END:VEVENT
        END:VCALENDAR
        "#);
    }

    #[test]
    fn every_event_has_what_the_standard_asks_for() {
        let model = sample();
        let text = unfolded(&calendar(&model));
        let events: Vec<&str> = text.split("BEGIN:VEVENT").skip(1).collect();
        assert_eq!(events.len(), model.batches.len() + 1);
        for event in &events {
            for key in ["UID:", "DTSTAMP:", "DTSTART:", "DTEND:", "SUMMARY:"] {
                assert_eq!(
                    event.matches(&format!("\r\n{key}")).count(),
                    1,
                    "{key} in {event}"
                );
            }
        }
        assert!(text.starts_with("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:"));
        let uids: std::collections::BTreeSet<&str> =
            text.lines().filter(|line| line.starts_with("UID:")).collect();
        assert_eq!(uids.len(), events.len());
    }

    /// RFC 5545 section 3.3.11, with the text and the result that PyPI icalendar 7.3.2 was observed
    /// to write. A real line break stands as `\n` in a shown name, whose backslash is doubled.
    #[test]
    fn text_is_escaped_by_section_3_3_11() {
        let mut model = sample();
        model.title = "Batch 2019/Æther; verify, then \"sign\"".into();
        let text = unfolded(&calendar(&model));
        assert!(text.contains("SUMMARY:Batch 2019/Æther\\; verify\\, then \"sign\": verified"));
    }

    #[test]
    fn an_uid_outlives_everything_but_the_names() {
        let mut model = sample();
        let before = calendar(&model);
        model.now = model.now.plus_seconds(86_400);
        model.batches.reverse();
        let uids = |text: &str| {
            let mut found: Vec<String> = unfolded(text)
                .lines()
                .filter(|line| line.starts_with("UID:"))
                .map(String::from)
                .collect();
            found.sort();
            found
        };
        assert_eq!(uids(&before), uids(&calendar(&model)));
        model.move_id.push('x');
        assert_ne!(uids(&before), uids(&calendar(&model)));
    }

    proptest! {
        #[test]
        fn lines_are_short_and_no_name_breaks_out(title in "\\PC{0,80}|[\\x00-\\x1f\"\\\\;,:]{0,20}", name in "\\PC{0,90}") {
            let mut model = sample();
            model.title = title;
            model.batches[0].name = BatchName::typed(&name);
            model.batches[0].dataset = name;
            let text = calendar(&model);
            prop_assert!(text.ends_with("END:VCALENDAR\r\n"));
            for line in text.split("\r\n") {
                prop_assert!(line.len() <= 75, "{} octets", line.len());
                prop_assert!(!line.contains(['\r', '\n']));
            }
            prop_assert_eq!(text.matches("BEGIN:VEVENT\r\n").count(), model.batches.len() + 1);
        }
    }
}
