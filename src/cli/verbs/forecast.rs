//! forecast.

use super::desk;
use crate::cli::args::Forecast;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::forecast::link::RunsOn;
use crate::forecast::simulate::Conditions;
use crate::forecast::whatif::{Case, Outcome, compare, sentence};
use crate::forecast::windows::parse_windows;
use crate::ops::{batch, schedule};
use crate::report::words::{Align, table};
use crate::trouble::Trouble;
use crate::units::LinkSpeed;
use serde_json::{Value, json};

pub(super) fn run(args: &Forecast, context: &Context) -> Result<Code, Trouble> {
    let desk = desk(context)?;
    let plan = batch::plan(&desk)?;
    let jobs = schedule::jobs(&desk, &plan)?;
    let base = schedule::conditions(&desk)?;
    let rates = schedule::rates(&desk, &base, &jobs)?;
    let cases = cases(args, &base)?;
    let outcomes = compare(&jobs, &rates, &cases, desk.now());
    let zone = base.windows.zone;
    let rows: Vec<Vec<String>> = outcomes.iter().map(|o| row(o, zone)).collect();
    let (l, r) = (Align::Left, Align::Right);
    context.out.say(&table(
        &["case", "finish", "work", "nights", "limited by", "then by"],
        &rows,
        &[l, l, r, r, l, l],
    ));
    if let Some(words) = sentence(&outcomes) {
        context.out.say(&words);
    }
    if let Some(words) = schedule::narrowed(&desk, &plan)? {
        context.out.say(&words);
    }
    let objects: Vec<Value> = outcomes
        .iter()
        .zip(&cases)
        .map(|(o, c)| object(o, c, zone))
        .collect();
    context.out.object("forecast", json!({"cases": objects}));
    Ok(Code::clean_if(outcomes.iter().all(|o| o.finish.likely.is_some())))
}

/// The settings as they are, then each option by itself.
fn cases(args: &Forecast, base: &Conditions) -> Result<Vec<Case>, Trouble> {
    let named = |name: String, conditions: Conditions| Case {
        name,
        conditions,
        rates: None,
    };
    let mut cases = vec![named("as it is".into(), base.clone())];
    for text in &args.link {
        let speed = LinkSpeed::parse(text)
            .map_err(|e| Trouble::usage("bad-link", format!("--link {e}")).mend(format!("{}.", e.mend)))?;
        let mut conditions = base.clone();
        conditions.network.link = Some(speed);
        cases.push(named(crate::forecast::whatif::link_name(speed), conditions));
    }
    for text in &args.windows {
        let mut conditions = base.clone();
        conditions.windows.windows = parse_windows(text)?;
        cases.push(named(text.clone(), conditions));
    }
    for text in &args.runs_on {
        let mut conditions = base.clone();
        conditions.network.runs_on = RunsOn::parse(text)?;
        cases.push(named(format!("run on {text}"), conditions));
    }
    Ok(cases)
}

fn row(o: &Outcome, zone: chrono_tz::Tz) -> Vec<String> {
    let stage = |s: Option<crate::forecast::rates::Stage>| s.map_or("", |s| s.words()).to_string();
    let finish = o.finish.likely.map_or("never".to_string(), |m| m.local(zone));
    vec![
        o.name.clone(),
        finish,
        o.seconds.likely.to_string(),
        o.nights.to_string(),
        stage(o.binding),
        stage(o.next),
    ]
}

fn object(o: &Outcome, case: &Case, zone: chrono_tz::Tz) -> Value {
    json!({"name": o.name, "link": case.conditions.network.link.map(|l| l.to_string()),
           "finish": pieces::times(&o.finish, zone), "seconds": pieces::spans(&o.seconds), "nights": o.nights,
           "binding_stage": o.binding.map(|s| s.name()), "next_stage": o.next.map(|s| s.name())})
}
