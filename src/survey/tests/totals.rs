//! Amounts, years and dates of a whole tree.

use super::*;
use crate::survey::Sample;

#[test]
fn projects_years_and_loose_files_come_out() {
    let mut tree = Tree::default();
    tree.file("2019-03-04 acorn/a.mov", 100)
        .file("2019-03-04 acorn/deep/b.wav", 50)
        .file("birch/notes.txt", 7)
        .file("top.mov", 3);
    let survey = tree.survey();
    assert_eq!(names(&survey), ["2019-03-04 acorn", "birch", "loose-2019"]);
    assert_eq!(
        survey.counts.files,
        Amount {
            files: 4,
            bytes: Bytes(160)
        }
    );
    let acorn = &survey.projects[0];
    assert_eq!(
        acorn.amount,
        Amount {
            files: 2,
            bytes: Bytes(150)
        }
    );
    assert_eq!(acorn.others, 2, "its own folder and one inside");
    assert_eq!(acorn.date.year, Some(Year(2019)));
    let years: Vec<_> = survey
        .years()
        .iter()
        .map(|y| (y.year, y.projects, y.amount.files))
        .collect();
    assert_eq!(years, [(Some(Year(2019)), 3, 4)]);
    assert_eq!(survey.sizes.total(), survey.counts.files);
}

#[test]
fn at_depth_two_files_above_are_loose_and_folders_above_belong_to_none() {
    let mut tree = Tree::default();
    tree.file("clients/acorn/a.mov", 1)
        .file("clients/x.mov", 2)
        .file("top.mov", 4)
        .put(
            "clients/old.mov",
            Entry {
                mtime: at("1970-01-01T00:00:00Z"),
                ..entry(EntryKind::File)
            },
        );
    let survey = tree.survey_with(|rules| rules.project_depth = 2);
    assert_eq!(names(&survey), ["clients/acorn", "loose-undated", "loose-2019"]);
    assert_eq!(
        survey.projects[2].amount,
        Amount {
            files: 2,
            bytes: Bytes(6)
        }
    );
}

#[test]
fn by_products_are_left_out_counted_and_told() {
    let mut tree = Tree::default();
    tree.file("acorn/a.mov", 100)
        .file("acorn/@thumbs/a.jpg", 5)
        .file("acorn/.@index/x", 6)
        .file("acorn/#old/x.mov", 60)
        .file("acorn/#1 take.mov", 9)
        .file("#recycle/b.mov", 40)
        .file("$recycle.bin/c", 2)
        .file("acorn/.Trash-1000/d", 3)
        .file("@snapshots/2020/a.mov", 100)
        .file("@work/z.mov", 8);
    let survey = tree.survey();
    let rules: Vec<_> = survey
        .excluded
        .iter()
        .map(|e| (e.rule.as_str(), e.amount.files, e.amount.bytes.0))
        .collect();
    assert_eq!(
        rules,
        [("recycle", 3, 45), ("snapshots", 1, 100), ("thumbnails", 3, 71)]
    );
    assert_eq!(names(&survey), ["@work", "acorn"]);
    assert_eq!(
        survey.projects[1].amount,
        Amount {
            files: 2,
            bytes: Bytes(109)
        }
    );
    assert_eq!(count(&survey, Sort::DoubtfulProject), 1);
    assert_eq!(count(&survey, Sort::ExcludedOriginals), 1);
    let asked = survey
        .questions
        .iter()
        .find(|q| q.project.name() == "@work")
        .unwrap();
    assert!(asked.tag.contains("names = [\"/@work\"]"), "{}", asked.tag);
}

#[test]
fn header_dates_decide_where_file_times_were_reset() {
    let mut tree = Tree::default();
    for project in ["acorn", "birch", "cedar"] {
        for n in 0..8 {
            tree.file(format!("{project}/C{n}.MOV"), 1000 + n);
        }
    }
    let undated = tree.survey();
    assert_eq!(count(&undated, Sort::CopyDay), 3, "projects, as its examples are");
    let copied = undated
        .hazards
        .iter()
        .find(|h| h.kind == "bulk-copy-day")
        .unwrap();
    assert!(copied.words.contains("of 24 files,"), "{}", copied.words);
    assert_eq!(undated.projects[0].date.year, None);
    let question = undated
        .questions
        .iter()
        .find(|q| q.project.name() == "acorn")
        .unwrap();
    assert!(
        question.tag.starts_with(
            "[[tag]]\nprojects = [\"acorn\"]\nyear = 2019   # its oldest time, which may be a copy's\n"
        ),
        "{}",
        question.tag
    );

    let rules = SurveyRules::usual(SourceName("oldbox".into()), chrono_tz::Europe::Berlin, now());
    let mut surveyor = Surveyor::new(rules);
    tree.listings().iter().for_each(|listing| surveyor.push(listing));
    let mut wanted = 0;
    let read = |sample: &Sample| {
        wanted += 1;
        let found = HeaderDate {
            at: at("2016-05-06T10:00:00Z"),
            local: false,
            corrected: true,
        };
        Ok::<_, ()>((sample.project.name() == "acorn").then_some(found))
    };
    surveyor.read_headers(read).unwrap();
    assert_eq!(wanted, 15, "five a project");
    let survey = surveyor.finish();
    assert_eq!(survey.projects[0].date.year, Some(Year(2016)));
    assert!(survey.projects[0].date.words.contains("66 years"));
}

proptest! {
    /// Totals of projects, kinds and sizes all equal what was pushed, whatever the names.
    #[test]
    fn totals_agree_however_names_look(files in prop::collection::btree_map(prop::collection::vec(1u8..=255, 1..6), 0u64..10_000, 0..12)) {
        let mut tree = Tree::default();
        let mut sum = Amount::default();
        for (name, size) in &files {
            if name.contains(&b'/') || name == b"." || name == b".." {
                continue;
            }
            tree.file([b"p/", name.as_slice()].concat(), *size);
            sum.add(Amount::one(Bytes(*size)));
        }
        let survey = tree.survey();
        prop_assert_eq!(survey.counts.files, sum);
        prop_assert_eq!(survey.sizes.total(), sum);
        prop_assert_eq!(survey.kinds.iter().map(|k| k.1).sum::<Amount>(), sum);
        prop_assert_eq!(survey.years().iter().map(|y| y.amount).sum::<Amount>(), sum);
    }
}
