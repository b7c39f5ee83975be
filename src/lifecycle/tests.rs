//! Properties of the life of a batch.

use super::*;
use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;
use crate::units::Bytes;
use proptest::prelude::*;

const EVENTS: [Event; 7] = [
    Event::CopyBegins,
    Event::CopyEnds,
    Event::VerifyBegins,
    Event::VerifyEndsEqual,
    Event::VerifyEndsUnequal,
    Event::Release,
    Event::Withdraw,
];

/// All 7^6 sequences of events: the states met on the way to `Released` end in `Verified`, and
/// that one is reached only by an equal verification, or back from a release that had one.
#[test]
fn no_sequence_of_six_events_releases_what_was_not_verified() {
    for number in 0..7usize.pow(6) {
        let (mut state, mut rest) = (State::Waiting, number);
        let mut last_proof = false;
        for _ in 0..6 {
            let event = EVENTS[rest % 7];
            rest /= 7;
            let Ok(next) = after(state, event) else { continue };
            if next == State::Verified {
                let back = (state, event) == (State::Released, Event::Withdraw);
                assert!(event == Event::VerifyEndsEqual || back && last_proof);
                last_proof = true;
            }
            if next == State::Copying {
                last_proof = false;
            }
            assert!(next != State::Released || last_proof, "{number}");
            state = next;
        }
    }
}

#[test]
fn a_word_reads_back_to_its_state() {
    for state in State::ALL {
        assert_eq!(State::parse(state.word()), Some(state));
    }
}

/// Against the list of what may differ, one fact after the other.
#[test]
fn a_record_covers_what_was_seen_unless_one_fact_differs() {
    let read = Identity {
        inode: 7,
        size: Bytes(9),
        mtime: Moment::from_seconds(50),
        ctime: Moment::from_seconds(60),
    };
    let file = |id| (EntryKind::File, id);
    let spoilt = [
        Identity {
            size: Bytes(10),
            ..read
        },
        Identity {
            mtime: Moment::from_seconds(51),
            ..read
        },
    ];
    let other_inode = Identity { inode: 8, ..read };
    let touched = Identity {
        ctime: Moment::from_seconds(61),
        ..read
    };
    for stay in [false, true] {
        assert!(is_covered(file(read), file(read), stay));
        assert!(is_covered(file(touched), file(read), stay));
        assert_eq!(is_covered(file(other_inode), file(read), stay), !stay);
        assert!(!is_covered((EntryKind::Symlink, read), file(read), stay));
        for one in spoilt {
            assert!(!is_covered(file(one), file(read), stay));
        }
    }
    let racy = |seconds| is_racy(&read, Moment::from_seconds(seconds));
    assert_eq!([50, 62, 63].map(racy), [true, true, false]);
}

fn identity() -> impl Strategy<Value = Identity> {
    (0..3u64, 0..3u64, 0..3i64).prop_map(|(inode, size, time)| Identity {
        inode,
        size: Bytes(size),
        mtime: Moment::from_seconds(time),
        ctime: Moment::default(),
    })
}

proptest! {
    /// Against a table of another shape: the four cases written out.
    #[test]
    fn what_remains_follows_the_table(seen in identity(), source in identity(), at in 0..4i64, scan in 0..4i64, hold: bool, differs: bool, known: bool) {
        let fact = Fact { source, at: Moment::from_seconds(at), differs };
        let found = remains(EntryKind::File, &seen, Moment::from_seconds(scan), hold, known.then_some(&fact));
        let mut agree = seen.size == source.size && seen.mtime == source.mtime;
        if hold { agree &= seen.inode == source.inode; }
        let expected = if !known { Remains::Copy } else if differs { Remains::Again }
            else if agree || at >= scan { Remains::Nothing } else { Remains::Again };
        prop_assert_eq!(found, expected);
    }

    #[test]
    fn the_gate_is_open_only_when_nothing_stands_against_it(copied in 0..3u64, proven in 0..3u64, changed in 0..2u64, conflicts in 0..2u64, second: bool, tested: bool, left in 0..3u64, accepted in 0..3u64, state in 0..6usize) {
        let mut facts = Gate { state: Some(State::ALL[state]), copied, proven: proven.min(copied), changed_at_source: changed, conflicts, second_copy: second, restore_test: tested, ..Gate::default() };
        if left > 0 { facts.left_behind.insert("special".into(), left); }
        if accepted > 0 { facts.accepted.insert("special".into(), accepted); }
        let open = gate(&facts).is_empty();
        let should = state >= 4 && proven.min(copied) == copied && changed == 0 && conflicts == 0 && second && tested && (left == 0 || left == accepted);
        prop_assert_eq!(open, should);
    }
}

#[test]
fn folders_and_special_files_are_not_copied() {
    let seen = Identity::default();
    for kind in [EntryKind::Directory, EntryKind::Special, EntryKind::Unknown] {
        assert_eq!(
            remains(kind, &seen, Moment::default(), true, None),
            Remains::NotCopied
        );
    }
}

/// A batch with nothing against it.
fn open() -> Gate {
    Gate {
        state: Some(State::Verified),
        copied: 3,
        proven: 3,
        second_copy: true,
        restore_test: true,
        ..Gate::default()
    }
}

fn codes(facts: &Gate) -> Vec<(&'static str, u64)> {
    gate(facts).iter().map(|r| (r.code, r.count)).collect()
}

/// Each reason alone shuts the gate, under its own code and with its own count.
#[test]
fn each_reason_alone_shuts_the_gate() {
    type Spoil = (fn(&mut Gate), &'static str, u64);
    let cases: [Spoil; 14] = [
        (|g| g.state = None, "not-verified", 1),
        (|g| g.state = Some(State::Copied), "not-verified", 1),
        (|g| g.proven = 1, "files-not-verified", 2),
        (
            |g| (g.proven, g.read_not_accepted) = (1, 2),
            "read-not-accepted",
            2,
        ),
        (|g| g.differences = 1, "differences", 1),
        (|g| g.conflicts = 4, "conflicts", 4),
        (|g| g.changed_at_source = 5, "changed-at-source", 5),
        (|g| g.new_at_source = 6, "new-at-source", 6),
        (
            |g| g.left_behind = [("special".into(), 7)].into(),
            "left-behind",
            7,
        ),
        (
            |g| g.elsewhere = vec![(crate::names::BatchName::typed("2019.2"), State::Copied, 9)],
            "files-elsewhere",
            9,
        ),
        (|g| g.second_copy = false, "no-second-copy", 1),
        (|g| g.restore_test = false, "no-restore-test", 1),
        (|g| g.reads_disagree = 8, "reads-disagree", 8),
        (
            |g| {
                g.left_behind.insert("special".into(), 2);
                g.accepted.insert("special".into(), 1);
            },
            "left-behind-changed",
            2,
        ),
    ];
    assert_eq!(codes(&open()), []);
    for (spoil, code, count) in cases {
        let mut facts = open();
        spoil(&mut facts);
        assert_eq!(codes(&facts), [(code, count)]);
    }
}

#[test]
fn a_source_is_removed_only_when_the_waiting_is_over() {
    let removal = |signed_off: Option<i64>, now: i64| {
        let facts = Gate {
            removal: Some(Removal {
                signed_off: signed_off.map(Moment::from_seconds),
                now: Moment::from_seconds(now),
                waiting_days: 28,
                set_aside: None,
                hold_days: 14,
            }),
            ..open()
        };
        codes(&facts)
    };
    let day = 86_400;
    assert_eq!(removal(None, 0), [("not-signed-off", 1)]);
    assert_eq!(removal(Some(0), 0), [("still-waiting", 28)]);
    assert_eq!(removal(Some(0), 28 * day - 1), [("still-waiting", 1)]);
    assert_eq!(removal(Some(0), 28 * day), []);
    assert_eq!(
        removal(Some(0), -day),
        [("still-waiting", 29)],
        "a clock that went back"
    );
    assert_eq!(removal(Some(i64::MAX), i64::MIN).len(), 1);
}

/// Every way three reads can turn out, against counting which content has more than one vote.
#[test]
fn two_equal_reads_of_three_decide() {
    for number in 0..27u8 {
        let reads = [number % 3, number / 3 % 3, number / 9];
        let votes = |read: u8| reads.iter().filter(|other| **other == read).count();
        let mut asked = false;
        let stands = settle(&reads[0], &reads[1], || {
            asked = true;
            reads[2]
        });
        assert_eq!(
            asked,
            reads[0] != reads[1],
            "a third read only where it is needed"
        );
        let expected = match (reads[0] == reads[1], votes(reads[0]), votes(reads[1])) {
            (true, ..) => Stands::Both,
            (_, 2, _) => Stands::First,
            (_, _, 2) => Stands::Second,
            _ => Stands::None,
        };
        assert_eq!(stands, expected, "{reads:?}");
    }
}

#[test]
fn reads_that_disagree_are_accepted_in_one_number_only() {
    let mut facts = Gate {
        reads_disagree: 3,
        left_behind: [(READS_DISAGREE.into(), 1)].into(),
        ..open()
    };
    assert_eq!(codes(&facts), [(READS_DISAGREE, 3)]);
    facts.accepted.insert(READS_DISAGREE.into(), 1);
    assert_eq!(
        codes(&facts),
        [(READS_DISAGREE, 3)],
        "the number left behind is not theirs"
    );
    facts.accepted.insert(READS_DISAGREE.into(), 3);
    assert_eq!(codes(&facts), []);
    facts.reads_disagree = 4;
    assert_eq!(codes(&facts), [(READS_DISAGREE, 4)]);
}
