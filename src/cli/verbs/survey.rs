//! survey.

use super::desk;
use crate::cli::args::Survey as SurveyArgs;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ops::gather::{Surveyed, surveys_so_far};
use crate::report::words::{Align, effect_word, kind_word, table};
use crate::survey::{Confidence, Effect, Hazard, ProjectSummary, Survey};
use crate::trouble::Trouble;
use crate::units::grouped;
use serde_json::{Value, json};

pub(super) fn run(args: &SurveyArgs, context: &Context) -> Result<Code, Trouble> {
    let desk = desk(context)?;
    let all = surveys_so_far(&desk)?;
    let whole = all.iter().all(|one| one.so_far.is_none());
    let questions: usize = all.iter().map(|one| one.survey.questions.len()).sum();
    let blocked = all
        .iter()
        .flat_map(|one| &one.survey.hazards)
        .any(|h| h.effect == Effect::Blocks);
    if args.questions {
        for question in all.iter().flat_map(|one| &one.survey.questions) {
            context.out.say(&format!("# {}\n{}", question.text, question.tag));
        }
    } else {
        for one in &all {
            tell(context, one, args.hazards);
        }
        if questions > 0 {
            context.out.say(&format!(
                "Questions for you: {questions}. `survey --questions` prints lines to paste into move.toml."
            ));
        }
    }
    let zone = desk.settings.windows.zone;
    context.out.object("survey", object(&all, desk.now(), zone));
    Ok(Code::clean_if(questions == 0 && !blocked && whole))
}

fn tell(context: &Context, one: &Surveyed, hazards: bool) {
    let survey = &one.survey;
    context
        .out
        .say(&format!("Source {}: {}", one.source.name, survey.counts.files));
    if let Some(so_far) = one.so_far {
        context.out.say(&format!(
            "Its scan is not finished: this covers {} of {} folders at its top. `poolward scan` goes on.",
            grouped(so_far.scanned),
            grouped(so_far.listed)
        ));
    }
    let years: Vec<Vec<String>> = survey
        .years()
        .into_iter()
        .map(|y| {
            let year = y.year.map_or("undated".to_string(), |year| year.to_string());
            vec![
                year,
                grouped(y.projects),
                grouped(y.amount.files),
                y.amount.bytes.to_string(),
            ]
        })
        .collect();
    let right = [Align::Left, Align::Right, Align::Right, Align::Right];
    context
        .out
        .say(&table(&["year", "projects", "files", "size"], &years, &right));
    let kinds: Vec<Vec<String>> = survey
        .kinds
        .iter()
        .map(|(k, a)| vec![kind_word(*k).to_string(), grouped(a.files), a.bytes.to_string()])
        .collect();
    context.out.say(&table(
        &["kind", "files", "size"],
        &kinds,
        &[Align::Left, Align::Right, Align::Right],
    ));
    if survey.hazards.is_empty() {
        return;
    }
    let row = |h: &Hazard| {
        vec![
            effect_word(h.effect).to_string(),
            h.kind.to_string(),
            grouped(h.count),
            h.words.clone(),
        ]
    };
    let rows: Vec<Vec<String>> = survey.hazards.iter().map(row).collect();
    context.out.say(&table(
        &["effect", "hazard", "count", "what it means"],
        &rows,
        &[Align::Left, Align::Left, Align::Right, Align::Left],
    ));
    for hazard in survey.hazards.iter().filter(|_| hazards) {
        let examples: Vec<String> = hazard.examples.iter().map(ToString::to_string).collect();
        context
            .out
            .say(&format!("{}: {}", hazard.kind, examples.join(", ")));
    }
}

fn object(all: &[Surveyed], now: crate::moment::Moment, zone: chrono_tz::Tz) -> Value {
    let grown = crate::ops::gather::growth(all, now, zone);
    let each =
        |f: &dyn Fn(&Survey) -> Vec<Value>| all.iter().flat_map(|one| f(&one.survey)).collect::<Vec<_>>();
    let years = each(&|s| {
        s.years()
            .into_iter()
            .map(|y| json!({"year": y.year.map(|y| y.0), "projects": y.projects, "files": y.amount.files, "bytes": y.amount.bytes.0}))
            .collect()
    });
    let kinds = each(&|s| {
        s.kinds
            .iter()
            .map(|(k, a)| json!({"kind": k.word(), "files": a.files, "bytes": a.bytes.0}))
            .collect()
    });
    let sizes = each(&|s| {
        s.sizes
            .slices()
            .map(|s| json!({"up_to_bytes": s.up_to.map(|b| b.0), "files": s.amount.files, "bytes": s.amount.bytes.0}))
            .collect()
    });
    let hazards = each(&|s| {
        s.hazards
            .iter()
            .map(|h| {
                let examples: Vec<Value> = h.examples.iter().map(pieces::path_value).collect();
                json!({"kind": h.kind, "effect": effect_word(h.effect), "count": h.count, "examples": examples})
            })
            .collect()
    });
    let questions = each(&|s| {
        s.questions
            .iter()
            .map(|q| json!({"project": q.project.name(), "text": q.text, "tag": q.tag}))
            .collect()
    });
    let projects = each(&|s| s.projects.iter().map(|p| project(p, zone)).collect());
    let unfinished: Vec<Value> = all
        .iter()
        .filter_map(|one| Some((one.source.name.0.as_str(), one.so_far?)))
        .map(|(name, so_far)| json!({"source": name, "scanned": so_far.scanned, "listed": so_far.listed}))
        .collect();
    json!({"unfinished": unfinished, "years": years, "kinds": kinds, "projects": projects, "sizes": sizes, "hazards": hazards,
           "questions": questions, "twins": null,
           "growth_bytes_per_year": grown.map_or(Value::Null, |g| json!({"low": g.low.0, "likely": g.likely.0, "high": g.high.0}))})
}

fn project(p: &ProjectSummary, zone: chrono_tz::Tz) -> Value {
    let confidence = match p.date.confidence {
        Confidence::Low => "low",
        Confidence::Medium => "medium",
        Confidence::High => "high",
    };
    json!({"name": p.key.name(), "source": p.source.0, "year": p.date.year.map(|y| y.0), "evidence": p.date.words,
           "confidence": confidence, "files": p.amount.files, "bytes": p.amount.bytes.0,
           "newest": pieces::time(p.newest, zone)})
}
