#!/bin/sh
# How long survey, plan, forecast, status and report take, and the most memory they have, for an index
# of PROJECTS and FILES that exist nowhere; with 0 projects all files lie loose in the root:
#   tests/bench/plan.sh POOLWARD MAKE_INDEX [PROJECTS FILES]...
# POOLWARD and MAKE_INDEX are built with: cargo build --release --bin poolward --example make_index
# Needs GNU time. Without shapes: many projects, and 10 million files in one folder or loose.
set -eu
poolward=$1 make=$2
shift 2
[ $# -gt 0 ] || set -- 6000 200000 6000 10000000 1 10000000 0 10000000
while [ $# -gt 1 ]; do
    home=$(mktemp -d)
    mkdir "$home/from" "$home/to"
    "$poolward" begin "$home/move" --from "$home/from" --to "$home/to" --link 10GbE --allow-root-disk --quiet >/dev/null
    "$make" "$home/move" "$1" "$2"
    for verb in survey plan forecast status report; do
        /usr/bin/time -q -f '%e s, %M KiB at most' -o "$home/time" \
            "$poolward" --folder "$home/move" $verb --json >"$home/out" || true
        batches=$(sed -n 's/.*"batches":\[//p' "$home/out" | tr '{' '\n' | grep -c '"dataset":' || true)
        echo "$1 projects $2 files: $verb $(cat "$home/time"), $batches batches"
    done
    rm -r "$home"
    shift 2
done
