//! Which tag decides about a project, and what it then wishes for.

use super::notes::IdleTag;
use super::rules::{Match, PlanRules, Tag};
use crate::moment::{Moment, Year};
use crate::names::{nearest, shown};
use crate::survey::{ABOUT_BOUNDARY, ProjectKey, ProjectSummary, Question};
use crate::trouble::Trouble;
use std::collections::BTreeSet;

/// What the deciding tag sets for one project, groups filled in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Wish {
    /// The tag's number from 1; `None`: no tag matches.
    pub tag: Option<usize>,
    pub year: Option<Year>,
    pub dataset: Option<Vec<u8>>,
    pub group: Option<String>,
    pub kind: Option<String>,
    pub renamed: Option<Vec<u8>>,
    pub pool: Option<String>,
    pub order: Option<i64>,
    pub hold: bool,
}

/// A project's name as the user knows it: its path below the source, or `loose-2019`.
pub fn project_name(key: &ProjectKey) -> Vec<u8> {
    match key {
        ProjectKey::Folder(path) => path.as_bytes().to_vec(),
        ProjectKey::Loose(Some(year)) => format!("loose-{year}").into_bytes(),
        ProjectKey::Loose(None) => b"loose-undated".to_vec(),
    }
}

/// Fills in a text for one project.
type Fill<'a> = Box<dyn Fn(&str) -> Vec<u8> + 'a>;

/// A project as tags see it.
struct Subject<'a> {
    name: &'a [u8],
    /// As text, where the name is none.
    lossy: Vec<u8>,
    /// What is known beside the name; `None`: nothing.
    project: Option<&'a ProjectSummary>,
    /// The day ages are counted from.
    as_of: Option<Moment>,
}

impl<'a> Subject<'a> {
    fn new(name: &'a [u8], project: Option<&'a ProjectSummary>, as_of: Option<Moment>) -> Subject<'a> {
        Subject {
            name,
            lossy: String::from_utf8_lossy(name).into_owned().into_bytes(),
            project,
            as_of,
        }
    }
}

/// Whether a tag is for a project of this name, of which a survey says this.
pub fn applies(tag: &Tag, name: &[u8], project: Option<&ProjectSummary>, as_of: Option<Moment>) -> bool {
    matched(tag, &Subject::new(name, project, as_of)).is_some()
}

/// Whether a tag is for a project; if so, how its texts are filled in and the year in a group
/// called so.
fn matched<'a>(tag: &'a Tag, subject: &'a Subject<'_>) -> Option<(Fill<'a>, Option<Vec<u8>>)> {
    let (fill, group) = by_name(tag, subject)?;
    if !tag.only.asks() {
        return Some((fill, group));
    }
    let set = match &tag.year {
        Some(text) => Some(fill(text)),
        None => group.clone(),
    };
    let year = set.and_then(|text| String::from_utf8(text).ok()?.trim().parse().ok().map(Year));
    tag.only
        .holds(subject.project, year, subject.as_of)
        .then_some((fill, group))
}

fn by_name<'a>(tag: &'a Tag, subject: &'a Subject<'_>) -> Option<(Fill<'a>, Option<Vec<u8>>)> {
    let (name, lossy) = (subject.name, subject.lossy.as_slice());
    let plain = || Box::new(|text: &str| text.as_bytes().to_vec()) as Fill<'a>;
    match &tag.matches {
        Match::All => Some((plain(), None)),
        Match::Projects(list) => {
            let found = list
                .iter()
                .any(|one| one.as_bytes() == name || one == &shown(name));
            found.then(|| (plain(), None))
        }
        Match::Pattern(pattern) => {
            let regex = pattern.regex();
            // The raw bytes first; a name that is no UTF-8 also as it is shown, since `.` and
            // classes match whole characters only.
            let captures = regex.captures(name).or_else(|| regex.captures(lossy))?;
            let year = captures.name("year").map(|group| group.as_bytes().to_vec());
            let fill = move |text: &str| {
                let mut out = Vec::new();
                captures.expand(text.as_bytes(), &mut out);
                out
            };
            Some((Box::new(fill), year))
        }
    }
}

/// The first tag that matches, filled in.
///
/// # Errors
/// `bad-tag` where the year it sets is none.
pub(super) fn wish(
    rules: &PlanRules,
    name: &[u8],
    project: Option<&ProjectSummary>,
) -> Result<Wish, Trouble> {
    let subject = Subject::new(name, project, rules.as_of);
    let found = rules
        .tags
        .iter()
        .enumerate()
        .find_map(|(at, tag)| matched(tag, &subject).map(|m| (at, tag, m)));
    let Some((at, tag, (fill, year_group))) = found else {
        return Ok(Wish::default());
    };
    let text = |value: &Option<String>| -> Option<String> {
        let bytes = fill(value.as_deref()?);
        Some(String::from_utf8_lossy(&bytes).trim().to_string()).filter(|t| !t.is_empty())
    };
    let raw = |value: &Option<String>| value.as_deref().map(&fill).filter(|b| !b.is_empty());
    let year_text = match &tag.year {
        Some(_) => text(&tag.year),
        None => year_group.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()),
    };
    Ok(Wish {
        tag: Some(at + 1),
        year: year_text.map(|t| year(&t, at + 1, name)).transpose()?,
        dataset: raw(&tag.dataset),
        group: text(&tag.group),
        kind: text(&tag.kind),
        renamed: raw(&tag.renamed),
        pool: text(&tag.pool),
        order: tag.order,
        hold: tag.hold,
    })
}

/// The questions that no tag answers yet. A tag that gives a project a year or a dataset says that
/// it is one and where it goes; whether to walk into another file system it cannot say.
///
/// # Errors
/// `bad-tag` where the year it sets is none.
pub fn unanswered(
    asked: Vec<Question>,
    projects: &[ProjectSummary],
    rules: &PlanRules,
) -> Result<Vec<Question>, Trouble> {
    let mut open = Vec::with_capacity(asked.len());
    for question in asked {
        let project = projects
            .iter()
            .find(|p| p.source == question.source && p.key == question.project);
        let wish = wish(rules, &project_name(&question.project), project)?;
        let answered = wish.year.is_some() || wish.dataset.is_some();
        if !answered || question.about == ABOUT_BOUNDARY {
            open.push(question);
        }
    }
    Ok(open)
}

/// The year and the group that the user's tags give to each of these projects.
///
/// # Errors
/// `bad-tag` where the year it sets is none.
pub fn wished(
    projects: &[ProjectSummary],
    rules: &PlanRules,
) -> Result<Vec<(Option<Year>, Option<String>)>, Trouble> {
    let one = |project: &ProjectSummary| {
        let wish = wish(rules, &project_name(&project.key), Some(project))?;
        Ok((wish.year, wish.group))
    };
    projects.iter().map(one).collect()
}

fn year(text: &str, number: usize, name: &[u8]) -> Result<Year, Trouble> {
    let four = text.len() == 4 && text.bytes().all(|b| b.is_ascii_digit());
    match text.parse::<u16>() {
        Ok(year) if four && year > 0 => Ok(Year(year)),
        _ => Err(Trouble::usage(
            "bad-tag",
            format!(
                "tag {number} gives the project {} the year {text:?}, which is not a year of four digits",
                shown(name)
            ),
        )
        .mend("Let the group called year match four digits, or write for example year = \"20${yy}\".")),
    }
}

/// Tags that decide about none of these projects.
pub(super) fn idle(rules: &PlanRules, projects: &[ProjectSummary]) -> Vec<IdleTag> {
    let mut busy = BTreeSet::new();
    let mut behind: Vec<Option<usize>> = vec![None; rules.tags.len()];
    let mut ordered: Vec<&ProjectSummary> = projects.iter().collect();
    ordered.sort_by(|a, b| (&a.key, &a.source).cmp(&(&b.key, &b.source)));
    for project in ordered {
        let name = project_name(&project.key);
        let subject = Subject::new(&name, Some(project), rules.as_of);
        let mut first = None;
        for (at, tag) in rules.tags.iter().enumerate() {
            // Once a tag is known to be busy or behind another, later names say nothing new of it.
            if first.is_some() && (busy.contains(&at) || behind[at].is_some()) {
                continue;
            }
            if matched(tag, &subject).is_none() {
                continue;
            }
            match first {
                None => {
                    first = Some(at);
                    busy.insert(at);
                }
                Some(by) => behind[at] = Some(by + 1),
            }
        }
    }
    (0..rules.tags.len())
        .filter(|at| !busy.contains(at))
        .map(|at| IdleTag {
            number: at + 1,
            behind: behind[at],
        })
        .collect()
}

/// Names in lists that no project has, with the nearest that exist.
pub(super) fn unknown(rules: &PlanRules, names: &BTreeSet<Vec<u8>>) -> Vec<(usize, String, Vec<String>)> {
    let texts: BTreeSet<String> = names.iter().map(|name| shown(name)).collect();
    let mut out = Vec::new();
    for (at, tag) in rules.tags.iter().enumerate() {
        let Match::Projects(list) = &tag.matches else {
            continue;
        };
        for one in list {
            if !texts.contains(one) && !names.contains(one.as_bytes()) {
                let near = nearest(one, texts.iter().map(String::as_str), 3);
                out.push((at + 1, one.clone(), near.into_iter().map(String::from).collect()));
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::names::{RelPath, SourceName};
    use crate::plan::rules::{DestinationRule, Pattern};
    use crate::plan::{Days, Only};
    use crate::survey::{Confidence, Evidence, Kind, ProjectDate};
    use crate::units::Amount;

    fn rules(tags: Vec<Tag>) -> PlanRules {
        let mut rules = PlanRules::new(DestinationRule {
            name: "pool".into(),
            parent: None,
            late: false,
        });
        rules.tags = tags;
        rules
    }

    fn summary(name: &[u8]) -> ProjectSummary {
        ProjectSummary {
            source: SourceName("nas".into()),
            key: ProjectKey::Folder(RelPath::new(name).unwrap()),
            amount: Amount::default(),
            others: 0,
            sizes: Default::default(),
            kinds: vec![(Kind::Audio, Amount::default())],
            newest: Some(Moment::from_seconds(1_000_000)),
            date: ProjectDate {
                year: Some(Year(2014)),
                evidence: Evidence::FolderDate,
                confidence: Confidence::High,
                words: String::new(),
                against: Vec::new(),
            },
            linked_with: Vec::new(),
        }
    }

    #[test]
    fn a_tag_may_ask_for_age_year_and_kind_beside_the_name() {
        let one = summary(b"a");
        let day = |n: i64| Some(Moment::from_seconds(1_000_000 + n * 86_400));
        let asked = |only: Only, as_of| {
            let mut tag = Tag::new(Match::All);
            tag.only = only;
            applies(&tag, b"a", Some(&one), as_of)
        };
        let old = Only {
            older_than: Some(Days(10)),
            ..Only::default()
        };
        assert!(asked(old.clone(), day(11)) && !asked(old.clone(), day(10)) && !asked(old, None));
        let years = |range| Only {
            years: Some(range),
            ..Only::default()
        };
        assert!(asked(years(0..=2014), None) && !asked(years(2015..=u16::MAX), None));
        let kinds = |kinds: &[Kind]| Only {
            kinds: kinds.to_vec(),
            ..Only::default()
        };
        assert!(asked(kinds(&[Kind::Video, Kind::Audio]), None) && !asked(kinds(&[Kind::Video]), None));
        // The year that the tag itself sets beats the evidence; of what nobody surveyed nothing holds.
        let mut tag = pattern("^(?P<year>20\\d\\d)");
        tag.only.years = Some(2018..=2018);
        let of = |name: &[u8], project| applies(&tag, name, project, None);
        assert!(of(b"2018 fair", Some(&one)) && !of(b"2017 fair", Some(&one)) && !of(b"2018 fair", None));
    }

    fn pattern(text: &str) -> Tag {
        Tag::new(Match::Pattern(Pattern::new(text).unwrap()))
    }

    #[test]
    fn a_group_called_year_sets_the_year_by_itself() {
        let rules = rules(vec![pattern("^(?P<year>20\\d\\d)[-_ ]")]);
        let of = |name: &[u8]| wish(&rules, name, None).unwrap();
        assert_eq!(of(b"2017_orchard").year, Some(Year(2017)));
        assert_eq!(of(b"orchard"), Wish::default());
    }

    #[test]
    fn values_refer_to_groups_and_the_first_match_wins() {
        let mut first = pattern("^(?P<yy>\\d\\d)(?P<client>[a-z]+)-");
        first.year = Some("20${yy}".into());
        first.group = Some("${client}".into());
        let mut second = pattern(".");
        second.hold = true;
        let rules = rules(vec![first, second]);
        let wish = wish(&rules, b"18acorn-spring", None).unwrap();
        assert_eq!((wish.tag, wish.year), (Some(1), Some(Year(2018))));
        assert_eq!(wish.group.as_deref(), Some("acorn"));
        assert!(!wish.hold);
    }

    #[test]
    fn a_name_that_is_no_text_is_matched_by_its_bytes_and_as_shown() {
        let by_bytes = rules(vec![pattern("(?-u)^caf\\xe9$")]);
        assert_eq!(wish(&by_bytes, b"caf\xe9", None).unwrap().tag, Some(1));
        let by_text = rules(vec![pattern("^caf.$")]);
        assert_eq!(wish(&by_text, b"caf\xe9", None).unwrap().tag, Some(1));
        let by_list = rules(vec![Tag::new(Match::Projects(vec!["caf\\xe9".into()]))]);
        assert_eq!(wish(&by_list, b"caf\xe9", None).unwrap().tag, Some(1));
    }

    #[test]
    fn a_year_that_is_none_is_refused_with_the_tag() {
        let mut tag = pattern("^(?P<year>\\d\\d)");
        let trouble = wish(&rules(vec![tag.clone()]), b"19 spring", None).unwrap_err();
        assert!(trouble.text.contains("tag 1") && trouble.mend.is_some());
        tag.year = Some("20$year".into());
        assert_eq!(
            wish(&rules(vec![tag]), b"19 spring", None).unwrap().year,
            Some(Year(2019))
        );
    }

    #[test]
    fn tags_that_decide_nothing_are_named() {
        let rules = rules(vec![
            pattern("^a"),
            pattern("^ab"),
            pattern("^z"),
            Tag::new(Match::Projects(vec!["abx".into()])),
        ]);
        let projects = [b"abc", b"aaa"].map(|name| summary(&name[..]));
        let found = idle(&rules, &projects);
        let found: Vec<_> = found.iter().map(|t| (t.number, t.behind)).collect();
        assert_eq!(found, [(2, Some(1)), (3, None), (4, None)]);
        let names: BTreeSet<Vec<u8>> = projects.iter().map(|p| project_name(&p.key)).collect();
        assert_eq!(unknown(&rules, &names)[0].2[0], "abc");
    }

    #[test]
    fn a_broken_pattern_is_refused_in_one_line() {
        let trouble = Pattern::new("(unclosed").unwrap_err();
        assert!(!trouble.text.contains('\n') && trouble.mend.is_some());
    }
}
