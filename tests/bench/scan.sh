#!/bin/sh
# Measures a scan against GNU find listing the same facts, in pairs in turn on a warm cache, on a
# deep tree of projects and on one flat folder, and prints ratios, memory and index size.
#
#   tests/bench/scan.sh [ENTRIES] [PAIRS] [SHAPES]   (1,000,000, 3 and "deep flat" if left out)
#
# With 10000000 0 flat it shows the most memory for 10 million files in one folder.
# tests/bench/fuse_scan.rs shows the same over FUSE.
# Needs python3, GNU find, GNU time and about 10 GB of inodes and blocks under $TMPDIR (/tmp).
# With strace installed it also shows what threads gain where every call takes a millisecond.
set -eu
cd "$(dirname "$0")/../.."
entries=${1:-1000000}
pairs=${2:-3}
shapes=${3:-deep flat}
work=$(mktemp -d "${TMPDIR:-/tmp}/scan-bench.XXXXXX")
trap 'rm -rf "$work"' EXIT
cargo build --release --quiet --example scan_tree
scan=target/release/examples/scan_tree

seconds() { # the wall time of a command, its output thrown away
    /usr/bin/time -f %e -o "$work/time" "$@" > "$work/out"
    cat "$work/time"
}

for shape in $shapes; do
    python3 tests/bench/make_tree.py "$work/$shape" "$shape" "$entries"
    sync
    find "$work/$shape" -printf '%y %s %T@ %C@ %m %U %G %n %i %b %p\n' > /dev/null
    "$scan" "$work/$shape" "$work/index" > /dev/null
    pair=0
    while [ "$pair" -lt "$pairs" ]; do
        pair=$((pair + 1))
        theirs=$(seconds find "$work/$shape" -printf '%y %s %T@ %C@ %m %U %G %n %i %b %p\n')
        ours=$(seconds "$scan" "$work/$shape" "$work/index")
        echo "$shape pair $pair: find $theirs s, scan $ours s, ratio $(echo "$ours / $theirs" | bc -l | cut -c1-5)"
    done
    /usr/bin/time -f "$shape scan: %M KiB at most" "$scan" "$work/$shape" "$work/index"
    /usr/bin/time -f "$shape read: %M KiB at most" "$scan" --read "$work/index"
    /usr/bin/time -f "$shape read in pieces: %M KiB at most" "$scan" --pieces "$work/index"
    /usr/bin/time -f "$shape counted twice: %M KiB at most" "$scan" "$work/$shape" "$work/index" --recount
done

# The flat and the deep tree together as one top-level folder each: two large segments, more
# entries than are held in memory at once.
/usr/bin/time -f "both in two segments: %M KiB at most" "$scan" "$work" "$work.index"
rm -f "$work.index"

if command -v strace > /dev/null; then
    python3 tests/bench/make_tree.py "$work/slow" deep 3000
    for threads in 1 16; do
        strace -f -qq -o /dev/null -e trace=statx,openat,getdents64 \
            -e inject=statx,openat,getdents64:delay_enter=1000 \
            "$scan" "$work/slow" "$work/index" --threads "$threads" |
            sed "s/^/a millisecond a call, /"
    done
fi
