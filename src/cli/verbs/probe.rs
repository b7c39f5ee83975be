//! probe.

use super::desk;
use crate::cli::exit::Code;
use crate::cli::{Context, json as pieces};
use crate::ops::probe::{Found, probe};
use crate::report::words::{Align, table};
use crate::trouble::Trouble;
use crate::units::Rate;
use serde_json::{Value, json};

pub(super) fn run(context: &Context) -> Result<Code, Trouble> {
    let mut desk = desk(context)?;
    let zone = desk.settings.windows.zone;
    let found = probe(&mut desk, &|line| context.out.note(line))?;
    tell(context, &found);
    let (ends, machine): (Vec<_>, Vec<_>) = found.iter().partition(|one| one.row.role != "machine");
    let hash = machine.iter().find_map(|one| one.row.hash_rate);
    let at = found.first().map(|one| one.row.at);
    context.out.object(
        "probe",
        json!({"paths": ends.into_iter().map(object).collect::<Vec<_>>(), "hash_rate": rate(hash),
               "at": pieces::time(at, zone)}),
    );
    Ok(Code::clean_if(true))
}

fn tell(context: &Context, found: &[Found]) {
    let shown = |rate: Option<Rate>| rate.map_or("not measured".to_string(), |rate| rate.to_string());
    let cost = |cost: Option<f64>| cost.map_or(String::new(), |s| format!("{:.2} ms", s * 1e3));
    let ends = || found.iter().filter(|one| one.row.role != "machine");
    let row = |one: &Found| {
        let writes = one.row.role == "destination";
        let (written, own) = match writes {
            true => (shown(one.row.write_rate), one.row.write_cost),
            false => ("never written to".into(), one.row.read_cost),
        };
        vec![
            one.row.name.clone(),
            shown(one.row.read_rate),
            one.row.read_how.clone(),
            written,
            cost(own),
            one.row.durability.clone(),
        ]
    };
    let (l, r) = (Align::Left, Align::Right);
    let heads = ["path", "reads", "how", "writes", "each file", "durability"];
    let rows: Vec<Vec<String>> = ends().map(row).collect();
    context.out.say(&table(&heads, &rows, &[l, r, l, r, r, l]));
    for one in ends() {
        let facts: Vec<Vec<String>> = one
            .facts
            .iter()
            .map(|fact| {
                let mark = if fact.kept { "● kept" } else { "○ not kept" };
                vec![
                    one.row.name.clone(),
                    fact.what.clone(),
                    mark.into(),
                    fact.text.clone(),
                ]
            })
            .collect();
        context
            .out
            .say(&table(&["path", "what", "", ""], &facts, &[l, l, l, l]));
    }
    for one in ends().filter(|one| one.unreadable > 0) {
        context.out.say(&format!(
            "{} files of {} could not be read.",
            one.unreadable, one.row.name
        ));
    }
    let hash = found.iter().find_map(|one| one.row.hash_rate);
    context.out.say(&format!(
        "This machine hashes {}. `forecast` and `plan` use these rates until copies have been timed.",
        shown(hash)
    ));
}

fn rate(rate: Option<Rate>) -> Value {
    rate.map_or(Value::Null, |rate| json!(rate.0))
}

fn object(one: &Found) -> Value {
    let row = &one.row;
    let cost = if row.role == "source" {
        row.read_cost
    } else {
        row.write_cost
    };
    json!({"name": row.name, "role": row.role, "read_rate": rate(row.read_rate), "write_rate": rate(row.write_rate),
           "file_cost_seconds": cost, "read_back_file_cost_seconds": row.read_cost, "durability": row.durability,
           "read_how": Some(&row.read_how).filter(|how| !how.is_empty()), "keeps": row.keeps, "lacks": row.lacks,
           "facts": one.facts.iter().map(|f| json!({"what": f.what, "kept": f.kept, "text": f.text})).collect::<Vec<_>>(),
           "unreadable": one.unreadable})
}
