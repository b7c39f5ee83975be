//! Moved files: what is decided, played on a model of both ends, against one who knows what was done.

use super::moves::*;
use crate::entry::{Entry, EntryKind};
use crate::moment::Moment;
use crate::names::RelPath;
use crate::units::Bytes;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn path(text: &str) -> RelPath {
    RelPath::new(text).unwrap()
}

fn file(inode: u64, second: i64) -> Entry {
    Entry {
        allocated: Bytes(4096),
        inode,
        ..Entry::plain(EntryKind::File, 10 + inode % 2, Moment::from_seconds(second))
    }
}

/// What was done to one file of the source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    Stays,
    Moves(usize),
    MovesEdited(usize),
    GetsASecondName(usize),
    Goes,
}

fn fates() -> impl Strategy<Value = Vec<Fate>> {
    let place = 0..24usize;
    let one = prop_oneof![
        2 => Just(Fate::Stays),
        5 => place.clone().prop_map(Fate::Moves),
        1 => place.clone().prop_map(Fate::MovesEdited),
        1 => place.prop_map(Fate::GetsASecondName),
        1 => Just(Fate::Goes),
    ];
    prop::collection::vec(one, 1..14)
}

fn name(number: usize) -> RelPath {
    path(&format!("d{}/f{}", number % 3, number / 3))
}

/// The source before and after, as scans see it, and the moves that a copy could follow if their
/// places were free: by file.
#[derive(Debug, Default)]
struct World {
    before: BTreeMap<RelPath, Entry>,
    after: BTreeMap<RelPath, Entry>,
    clean: BTreeMap<u64, (RelPath, RelPath)>,
}

/// Everybody leaves before anybody arrives; who finds a place taken stays, if that is free still.
fn world(fates: &[Fate]) -> World {
    let mut world = World::default();
    for (number, fate) in fates.iter().enumerate() {
        let (inode, from) = (100 + number as u64, name(number));
        let was = file(inode, 1);
        world.before.insert(from.clone(), was.clone());
        if *fate == Fate::Stays {
            world.after.insert(from, was);
        }
    }
    for (number, fate) in fates.iter().enumerate() {
        let (inode, from) = (100 + number as u64, name(number));
        let mut is = file(inode, 1);
        let to = match fate {
            Fate::Stays | Fate::Goes => continue,
            Fate::Moves(to) | Fate::GetsASecondName(to) => name(*to),
            Fate::MovesEdited(to) => {
                is.mtime = Moment::from_seconds(2);
                name(*to)
            }
        };
        if world.after.contains_key(&to) || (matches!(fate, Fate::GetsASecondName(_)) && to == from) {
            continue;
        }
        if let Fate::GetsASecondName(_) = fate {
            is.links = 2;
            world.after.entry(from).or_insert_with(|| is.clone());
        } else if *fate == Fate::Moves(number_of(&to)) && to != from {
            world.clean.insert(inode, (from, to.clone()));
        }
        world.after.insert(to, is);
    }
    world
}

fn number_of(place: &RelPath) -> usize {
    (0..24).find(|n| name(*n) == *place).unwrap()
}

/// Who pairs what is gone with what has come by its number, as a comparison of two scans does.
fn pairs(world: &World) -> Vec<(RelPath, RelPath)> {
    let only = |a: &BTreeMap<RelPath, Entry>, b: &BTreeMap<RelPath, Entry>| {
        let another = |(at, e): &(&RelPath, &Entry)| b.get(*at).is_none_or(|o| o.inode != e.inode);
        let mut found: BTreeMap<u64, Vec<RelPath>> = BTreeMap::new();
        for (at, entry) in a.iter().filter(another) {
            found.entry(entry.inode).or_default().push(at.clone());
        }
        found
    };
    let (gone, come) = (
        only(&world.before, &world.after),
        only(&world.after, &world.before),
    );
    let pair = |(inode, from): (&u64, &Vec<RelPath>)| match (from.as_slice(), come.get(inode)?.as_slice()) {
        ([from], [to]) => Some((from.clone(), to.clone())),
        _ => None,
    };
    gone.iter().filter_map(pair).collect()
}

/// The moves decided upon. At the destination lies what was copied; nothing was ever removed there.
fn decided(world: &World) -> Vec<(RelPath, RelPath)> {
    let all = pairs(world);
    let same: Vec<_> = all
        .iter()
        .filter(|(from, to)| is_same_file(&world.before[from], &world.after[to]).is_ok())
        .collect();
    let wanted: Vec<(&RelPath, &RelPath)> = same.iter().map(|(from, to)| (from, to)).collect();
    let free = with_free_places(&wanted, |place| world.before.contains_key(place));
    let followed = same.into_iter().zip(free).filter(|(_, free)| free.is_ok());
    followed.map(|(pair, _)| pair.clone()).collect()
}

/// The same by striking out: a move falls where the one who has its place does not leave.
fn by_striking_out(world: &World) -> BTreeSet<(RelPath, RelPath)> {
    let mut left: BTreeSet<(RelPath, RelPath)> = world.clean.values().cloned().collect();
    loop {
        let leaves = |place: &RelPath| left.iter().any(|(from, _)| from == place);
        let stuck = left
            .iter()
            .find(|(_, to)| world.before.contains_key(to) && !leaves(to))
            .cloned();
        match stuck {
            Some(stuck) => left.remove(&stuck),
            None => return left,
        };
    }
}

/// The destination: what lies where, by the file's number.
type Table = BTreeMap<RelPath, u64>;

fn aside(number: usize) -> RelPath {
    path(&format!("d0/aside{number}"))
}

fn standings(table: &Table, moves: &[(RelPath, RelPath)], files: &[u64]) -> Vec<Standing> {
    let at = |(number, (_, to)): (usize, &(RelPath, RelPath))| {
        let me = Some(&files[number]);
        match (table.get(to) == me, table.get(&aside(number)) == me) {
            (true, _) => Standing::New,
            (_, true) => Standing::Aside,
            _ => Standing::Old,
        }
    };
    moves.iter().enumerate().map(at).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn what_is_followed_is_what_was_only_moved(fates in fates()) {
        let world = world(&fates);
        let decided: BTreeSet<_> = decided(&world).into_iter().collect();
        prop_assert_eq!(decided, by_striking_out(&world));
    }

    /// Played on a table of names, cut after any number of renames within any round and gone on
    /// with: nothing is replaced, nothing is lost, and in the end the destination has the new names.
    #[test]
    fn renames_replace_nothing_and_end_where_the_source_is(
        fates in fates(),
        cuts in prop::collection::vec(0..9usize, 0..6),
        backwards in any::<bool>(),
    ) {
        let world = world(&fates);
        let moves = decided(&world);
        let mut table: Table = world.before.iter().map(|(at, e)| (at.clone(), e.inode)).collect();
        let files: Vec<u64> = moves.iter().map(|(from, _)| table[from]).collect();
        let expected: Table = {
            let mut all = table.clone();
            for (from, _) in &moves {
                all.remove(from);
            }
            all.extend(moves.iter().zip(&files).map(|((_, to), file)| (to.clone(), *file)));
            all
        };
        let mut cuts = cuts.into_iter();
        loop {
            let stand = standings(&table, &moves, &files);
            let all: Vec<_> = stand.iter().zip(&moves).map(|(at, (from, to))| (*at, from, to)).collect();
            let mut left = cuts.next().unwrap_or(usize::MAX);
            for mut round in rounds(&all) {
                // A round has no order of its own.
                if backwards {
                    round.reverse();
                }
                for step in round {
                    if left == 0 {
                        break;
                    }
                    left -= 1;
                    let (from, to) = match step {
                        Step::ToNew(n) => (moves[n].0.clone(), moves[n].1.clone()),
                        Step::Aside(n) => (moves[n].0.clone(), aside(n)),
                        Step::FromAside(n) => (aside(n), moves[n].1.clone()),
                    };
                    let file = table.remove(&from);
                    prop_assert!(file.is_some(), "{from} is not there for {step:?}");
                    prop_assert!(table.insert(to, file.unwrap()).is_none());
                }
                if left == 0 {
                    break;
                }
            }
            if left > 0 {
                break;
            }
        }
        prop_assert_eq!(table, expected);
    }
}

#[test]
fn a_file_with_several_names_or_other_facts_is_in_doubt() {
    let was = file(7, 1);
    assert_eq!(is_same_file(&was, &file(7, 1)), Ok(()));
    let with = |change: &dyn Fn(&mut Entry)| {
        let mut is = file(7, 1);
        change(&mut is);
        is_same_file(&was, &is)
    };
    assert_eq!(with(&|is| is.links = 2), Err(Doubt::Names));
    assert_eq!(with(&|is| is.size = Bytes(99)), Err(Doubt::Changed));
    assert_eq!(with(&|is| is.mtime.nanos = 1), Err(Doubt::Changed));
    assert_eq!(with(&|is| is.inode = 8), Err(Doubt::Changed));
    assert_eq!(with(&|is| is.error = Some("EIO".into())), Err(Doubt::Changed));
    // The number was given away: another file has been born under it.
    let born = |second| Entry {
        birth: Some(Moment::from_seconds(second)),
        ..file(7, 1)
    };
    assert_eq!(is_same_file(&born(1), &born(1)), Ok(()));
    assert_eq!(is_same_file(&born(1), &born(5)), Err(Doubt::Changed));
    // A ctime and a mode are no content: a rename changes the first.
    assert_eq!(with(&|is| is.ctime = Moment::from_seconds(9)), Ok(()));
}

#[test]
fn two_that_want_one_place_are_both_left_alone_and_so_is_who_waits_for_them() {
    let (a, b, c, d) = (path("a"), path("b"), path("c"), path("d"));
    let all = [(&a, &d), (&b, &d), (&c, &a)];
    let found = with_free_places(&all, |_| false);
    assert_eq!(found, [Err(Doubt::Taken), Err(Doubt::Taken), Err(Doubt::Stays)]);
}

#[test]
fn only_folders_that_lose_everything_are_left_empty() {
    let of = |all: &[(&str, &[&str])]| -> BTreeMap<RelPath, Vec<RelPath>> {
        let paths = |list: &[&str]| list.iter().map(|text| path(text)).collect();
        all.iter().map(|(at, list)| (path(at), paths(list))).collect()
    };
    let seen = of(&[
        ("p/a", &["p/a/x", "p/a/s"]),
        ("p/a/s", &["p/a/s/y"]),
        ("p/b", &["p/b/stays", "p/b/t"]),
        ("p/b/t", &[]),
    ]);
    let gone = emptied(&seen, |child| {
        ["p/a/x", "p/a/s/y"].contains(&child.lossy().as_str())
    });
    let gone: Vec<String> = gone.iter().map(RelPath::lossy).collect();
    assert_eq!(gone, ["p/a", "p/a/s", "p/b/t"]);
}
