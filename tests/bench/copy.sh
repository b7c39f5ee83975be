#!/usr/bin/env bash
# Measures copy and verify against coreutils on this machine, pairs in turn, warm source.
# Prints seconds and ratios; it asserts nothing. Usage: tests/bench/copy.sh [FOLDER] [PAIRS] [KIND…]
# KIND is big or small; both without one. POOLWARD names a binary that is built already.
# Needs cargo, python3, b3sum. The folder gets about 6 GB and is emptied at the end.
set -euo pipefail
cd "$(dirname "$0")/../.."
home=${1:-/tmp/poolward-bench}
pairs=${2:-3}
poolward=${POOLWARD:-}
if [ -z "$poolward" ]; then
    cargo build --release --quiet
    poolward=$PWD/target/release/poolward
fi
shift $(($# < 2 ? $# : 2))
kinds=("$@")
[ ${#kinds[@]} -gt 0 ] || kinds=(big small)
rm -rf "$home" && mkdir -p "$home"
trap 'rm -rf "$home"' EXIT

make_big() { mkdir -p "$1/2019 big"; for n in 1 2 3; do head -c 512M /dev/urandom >"$1/2019 big/$n.mov"; done; }
make_small() {
    python3 - "$1/2019 small" <<'PY'
import os, random, sys
random.seed(7)
for d in range(100):
    folder = f"{sys.argv[1]}/d{d:03}"
    os.makedirs(folder)
    for f in range(300):
        with open(f"{folder}/f{f:03}.dat", "wb") as out:
            out.write(os.urandom(random.randrange(0, 16385)))
PY
}
seconds() { local t0 t1; t0=$(date +%s.%N); "$@" >/dev/null; t1=$(date +%s.%N); echo "$t1 - $t0" | bc; }
cp_sync() { cp -a "$1" "$2" && sync; }
dd_b3sum() { find "$1" -type f -print0 | while IFS= read -r -d '' f; do dd if="$f" iflag=direct bs=4M status=none; done | b3sum; }

for kind in "${kinds[@]}"; do
    source=$home/$kind; mkdir -p "$source"; make_$kind "$source"; sync
    for pair in $(seq "$pairs"); do
        rm -rf "$home/cp" "$home/dst" "$home/move"; sync
        theirs=$(seconds cp_sync "$source" "$home/cp")
        "$poolward" begin "$home/move" --from "$source" --to "$home/dst" --allow-root-disk --quiet
        (cd "$home/move" && "$poolward" scan --quiet && { "$poolward" plan --quiet || true; })
        ours=$(cd "$home/move" && seconds "$poolward" copy --all)
        echo "copy $kind, pair $pair: cp -a + sync $theirs s, poolward copy $ours s, ratio $(echo "scale=2; $ours / $theirs" | bc)"
        [ "$kind" = small ] && continue # thirty thousand dd processes would measure fork
        theirs=$(seconds dd_b3sum "$home/dst/2019")
        ours=$(cd "$home/move" && seconds "$poolward" verify)
        echo "verify $kind, pair $pair: dd iflag=direct | b3sum $theirs s, poolward verify $ours s, ratio $(echo "scale=2; $ours / $theirs" | bc)"
    done
done
