//! The schedule as bars over a calendar: one row a batch, days from left to right.

use crate::moment::Moment;
use crate::names::shown;
use crate::report::model::{BatchRow, Period, ReportModel, State};
use chrono::{Datelike, Days, Months, NaiveDate, NaiveTime, TimeZone};
use chrono_tz::Tz;
use maud::{Markup, html};

/// Width of the names' column, of the drawing, height of a row and of the head, in user units.
const NAMES: f64 = 118.0;
const WIDTH: f64 = 860.0;
const ROW: f64 = 24.0;
const HEAD: f64 = 26.0;

/// Most lines drawn across the calendar; more would touch each other's labels.
const MOST_TICKS: i64 = 9;

/// The span of time drawn.
struct Axis {
    start: f64,
    seconds: f64,
}

impl Axis {
    fn x(&self, moment: Moment) -> f64 {
        let share = ((moment.seconds as f64 - self.start) / self.seconds).clamp(0.0, 1.0);
        NAMES + share * (WIDTH - NAMES - 8.0)
    }
}

/// The drawing, or `None` where nothing has a time.
pub(super) fn schedule(model: &ReportModel) -> Option<Markup> {
    let (first, last) = extent(model)?;
    let axis = Axis {
        start: first.seconds as f64,
        seconds: (last.seconds as f64 - first.seconds as f64).max(1.0),
    };
    let height = HEAD + ROW * model.batches.len() as f64 + 6.0;
    let label = format!(
        "Schedule of {} batches from {} to {}",
        model.batches.len(),
        first.local(model.zone),
        last.local(model.zone)
    );
    Some(html! {
        svg.schedule viewBox={ "0 0 " (WIDTH) " " (height) } role="img" aria-label=(label) {
            @for (moment, text) in ticks(first, last, model.zone) {
                @let x = axis.x(moment);
                line.grid x1=(px(x)) x2=(px(x)) y1=(HEAD - 4.0) y2=(height - 4.0) {}
                text.tick x=(px(x + 4.0)) y="14" { (text) }
            }
            @for (at, batch) in model.batches.iter().enumerate() {
                (row(&axis, HEAD + ROW * at as f64, batch, model))
            }
            @if model.now >= first && model.now <= last {
                @let x = axis.x(model.now);
                line.now x1=(px(x)) x2=(px(x)) y1=(HEAD - 8.0) y2=(height - 4.0) {}
                text.nowtext x=(px(x)) y=(HEAD - 10.0 + 4.0) text-anchor=(if x > WIDTH - 60.0 { "end" } else { "middle" }) { "now" }
            }
        }
    })
}

fn row(axis: &Axis, y: f64, batch: &BatchRow, model: &ReportModel) -> Markup {
    let class = match batch.state {
        State::Waiting => "waiting",
        State::Copying | State::Copied => "copied",
        State::Verifying | State::Verified => "verified",
        State::Released => "released",
    };
    let words = format!(
        "{}: {}",
        shown(batch.name.as_str().as_bytes()),
        match running(batch) {
            Some(p) => format!("{} to {}", p.start.local(model.zone), p.end.local(model.zone)),
            None => "no time".into(),
        }
    );
    html! {
        g {
            title { (words) }
            text.name x="0" y=(px(y + 15.5)) {
                tspan.glyph { (batch.state.glyph()) } tspan dx="6" { (short(&shown(batch.name.as_str().as_bytes()))) }
                @for flag in &batch.flags { tspan.flag dx="4" { (flag.glyph()) } }
            }
            @if let Some(p) = batch.planned {
                (bar(axis, p, y + 15.0, 3.0, "planned"))
            }
            @if let Some(p) = running(batch) {
                (bar(axis, p, y + 5.0, 9.0, class))
            }
        }
    }
}

/// What really happened, carried on to the forecast end; of a waiting batch the forecast alone.
fn running(batch: &BatchRow) -> Option<Period> {
    let start = batch.actual.or(batch.planned)?.start;
    let end = batch
        .forecast_end
        .or(batch.actual.map(|p| p.end))
        .or(batch.planned.map(|p| p.end))?;
    Some(Period {
        start,
        end: end.max(start),
    })
}

fn bar(axis: &Axis, period: Period, y: f64, height: f64, class: &str) -> Markup {
    let (from, to) = (axis.x(period.start), axis.x(period.end));
    html! {
        rect class={ "bar " (class) } x=(px(from)) y=(px(y)) width=(px((to - from).max(2.0))) height=(px(height)) rx="1.5" {}
    }
}

/// A name that fits its column.
fn short(name: &str) -> String {
    const FITS: usize = 13;
    if name.chars().count() <= FITS {
        return name.into();
    }
    name.chars().take(FITS - 1).chain(['…']).collect()
}

fn px(value: f64) -> String {
    format!("{value:.1}")
}

/// First and last moment of all batches and of the finish, with the whole days they lie in.
fn extent(model: &ReportModel) -> Option<(Moment, Moment)> {
    let periods = || {
        let planned = model.batches.iter().filter_map(|b| b.planned);
        planned.chain(model.batches.iter().filter_map(running))
    };
    let first = periods().map(|p| p.start).min()?;
    let last = periods().map(|p| p.end).max()?;
    // A century is more than any move takes, and keeps the calendar arithmetic in range.
    let last = last.min(first.plus_seconds(100 * 366 * 86_400));
    let first = date(first, model.zone)
        .and_then(|d| midnight(d, model.zone))
        .unwrap_or(first);
    let last = date(last, model.zone)
        .and_then(|d| d.checked_add_days(Days::new(1)))
        .and_then(|d| midnight(d, model.zone))
        .unwrap_or(last);
    Some((first, last))
}

fn date(moment: Moment, zone: Tz) -> Option<NaiveDate> {
    moment.year(zone)?;
    Some(moment.utc()?.with_timezone(&zone).date_naive())
}

/// The first moment of a day; one hour later where a clock change has removed midnight.
fn midnight(date: NaiveDate, zone: Tz) -> Option<Moment> {
    let local = date.and_time(NaiveTime::MIN);
    let found = zone.from_local_datetime(&local).earliest().or_else(|| {
        let later = local.checked_add_signed(chrono::TimeDelta::hours(1))?;
        zone.from_local_datetime(&later).earliest()
    })?;
    Some(Moment::from_seconds(found.timestamp()))
}

/// Lines across the calendar: days, weeks from Monday on, months or years, whichever is finest
/// without crowding.
fn ticks(first: Moment, last: Moment, zone: Tz) -> Vec<(Moment, String)> {
    let (Some(from), Some(to)) = (date(first, zone), date(last, zone)) else {
        return Vec::new();
    };
    let days = (to - from).num_days();
    let mut out = Vec::new();
    let mut at = from;
    if days <= 7 * MOST_TICKS {
        let step = if days <= MOST_TICKS { 1 } else { 7 };
        if step == 7 {
            let to_monday = (7 - u64::from(at.weekday().num_days_from_monday())) % 7;
            at = at.checked_add_days(Days::new(to_monday)).unwrap_or(at);
        }
        while at < to {
            out.extend(midnight(at, zone).map(|m| (m, at.format("%a %-d %b").to_string())));
            match at.checked_add_days(Days::new(step)) {
                Some(next) => at = next,
                None => break,
            }
        }
        return out;
    }
    let months = [1, 2, 3, 6, 12, 24, 60, 120, 240]
        .into_iter()
        .find(|m| days / (30 * m) <= MOST_TICKS)
        .unwrap_or(240);
    at = at.with_day(1).unwrap_or(at);
    while let Some(next) = at.checked_add_months(Months::new(u32::try_from(months).unwrap_or(240))) {
        at = next;
        if at >= to {
            break;
        }
        out.extend(midnight(at, zone).map(|m| (m, at.format("%b %Y").to_string())));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample::{at, sample};

    #[test]
    fn lines_stand_on_mondays_and_never_crowd() {
        let zone = chrono_tz::Europe::Berlin;
        let first = at("2027-02-01T00:00:00+01:00");
        for days in [1, 5, 9, 10, 40, 63, 64, 200, 365, 3_000, 36_000] {
            let found = ticks(first, first.plus_seconds(days * 86_400), zone);
            assert!(!found.is_empty() && found.len() <= 10, "{days}: {}", found.len());
        }
        let weeks = ticks(first, first.plus_seconds(40 * 86_400), zone);
        assert!(weeks.iter().all(|(_, text)| text.starts_with("Mon")));
        // The last one lies behind the change of 2027-03-28 (tz database) and is still a midnight.
        let late = ticks(first, first.plus_seconds(63 * 86_400), zone);
        assert!(late.iter().all(|(m, _)| m.local(zone).contains(" 00:00 ")));
    }

    #[test]
    fn a_move_without_times_draws_nothing() {
        let mut model = sample();
        for batch in &mut model.batches {
            (batch.planned, batch.actual, batch.forecast_end) = (None, None, None);
        }
        assert!(schedule(&model).is_none());
    }
}
