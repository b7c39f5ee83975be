#!/usr/bin/env bash
# Measures the peak memory (VmHWM, proc(5)) of every step of a move with many small files, with the same
# in one flat folder, with large ones and with one that is almost all hole. It prints; it asserts
# nothing. Usage: tests/bench/memory.sh [FOLDER] [FILES] [KIND…]
# KIND is small, flat, large or hole; all without one. For 10 million files in one folder, which take
# hours to copy, see plan.sh and scan.sh. POOLWARD names a binary that is built already. Needs cargo,
# python3; about 7 GB, emptied at the end.
set -euo pipefail
cd "$(dirname "$0")/../.."
home=${1:-/tmp/poolward-memory}
files=${2:-300000}
poolward=${POOLWARD:-}
if [ -z "$poolward" ]; then
    cargo build --release --quiet
    poolward=$PWD/target/release/poolward
fi
shift $(($# < 2 ? $# : 2))
kinds=("$@")
[ ${#kinds[@]} -gt 0 ] || kinds=(small flat large hole)
rm -rf "$home" && mkdir -p "$home"
trap 'rm -rf "$home"' EXIT

python3 - "$home" "$files" <<'PY'
import os, sys
home, files = sys.argv[1], int(sys.argv[2])
noise = os.urandom(1 << 20)
for at in range(files):
    folder = f"{home}/small/2019 small/d{at // 300:04}"
    if at % 300 == 0:
        os.makedirs(folder)
    with open(f"{folder}/f{at % 300:03}.dat", "wb") as out:
        out.write(noise[at % 65536 : at % 65536 + at % 2048])
os.makedirs(f"{home}/flat/2019 flat")
for at in range(files):
    with open(f"{home}/flat/2019 flat/f{at:07}.dat", "wb") as out:
        out.write(noise[at % 65536 : at % 65536 + at % 2048])
os.makedirs(f"{home}/large/2019 large")
for name in "abc":
    with open(f"{home}/large/2019 large/{name}.mov", "wb") as out:
        for at in range(512):
            out.write(noise)
os.makedirs(f"{home}/hole/2019 hole")
with open(f"{home}/hole/2019 hole/disk.img", "wb") as out:
    out.truncate(20 << 30)
    for at in range(0, 20 << 30, 1 << 30):
        out.seek(at)
        out.write(noise)
PY

# wait4(2) tells the most that a child had in memory, in KiB on Linux.
peak() {
    python3 - "$@" <<'PY'
import os, subprocess, sys, time
began = time.time()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
print(f"{used.ru_maxrss / 1024:8.1f} MiB  {time.time() - began:8.1f} s  exit {os.waitstatus_to_exitcode(status)}")
PY
}

for kind in "${kinds[@]}"; do
    move=$home/move-$kind
    "$poolward" begin "$move" --from "$home/$kind" --to "$home/to-$kind" --allow-root-disk --quiet
    sed -i 's|^path = "'"$home/to-$kind"'"|&\nfill-limit = 100\nreserve = "1 MB"\nfree = "1 TB"|' "$move/move.toml"
    for step in scan plan "copy --all" verify "verify --again" "status" "report"; do
        # shellcheck disable=SC2086
        echo "$kind, $step: $(cd "$move" && peak "$poolward" $step --quiet)"
    done
    rm -rf "$home/to-$kind"
done
