//! What only the user can decide, with lines ready to paste into `move.toml`.

use crate::moment::Year;
use crate::names::{RelPath, SourceName, is_unseen};
use crate::survey::dates::Weighed;
use crate::survey::exclude::literal;
use crate::survey::hazards::Sort;
use crate::survey::{ABOUT_BOUNDARY, ABOUT_DATE, ABOUT_PROJECT, ProjectKey, Question, Survey};

/// Asks about a project's year; `None` where its date stands.
pub fn about_date(source: &SourceName, key: &ProjectKey, weighed: &Weighed) -> Option<Question> {
    let why = weighed.ask.as_ref()?;
    let name = key.name();
    let text = match weighed.date.year {
        Some(year) => format!("Is {name} of {year}? {}.", capital(why)),
        None => format!("Of which year is {name}? {}.", capital(why)),
    };
    Some(Question {
        project: key.clone(),
        source: source.clone(),
        about: ABOUT_DATE,
        text,
        tag: tag(&name, weighed.date.year, &weighed.choices),
    })
}

/// The likeliest year stands, the others beside it as remarks; without any, `undated` is accepted.
fn tag(name: &str, year: Option<Year>, choices: &[(Year, String)]) -> String {
    let mut lines = format!("[[tag]]\nprojects = [{}]\n", quoted(name));
    let chosen = year.or_else(|| choices.first().map(|(year, _)| *year));
    match chosen {
        Some(chosen) => {
            lines.push_str(&format!("year = {}", chosen.0));
            // A year that the date itself does not give is a guess, and has to look like one.
            let why = choices
                .iter()
                .find(|(other, _)| year.is_none() && *other == chosen);
            if let Some((_, why)) = why {
                lines.push_str(&format!("   # {}", one_line(why)));
            }
            lines.push('\n');
        }
        None => lines.push_str("dataset = \"undated\"\n# or, for instance: year = 2019\n"),
    }
    for (other, why) in choices.iter().filter(|(other, _)| Some(*other) != chosen) {
        lines.push_str(&format!("# or: year = {}   # {}\n", other.0, one_line(why)));
    }
    lines
}

/// Asks whether a folder at the top is a project, though it begins like the by-products of a box.
/// The lines say that it is one, of the year that its date gives; leaving it out is a remark beside
/// them, for a second `[exclude]` would not be read.
pub fn about_by_product(source: &SourceName, path: &RelPath, pattern: &str, weighed: &Weighed) -> Question {
    let key = ProjectKey::Folder(path.clone());
    let name = key.name();
    let mut lines = tag(&name, weighed.date.year, &weighed.choices);
    lines.push_str(&format!(
        "# or, if it is none, in [exclude]: names = [{}]\n",
        quoted(pattern)
    ));
    Question {
        text: format!(
            "Is {name} a project? Its name begins like the by-products of a box; until it is left out it is \
             moved."
        ),
        tag: lines,
        about: ABOUT_PROJECT,
        project: key,
        source: source.clone(),
    }
}

/// Asks what to do where another file system begins.
pub fn about_boundary(source: &SourceName, path: &RelPath) -> Question {
    let key = ProjectKey::Folder(path.clone());
    let name = key.name();
    let walked = match std::str::from_utf8(path.as_bytes()) {
        Ok(text) => format!(
            "# To walk through it, in the [[source]] named {}: cross = [{}]\n",
            quoted(&source.0),
            quoted(text),
        ),
        Err(_) => {
            "# To walk through it, mount it under another name first: `cross` takes UTF-8 only.\n".into()
        }
    };
    Question {
        text: format!("Another file system begins at {name}: shall it be walked through?"),
        tag: format!(
            "{walked}# To leave it out, in [exclude]: names = [{}]\n",
            quoted(&literal(path)),
        ),
        about: ABOUT_BOUNDARY,
        project: key,
        source: source.clone(),
    }
}

/// A TOML basic string (TOML 1.0.0, section "String"). What a terminal would obey or hide is escaped
/// too: the lines are looked at before they are pasted.
pub fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() || is_unseen(c) => out.push_str(&format!("\\u{:04X}", c as u32)),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// Hazards that send the user to the questions, and what those ask.
const ASKED: [(Sort, &[&str]); 3] = [
    (Sort::DoubtfulProject, &[ABOUT_PROJECT]),
    (Sort::DateDisagrees, &[ABOUT_DATE, ABOUT_PROJECT]),
    (Sort::DateAmbiguous, &[ABOUT_DATE, ABOUT_PROJECT]),
];

/// Takes the projects that are asked about no more out of the hazards that send the user to the
/// questions.
pub fn leave_open(survey: &mut Survey) {
    let questions = &survey.questions;
    survey.hazards.retain_mut(|hazard| {
        let Some((_, about)) = ASKED.iter().find(|(sort, _)| sort.kind() == hazard.kind) else {
            return true;
        };
        let open = questions
            .iter()
            .filter(|question| about.contains(&question.about));
        let paths: Vec<&RelPath> = open
            .filter_map(|question| match &question.project {
                ProjectKey::Folder(path) => Some(path),
                ProjectKey::Loose(_) => None,
            })
            .collect();
        if hazard.kind == Sort::DateAmbiguous.kind() {
            // Some of these are settled by other evidence and never asked about.
            return !paths.is_empty();
        }
        hazard.examples.retain(|path| paths.contains(&path));
        hazard.count = hazard.count.min(paths.len() as u64);
        hazard.count > 0
    });
}

fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}
