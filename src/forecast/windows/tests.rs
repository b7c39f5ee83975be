//! Windows against the tz database and days worked out by hand.

use super::*;
use proptest::prelude::*;

fn at(text: &str) -> Moment {
    Moment::parse_rfc3339(text).unwrap()
}

fn windows(zone: &str, spec: &str) -> Windows {
    Windows {
        windows: parse_windows(spec).unwrap(),
        ..Windows::always(parse_zone(zone).unwrap())
    }
}

fn hours(piece: Opening) -> f64 {
    piece.end.seconds_since(piece.start) / 3600.0
}

fn show(w: &Windows, from: &str, n: usize) -> Vec<String> {
    let text = |p: Opening| {
        let limit = p.limit.map_or(String::new(), |l| format!(" {l}"));
        format!("{} .. {}{limit}", p.start.rfc3339(w.zone), p.end.rfc3339(w.zone))
    };
    w.openings(at(from)).take(n).map(text).collect()
}

/// Transitions of the tz database (2026), lengths derived from them.
#[test]
fn a_window_across_a_daylight_saving_change_is_an_hour_shorter_or_longer() {
    let rows = [
        ("America/New_York", "2026-03-07T12:00:00-05:00", 7.0),
        ("America/New_York", "2026-10-31T12:00:00-04:00", 9.0),
        ("Europe/Berlin", "2026-03-28T12:00:00+01:00", 7.0),
        ("Europe/Berlin", "2026-10-24T12:00:00+02:00", 9.0),
        ("Europe/London", "2026-03-28T12:00:00Z", 7.0),
        ("Australia/Sydney", "2026-04-04T12:00:00+11:00", 9.0),
        ("Australia/Sydney", "2026-10-03T12:00:00+10:00", 7.0),
        ("Australia/Lord_Howe", "2026-04-04T12:00:00+11:00", 8.5),
        ("Australia/Lord_Howe", "2026-10-03T12:00:00+10:30", 7.5),
        ("Asia/Tokyo", "2026-03-28T12:00:00+09:00", 8.0),
    ];
    for (zone, from, expected) in rows {
        let piece = windows(zone, "mon-sun 22:00-06:00")
            .next_opening(at(from))
            .unwrap();
        assert_eq!(hours(piece), expected, "{zone} {from}");
    }
}

/// RFC 5545 section 3.3.5: 2007-11-04 01:30 in New York is the first one (05:30Z), 2007-03-11
/// 02:30 takes the offset before the gap (07:30Z).
#[test]
fn missing_and_repeated_local_times_are_those_of_rfc_5545() {
    let w = windows("America/New_York", "sun 01:30-12:00");
    assert_eq!(
        w.next_opening(at("2007-11-04T04:00:00Z")).unwrap().start,
        at("2007-11-04T05:30:00Z")
    );
    let w = windows("America/New_York", "sun 02:30-12:00");
    assert_eq!(
        w.next_opening(at("2007-03-11T06:00:00Z")).unwrap().start,
        at("2007-03-11T07:30:00Z")
    );
}

#[test]
fn days_name_the_day_on_which_a_window_opens() {
    let w = windows("Europe/Berlin", "fri 19:00-07:00");
    assert_eq!(
        show(&w, "2027-02-01T00:00:00+01:00", 2),
        [
            "2027-02-05T19:00:00+01:00 .. 2027-02-06T07:00:00+01:00",
            "2027-02-12T19:00:00+01:00 .. 2027-02-13T07:00:00+01:00",
        ]
    );
    assert!(w.is_open_at(at("2027-02-06T06:59:59+01:00")));
    assert!(!w.is_open_at(at("2027-02-06T07:00:00+01:00")));
}

#[test]
fn where_two_windows_are_open_the_limit_of_the_later_entry_holds() {
    let w = windows(
        "UTC",
        "mon-fri 19:00-07:00 5 Gbit/s; mon-sun 22:00-05:00; tue 01:00-02:00 100 MB/s",
    );
    assert_eq!(
        show(&w, "2027-02-01T12:00:00Z", 6),
        [
            "2027-02-01T19:00:00+00:00 .. 2027-02-01T22:00:00+00:00 625 MB/s",
            "2027-02-01T22:00:00+00:00 .. 2027-02-02T01:00:00+00:00",
            "2027-02-02T01:00:00+00:00 .. 2027-02-02T02:00:00+00:00 100 MB/s",
            "2027-02-02T02:00:00+00:00 .. 2027-02-02T05:00:00+00:00",
            "2027-02-02T05:00:00+00:00 .. 2027-02-02T07:00:00+00:00 625 MB/s",
            "2027-02-02T19:00:00+00:00 .. 2027-02-02T22:00:00+00:00 625 MB/s",
        ]
    );
    assert_eq!(
        w.limit_at(at("2027-02-02T06:00:00Z")),
        Some(Some(Rate(625_000_000)))
    );
    assert_eq!(w.limit_at(at("2027-02-01T23:00:00Z")), Some(None));
    assert_eq!(w.limit_at(at("2027-02-01T12:00:00Z")), None);
    assert_eq!(
        w.next_border(at("2027-02-01T12:00:00Z")),
        Some(at("2027-02-01T19:00:00Z"))
    );
    assert_eq!(
        w.next_border(at("2027-02-01T19:00:00Z")),
        Some(at("2027-02-01T22:00:00Z"))
    );
}

#[test]
fn blackout_dates_are_quiet_from_midnight_to_midnight() {
    let mut w = windows("Europe/Berlin", "mon-sun 19:00-07:00");
    w.starts = Some(parse_date("2027-02-08").unwrap());
    let date = |d| parse_date(d).unwrap();
    w.blackouts = vec![Blackout {
        from: date("2027-02-10"),
        until: date("2027-02-12"),
    }];
    assert_eq!(
        show(&w, "2027-02-01T00:00:00+01:00", 5),
        [
            "2027-02-08T00:00:00+01:00 .. 2027-02-08T07:00:00+01:00",
            "2027-02-08T19:00:00+01:00 .. 2027-02-09T07:00:00+01:00",
            "2027-02-09T19:00:00+01:00 .. 2027-02-10T00:00:00+01:00",
            "2027-02-13T00:00:00+01:00 .. 2027-02-13T07:00:00+01:00",
            "2027-02-13T19:00:00+01:00 .. 2027-02-14T07:00:00+01:00",
        ]
    );
}

#[test]
fn without_windows_it_is_always_open_in_long_pieces_without_a_border() {
    let w = Windows::always(chrono_tz::Europe::Berlin);
    let now = at("2027-02-01T12:34:56+01:00");
    let pieces: Vec<Opening> = w.openings(now).take(3).collect();
    assert_eq!(pieces[0].start, now);
    assert_eq!(pieces[0].end, pieces[1].start);
    assert!(hours(pieces[1]) > 24.0 * 300.0);
    assert!(w.is_open_at(now));
    assert_eq!(w.next_border(now), None);
    assert_eq!(windows("UTC", "mon-sun 00:00-24:00").next_border(now), None);
}

#[test]
fn windows_that_never_open_are_an_answer() {
    let now = at("2027-02-01T12:00:00Z");
    let mut w = windows("UTC", "mon 10:00-11:00");
    w.windows[0].days = Weekdays::default();
    assert_eq!(w.next_opening(now), None);
    assert_eq!(w.next_border(now), None);
    assert!(!w.is_open_at(now));
    let mut w = Windows::always(chrono_tz::UTC);
    w.blackouts = vec![Blackout {
        from: parse_date("1970-01-01").unwrap(),
        until: parse_date("9999-12-31").unwrap(),
    }];
    assert_eq!(w.next_opening(now), None);
    w.blackouts[0].until = parse_date("2099-12-31").unwrap();
    assert_eq!(w.next_opening(now).unwrap().start, at("2100-01-01T00:00:00Z"));
    let w = Windows::always(chrono_tz::UTC);
    assert_eq!(w.next_opening(Moment::from_seconds(i64::MAX)), None);
    assert_eq!(w.next_opening(Moment::from_seconds(i64::MIN)), None);
}

#[test]
fn a_window_inside_the_missing_hour_is_made_up_for_by_the_next_week() {
    let w = windows("Europe/Berlin", "sun 02:30-03:15");
    // 2027-03-28: 02:30 is 03:30 by the offset before the gap, after 03:15 has passed.
    assert_eq!(
        show(&w, "2027-03-22T00:00:00+01:00", 1),
        ["2027-04-04T02:30:00+02:00 .. 2027-04-04T03:15:00+02:00"]
    );
}

/// Samoa left out 2011-12-30 when it crossed the date line (tz database).
#[test]
fn a_day_that_a_zone_left_out_has_no_length() {
    let w = windows("Pacific/Apia", "fri 00:00-24:00");
    assert_eq!(
        show(&w, "2011-12-24T12:00:00Z", 1),
        ["2012-01-06T00:00:00+14:00 .. 2012-01-07T00:00:00+14:00"]
    );
}

#[test]
fn a_night_is_one_from_noon_to_noon() {
    let w = Windows::always(chrono_tz::Europe::Berlin);
    let night = |t| w.night_of(at(t));
    assert_eq!(
        night("2027-02-01T23:00:00+01:00"),
        night("2027-02-02T11:59:59+01:00")
    );
    assert_eq!(
        night("2027-02-02T12:00:00+01:00"),
        night("2027-02-01T23:00:00+01:00") + 1
    );
}

/// The oracle of another shape: whether a minute is open is asked of the wall clock at that
/// minute. Valid away from daylight-saving changes, so in a zone without them.
fn open_by_the_wall_clock(w: &Windows, minute: i64) -> Option<Option<Rate>> {
    let local = chrono::DateTime::from_timestamp(minute * 60, 0)?
        .with_timezone(&w.zone)
        .naive_local();
    let (date, now) = (
        local.date(),
        (local.and_utc().timestamp().rem_euclid(86_400) / 60) as u16,
    );
    if w.blackouts.iter().any(|b| b.from <= date && date <= b.until) || w.starts.is_some_and(|s| date < s) {
        return None;
    }
    let mut answer = None;
    for window in &w.windows {
        let (from, until) = (window.from.minutes(), window.until.minutes());
        let today = window.days.contains(date.weekday());
        let yesterday = window.days.contains(date.weekday().pred());
        let open = if until > from {
            today && (from..until).contains(&now)
        } else {
            (today && now >= from) || (yesterday && now < until)
        };
        if open {
            answer = Some(window.limit);
        }
    }
    answer
}

fn any_windows() -> impl Strategy<Value = Windows> {
    let window = (1u8..0x80, 0u16..1440, 0u16..=1440, prop::option::of(1u64..4)).prop_map(
        |(days, from, until, limit)| {
            let names = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
            let days: Vec<&str> = (0..7)
                .filter(|d| days & (1 << d) != 0)
                .map(|d| names[d])
                .collect();
            let time = |m: u16| WallTime::parse(&format!("{:02}:{:02}", m / 60, m % 60)).unwrap();
            Window {
                days: Weekdays::parse(&days.join(",")).unwrap(),
                from: time(from),
                until: time(until),
                limit: limit.map(Rate),
            }
        },
    );
    let blackout = (0u64..20, 0u64..4).prop_map(|(from, length)| {
        let first = NaiveDate::from_ymd_opt(2027, 2, 1).unwrap() + Days::new(from);
        Blackout {
            from: first,
            until: first + Days::new(length),
        }
    });
    (
        prop::collection::vec(window, 1..4),
        prop::collection::vec(blackout, 0..3),
        prop::option::of(0u64..10),
    )
        .prop_map(|(windows, blackouts, starts)| Windows {
            zone: chrono_tz::Asia::Tokyo,
            starts: starts.map(|s| NaiveDate::from_ymd_opt(2027, 2, 1).unwrap() + Days::new(s)),
            windows,
            blackouts,
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn openings_are_ordered_apart_and_agree_with_the_wall_clock(w in any_windows(), offset in 0i64..10_000) {
        let start = at("2027-02-01T00:00:00Z").seconds / 60 + offset;
        let end = start + 14 * 1_440;
        let mut expected = Vec::new();
        for piece in w.openings(Moment::from_seconds(start * 60)).take_while(|p| p.start.seconds < end * 60) {
            prop_assert!(piece.start < piece.end);
            for minute in piece.start.seconds / 60..(piece.end.seconds / 60).min(end) {
                expected.push((minute, piece.limit));
            }
        }
        prop_assert!(expected.windows(2).all(|p| p[0].0 < p[1].0));
        let by_clock: Vec<_> = (start..end)
            .filter_map(|m| open_by_the_wall_clock(&w, m).map(|limit| (m, limit)))
            .collect();
        prop_assert_eq!(expected, by_clock);
    }
}
