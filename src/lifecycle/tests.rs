//! Properties of the life of a batch.

use super::*;
use crate::entry::{EntryKind, Identity};
use crate::moment::Moment;
use crate::units::Bytes;
use proptest::prelude::*;

const EVENTS: [Event; 6] = [
    Event::CopyBegins,
    Event::CopyEnds,
    Event::VerifyBegins,
    Event::VerifyEndsEqual,
    Event::VerifyEndsUnequal,
    Event::Release,
];

/// All 6^6 sequences of events: the states met on the way to `Released` end in `Verified`, and
/// that one is reached only by an equal verification.
#[test]
fn no_sequence_of_six_events_releases_what_was_not_verified() {
    for number in 0..6usize.pow(6) {
        let (mut state, mut rest) = (State::Waiting, number);
        let mut last_proof = false;
        for _ in 0..6 {
            let event = EVENTS[rest % 6];
            rest /= 6;
            let Ok(next) = after(state, event) else { continue };
            if next == State::Verified {
                assert_eq!(event, Event::VerifyEndsEqual);
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
