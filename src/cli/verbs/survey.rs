//! survey.

use super::desk;
use crate::cli::args::Survey as SurveyArgs;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ops::gather::{Surveyed, drop_answered, grown, surveys_so_far};
use crate::ops::plan::rules;
use crate::ops::twins::Told;
use crate::report::findings;
use crate::report::words::effect_word;
use crate::survey::{Confidence, Effect, ProjectSummary, Survey, together};
use crate::trouble::Trouble;
use crate::units::grouped;
use serde_json::{Value, json};

pub(super) fn run(args: &SurveyArgs, context: &Context) -> Result<Code, Trouble> {
    let desk = desk(context)?;
    let mut all = surveys_so_far(&desk)?;
    let whole = all.iter().all(|one| one.so_far.is_none());
    drop_answered(&mut all, &rules(&desk))?;
    let questions: usize = all.iter().map(|one| one.survey.questions.len()).sum();
    let blocked = all
        .iter()
        .flat_map(|one| &one.survey.hazards)
        .any(|h| h.effect == Effect::Blocks);
    let zone = desk.settings.windows.zone;
    if args.questions {
        for question in all.iter().flat_map(|one| &one.survey.questions) {
            context
                .out
                .say(&findings::wrapped_remark(&question.text, &question.tag));
        }
    } else {
        tell(context, &all, desk.now(), zone, args.hazards);
        if questions > 0 {
            context.out.say(&findings::open_questions(questions));
        }
    }
    let twins = args
        .twins
        .then(|| super::twins::find(&desk, context))
        .transpose()?;
    if let Some(told) = twins.as_ref().filter(|_| !args.questions) {
        super::twins::tell(told, context);
    }
    context
        .out
        .object_of("survey", || object(&all, twins.as_ref(), desk.now(), zone));
    Ok(Code::clean_if(questions == 0 && !blocked && whole))
}

fn tell(
    context: &Context,
    all: &[Surveyed],
    now: crate::moment::Moment,
    zone: chrono_tz::Tz,
    all_examples: bool,
) {
    for one in all {
        if let Some(so_far) = one.so_far {
            context.out.say(&format!(
                "The scan of {} is not finished: this covers {} of {} folders at its top. `poolward scan` goes on.",
                one.source.name.0,
                grouped(so_far.scanned),
                grouped(so_far.listed)
            ));
        }
        context.out.say(&findings::source(
            &one.source.name.0,
            &one.survey,
            now,
            all_examples,
        ));
    }
    let sum = together(all.iter().map(|one| &one.survey));
    if all.len() > 1 {
        context.out.say(&findings::together(all.len(), &sum));
    }
    let undated = sum.years.iter().filter(|row| row.year.is_none());
    if let Some(grown) = grown(all, now, zone) {
        let undated = undated.map(|row| row.amount.bytes).sum();
        context.out.say(&(findings::growth(&grown, undated) + "\n"));
    }
}

fn object(all: &[Surveyed], twins: Option<&Told>, now: crate::moment::Moment, zone: chrono_tz::Tz) -> Value {
    let grown = grown(all, now, zone).and_then(|grown| grown.growth);
    let each =
        |f: &dyn Fn(&Survey) -> Vec<Value>| all.iter().flat_map(|one| f(&one.survey)).collect::<Vec<_>>();
    let sum = together(all.iter().map(|one| &one.survey));
    let years: Vec<Value> = sum
        .years
        .iter()
        .map(|y| json!({"year": y.year.map(|y| y.0), "projects": y.projects, "files": y.amount.files, "bytes": y.amount.bytes.0}))
        .collect();
    let kinds: Vec<Value> = sum
        .kinds
        .iter()
        .map(|(k, a)| json!({"kind": k.word(), "files": a.files, "bytes": a.bytes.0}))
        .collect();
    let sizes: Vec<Value> = sum
        .sizes
        .slices()
        .map(|s| json!({"up_to_bytes": s.up_to.map(|b| b.0), "files": s.amount.files, "bytes": s.amount.bytes.0}))
        .collect();
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
           "questions": questions, "twins": twins.map(super::twins::object),
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
