#!/bin/sh
# How long plan, forecast and status take for an index of PROJECTS and FILES that exist nowhere:
#   tests/bench/plan.sh POOLWARD MAKE_INDEX [PROJECTS FILES]...
# POOLWARD and MAKE_INDEX are built with: cargo build --release --bin poolward --example make_index
set -eu
poolward=$1 make=$2
shift 2
[ $# -gt 0 ] || set -- 6000 200000 6000 10000000
while [ $# -gt 1 ]; do
    home=$(mktemp -d)
    mkdir "$home/from" "$home/to"
    "$poolward" begin "$home/move" --from "$home/from" --to "$home/to" --link 10GbE --allow-root-disk --quiet >/dev/null
    "$make" "$home/move" "$1" "$2"
    for verb in plan forecast status; do
        start=$(date +%s.%N)
        "$poolward" --folder "$home/move" $verb --json >"$home/out" || true
        end=$(date +%s.%N)
        peak=$(sed -n 's/.*"batches":\[//p' "$home/out" | tr '{' '\n' | grep -c '"dataset":' || true)
        echo "$1 projects $2 files: $verb $(echo "$end - $start" | bc) s, $peak batches"
    done
    rm -r "$home"
    shift 2
done
