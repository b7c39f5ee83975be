//! The same batches under other conditions, side by side, and the sentence that says what helps.

use crate::forecast::rates::{Rates, Stage};
use crate::forecast::simulate::{Conditions, simulate};
use crate::forecast::{Job, Range};
use crate::moment::Moment;
use crate::units::{LinkSpeed, Span, counted};

/// One set of conditions with its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// What it is called: `10 GbE`, `runs on the pool`.
    pub name: String,
    /// Everything that holds in it.
    pub conditions: Conditions,
    /// The rates where they differ from the common ones (another processor hashes).
    pub rates: Option<Rates>,
}

/// How one case ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// The case's name.
    pub name: String,
    /// Its link; `None` inside one machine.
    pub link: Option<LinkSpeed>,
    /// When all is done; `None`: never.
    pub finish: Range<Option<Moment>>,
    /// Seconds in which anything runs.
    pub seconds: Range<Span>,
    /// Nights with work.
    pub nights: u64,
    /// From now until the likely end; [`Span::FOREVER`] where it never comes.
    pub until: Span,
    /// Whether it keeps to windows, so that nights are what people count.
    pub by_night: bool,
    /// What holds it.
    pub binding: Option<Stage>,
    /// What would hold it next.
    pub next: Option<Stage>,
}

/// A link as people call it: `10 GbE`, `2.5 GbE`, else its speed in bits.
pub fn link_name(speed: LinkSpeed) -> String {
    const STEPS: [(u64, &str); 8] = [
        (1_000_000_000, "1 GbE"),
        (2_500_000_000, "2.5 GbE"),
        (5_000_000_000, "5 GbE"),
        (10_000_000_000, "10 GbE"),
        (25_000_000_000, "25 GbE"),
        (40_000_000_000, "40 GbE"),
        (50_000_000_000, "50 GbE"),
        (100_000_000_000, "100 GbE"),
    ];
    let known = STEPS.iter().find(|(bits, _)| *bits == speed.0);
    known.map_or_else(|| speed.to_string(), |(_, name)| (*name).to_string())
}

/// A gain below this share of the time is none, for a person.
const WORTH: f64 = 0.03;

/// Works the same batches through every case.
pub fn compare(jobs: &[Job], rates: &Rates, cases: &[Case], now: Moment) -> Vec<Outcome> {
    let outcome = |case: &Case| {
        let got = simulate(jobs, case.rates.as_ref().unwrap_or(rates), &case.conditions, now);
        let until = got
            .finish
            .likely
            .map_or(Span::FOREVER, |end| Span::from_secs_f64(end.seconds_since(now)));
        Outcome {
            name: case.name.clone(),
            link: case.conditions.network.link,
            finish: got.finish,
            seconds: got.seconds,
            nights: got.nights,
            until,
            by_night: !case.conditions.windows.is_always(),
            binding: got.binding,
            next: got.next,
        }
    };
    cases.iter().map(outcome).collect()
}

impl Outcome {
    /// How long it takes, as a person counts it: nights where there are windows.
    pub fn length(&self) -> String {
        if self.until == Span::FOREVER {
            "no end".into()
        } else if self.by_night {
            counted(self.nights, "night")
        } else {
            self.until.to_string()
        }
    }

    /// Whether this ends enough earlier than another to be worth anything.
    fn beats(&self, other: &Outcome) -> bool {
        if self.until == Span::FOREVER || other.until == Span::FOREVER {
            return self.until < other.until;
        }
        let worth = self.seconds.likely.secs_f64() < other.seconds.likely.secs_f64() * (1.0 - WORTH);
        worth || (self.nights < other.nights && self.until < other.until)
    }
}

/// What the work timed so far has done to the range of what is left, in a sentence. `None` where
/// it is no narrower, or there is no end.
pub fn narrowed(before: &Range<Span>, after: &Range<Span>) -> Option<String> {
    let share = |range: &Range<Span>| {
        let (low, likely, high) = (
            range.low.secs_f64(),
            range.likely.secs_f64(),
            range.high.secs_f64(),
        );
        let known = range.high != Span::FOREVER && likely > 0.0;
        known.then(|| (high - low) / likely)
    };
    (share(after)? < share(before)?).then(|| {
        format!(
            "What was timed so far has narrowed the range: {} to {} of work are left; without it, {} to {}.",
            after.low, after.high, before.low, before.high
        )
    })
}

/// What helps, in a sentence: `10 GbE instead of 1 GbE: 3 nights instead of 19; then the old box's
/// disks are the limit, 25 GbE gains nothing.` The first outcome is how things are, the
/// others are offers, cheapest first. `None` where there is nothing to compare.
pub fn sentence(outcomes: &[Outcome]) -> Option<String> {
    let (base, offers) = outcomes.split_first()?;
    let mut best = base;
    let mut useless = Vec::new();
    for offer in offers {
        if offer.beats(best) {
            best = offer;
            useless.clear();
        } else {
            useless.push(offer.name.as_str());
        }
    }
    if offers.is_empty() {
        return None;
    }
    let nothing = match useless.as_slice() {
        [] => String::new(),
        [one] => format!("{one} gains nothing"),
        [all @ .., last] => format!("{} and {last} gain nothing", all.join(", ")),
    };
    let limit = best.binding.map(|stage| format!("{} the limit", stage.words()));
    let mut text = if std::ptr::eq(best, base) {
        format!("{}: {}", base.name, base.length())
    } else {
        format!("{} instead of {}: {}", best.name, base.name, instead(best, base))
    };
    let then = if std::ptr::eq(best, base) { "" } else { "then " };
    match (limit, nothing.is_empty()) {
        (Some(limit), true) => text.push_str(&format!("; {then}{limit}")),
        (Some(limit), false) => text.push_str(&format!("; {then}{limit}, {nothing}")),
        (None, false) => text.push_str(&format!("; {nothing}")),
        (None, true) => {}
    }
    text.push('.');
    Some(text)
}

/// `3 nights instead of 19`, `2 d 5 h instead of 8 d`.
fn instead(best: &Outcome, base: &Outcome) -> String {
    let finite = best.until != Span::FOREVER && base.until != Span::FOREVER;
    if best.by_night && base.by_night && finite {
        return format!(
            "{} instead of {}",
            best.length(),
            crate::units::grouped(base.nights)
        );
    }
    if finite && best.by_night != base.by_night {
        return format!("{} instead of {}", best.until, base.until);
    }
    format!("{} instead of {}", best.length(), base.length())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::link::{Framing, RunsOn};
    use crate::forecast::rates::Network;
    use crate::forecast::simulate::VerifyOrder;
    use crate::forecast::windows::{Windows, parse_windows};
    use crate::names::BatchName;
    use crate::units::{Amount, Bytes, Rate};

    fn case(link: &str, windows: &str) -> Case {
        let runs_on = RunsOn::Pool;
        let speed = LinkSpeed::parse(link).unwrap();
        Case {
            name: link_name(speed),
            conditions: Conditions {
                network: Network {
                    link: Some(speed),
                    framing: Framing::default(),
                    runs_on,
                },
                windows: Windows {
                    windows: parse_windows(windows).unwrap(),
                    ..Windows::always(chrono_tz::Europe::Berlin)
                },
                spanning: true,
                verify: VerifyOrder::Beside,
                sources_together: true,
            },
            rates: None,
        }
    }

    fn outcomes(links: &[&str], windows: &str) -> Vec<Outcome> {
        let mut rates = Rates::defaults(1, RunsOn::Pool);
        rates.sources[0].read.rate = Rate(700_000_000);
        rates.write.rate = Rate(2_000_000_000);
        rates.verify_read.rate = Rate(2_000_000_000);
        let amount = Amount {
            files: 80,
            bytes: Bytes(1_000_000_000_000),
        };
        let jobs: Vec<Job> = (1..=80)
            .map(|n| Job::new(BatchName::numbered("2019", n), 0, amount, Amount::default(), true))
            .collect();
        let cases: Vec<Case> = links.iter().map(|l| case(l, windows)).collect();
        compare(
            &jobs,
            &rates,
            &cases,
            Moment::parse_rfc3339("2027-02-01T12:00:00+01:00").unwrap(),
        )
    }

    #[test]
    fn a_faster_link_helps_until_the_disks_are_the_limit() {
        let got = outcomes(&["1GbE", "10GbE", "25GbE"], "mon-sun 19:00-07:00");
        assert_eq!(
            sentence(&got).unwrap(),
            "10 GbE instead of 1 GbE: 3 nights instead of 16; \
             then the old box's disks are the limit, 25 GbE gains nothing."
        );
        assert_eq!(
            (got[0].binding, got[0].next),
            (Some(Stage::Link), Some(Stage::SourceRead))
        );
        assert_eq!(got[1].binding, Some(Stage::SourceRead));
    }

    #[test]
    fn where_nothing_helps_the_sentence_says_so_and_without_windows_it_counts_days() {
        let got = outcomes(&["10GbE", "25GbE", "40GbE"], "always");
        assert_eq!(
            sentence(&got).unwrap(),
            "10 GbE: 1 d 8 h; the old box's disks are the limit, 25 GbE and 40 GbE gain nothing."
        );
        let got = outcomes(&["1GbE", "10GbE"], "always");
        assert!(sentence(&got).unwrap().contains(" d "), "{:?}", sentence(&got));
        assert_eq!(sentence(&got[..1]), None);
        assert_eq!(sentence(&[]), None);
    }

    #[test]
    fn what_never_ends_is_beaten_by_anything_that_does() {
        let mut got = outcomes(&["1GbE", "10GbE"], "mon-sun 19:00-07:00");
        got[0].until = Span::FOREVER;
        assert!(sentence(&got).unwrap().contains("3 nights instead of no end"));
    }
}
