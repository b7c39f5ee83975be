#!/usr/bin/env python3
"""Tries the forecast on a real link that is shaped to a rate Poolward is not told.

One network namespace joined by veth, tc tbf on its way to us, an sshd of its own in there, and the
source read through an sshfs mount. Each run: a new tree of another mix, the first batch copied and
verified, the forecast of the rest, then the rest, timed. Prints a table and the two figures: the
median error of the likely time, and how often the 90 % range held the truth. It asserts nothing.

Usage (root): tests/bench/shaped.py [RUNS] [POOLWARD]     default 30 runs, target/release/poolward
Needs iproute2, openssh-server, sshfs. Everything made is removed at the end, also on Ctrl-C.
"""

import json
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time

HERE, THERE, PORT = "10.77.31.1", "10.77.31.2", "2222"
SECONDS = 12  # what a run takes at its link's rate, about


def call(*words, check=True, **more):
    return subprocess.run(words, check=check, capture_output=True, text=True, **more)


class Link:
    """The namespace, its server and the mount; `shape` sets the rate of what it sends."""

    def __init__(self, home):
        self.home, self.space, self.server = home, f"pw{os.getpid()}", None
        self.ours, self.theirs = f"pwa{os.getpid() % 99999}", f"pwb{os.getpid() % 99999}"
        self.far, self.near = home + "/far", home + "/near"
        os.makedirs(self.far)
        os.makedirs(self.near)

    def __enter__(self):
        call("ip", "netns", "add", self.space)
        call("ip", "link", "add", self.ours, "type", "veth", "peer", "name", self.theirs)
        call("ip", "link", "set", self.theirs, "netns", self.space)
        call("ip", "addr", "add", HERE + "/24", "dev", self.ours)
        call("ip", "link", "set", self.ours, "up")
        self.inside("ip", "addr", "add", THERE + "/24", "dev", self.theirs)
        self.inside("ip", "link", "set", self.theirs, "up")
        for name in ("host", "user"):
            call("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", f"{self.home}/{name}")
        shutil.copy(self.home + "/user.pub", self.home + "/known")
        with open(self.home + "/sshd", "w") as config:
            config.write(
                f"Port {PORT}\nListenAddress {THERE}\nHostKey {self.home}/host\nPidFile none\n"
                f"AuthorizedKeysFile {self.home}/known\nPermitRootLogin yes\nStrictModes no\n"
                "UsePAM no\nPasswordAuthentication no\nSubsystem sftp internal-sftp\n"
            )
        os.makedirs("/run/sshd", exist_ok=True)
        sshd = shutil.which("sshd") or "/usr/sbin/sshd"
        words = ["ip", "netns", "exec", self.space, sshd, "-D", "-e", "-f", self.home + "/sshd"]
        self.log = open(self.home + "/sshd.log", "w")
        self.server = subprocess.Popen(words, stderr=self.log)
        time.sleep(1)
        return self

    def inside(self, *words, check=True):
        return call("ip", "netns", "exec", self.space, *words, check=check)

    def shape(self, rate):
        self.inside("tc", "qdisc", "del", "dev", self.theirs, "root", check=False)
        tbf = ("tbf", "rate", f"{rate}bit", "burst", "128kb", "latency", "100ms")
        self.inside("tc", "qdisc", "add", "dev", self.theirs, "root", *tbf)

    def mount(self):
        options = f"IdentityFile={self.home}/user,StrictHostKeyChecking=no,UserKnownHostsFile=/dev/null"
        call("sshfs", "-p", PORT, "-o", options, f"root@{THERE}:{self.far}", self.near)

    def unmount(self):
        call("fusermount3", "-u", self.near, check=False)

    def __exit__(self, *_):
        self.unmount()
        if self.server:
            self.server.terminate()
            self.server.wait()
        call("ip", "netns", "del", self.space, check=False)
        call("ip", "link", "del", self.ours, check=False)


def make_tree(root, rng, rate):
    """Six years of projects of one mix, so large that the link takes some seconds for them."""
    kind = rng.choice(["large", "mixed", "small", "tiny"])
    sizes = {
        "large": lambda: rng.randrange(2 << 20, 12 << 20),
        "mixed": lambda: int(10 ** rng.uniform(3.5, 7)),
        "small": lambda: rng.randrange(32 << 10, 600 << 10),
        "tiny": lambda: rng.randrange(1 << 10, 24 << 10),
    }[kind]
    left, files = rate / 8 * SECONDS, 0
    while left > 0 and files < 1_800:
        year = 2014 + files % 6
        folder = f"{root}/{year}-{3 + files % 6:02}-11 job"
        os.makedirs(folder, exist_ok=True)
        size = min(sizes(), int(rate / 8 * 2))
        path = f"{folder}/f{files:05}.dat"
        with open(path, "wb") as out:
            out.write(rng.randbytes(size))
        stamp = 1_400_000_000 + (year - 2014) * 31_557_600 + files
        os.utime(path, (stamp, stamp))
        left, files = left - size, files + 1
    return kind, files


def run(link, poolward, seed):
    rng = random.Random(seed)
    rate = int(10 ** rng.uniform(7.4, 8.5))
    for folder in (link.far, link.home + "/to", link.home + "/move"):
        shutil.rmtree(folder, ignore_errors=True)
    os.makedirs(link.far)
    kind, files = make_tree(link.far, rng, rate)
    link.shape(rate)
    link.mount()
    try:
        move = link.home + "/move"
        ours = lambda *words: call(poolward, *words, "--json", "--folder", move, check=False)
        begin = (poolward, "begin", move, "--from", link.near, "--to", link.home + "/to", "--allow-root-disk")
        call(*begin)
        ours("scan")
        ours("plan")
        # The client's view of a remote file is not the disk's: good enough to time.
        first = json.loads(ours("copy").stdout)
        assert first["batches"], first
        ours("verify")
        case = json.loads(ours("forecast").stdout)["cases"][0]
        began = time.monotonic()
        rest = ours("copy", "--all")
        ours("verify", "--all")
        took = time.monotonic() - began
        assert rest.returncode == 0, rest.stdout + rest.stderr
        assert call("diff", "-rq", link.far, link.far).returncode == 0
    finally:
        link.unmount()
    told = case["seconds"]
    inside = told["low"] <= took <= told["high"]
    error = told["likely"] / took - 1
    print(
        f"{seed:4} {kind:6} {files:5} files {rate / 1e6:6.1f} Mbit/s  forecast {told['low']:6.1f} "
        f"{told['likely']:6.1f} {told['high']:6.1f} s  took {took:6.1f} s  {error:+7.1%}  "
        f"{'inside' if inside else 'OUTSIDE'}  {case['binding_stage']}",
        flush=True,
    )
    return abs(error), inside


def main():
    if os.geteuid() != 0:
        sys.exit("needs root: network namespaces and a mount")
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    poolward = os.path.abspath(sys.argv[2] if len(sys.argv) > 2 else "target/release/poolward")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(130))
    with tempfile.TemporaryDirectory(prefix="poolward-shaped-") as home:
        os.chmod(home, 0o755)
        with Link(home) as link:
            results = [run(link, poolward, seed) for seed in range(1, runs + 1)]
    errors, inside = [e for e, _ in results], sum(i for _, i in results)
    print(f"median error {statistics.median(errors):.1%}; inside the range {inside} of {runs}")


if __name__ == "__main__":
    main()
