#!/usr/bin/env python3
"""Makes a tree for tests/bench/scan.sh: make_tree.py FOLDER deep|flat ENTRIES.

deep: projects of an invented media shop with the folders and names that cameras and editors
give, sizes by truncation (sparse), modification times spread over the project's weeks.
flat: one folder with all files in it.
"""
import os
import random
import sys

WORDS = "acorn birch cedar dahlia elder fern garnet hazel iris juniper kestrel larch maple nettle".split()
FOLDERS = ["camera-a/clips", "camera-b/clips", "audio/takes", "stills/raw", "edit/renders", "edit/cache",
           "graphics/layers", "docs", "proxies", "deliver/final"]


def names(rng, folder, count):
    if folder.startswith("camera"):
        reel = rng.randrange(1, 999)
        return [f"A{reel:03}C{n:04}_{rng.randrange(100000, 999999)}.mov" for n in range(count)]
    if folder.startswith("stills"):
        first = rng.randrange(1000, 9000)
        return [f"IMG_{first + n}.CR2" for n in range(count)]
    if folder.startswith("edit/renders"):
        return [f"comp_{n:05}.exr" for n in range(count)]
    if folder.startswith("edit/cache"):
        return [f"{rng.randrange(1 << 48):012x}.tmp" for n in range(count)]
    return [f"{rng.choice(WORDS)} {rng.choice(WORDS)} v{n}.{rng.choice(['wav', 'pdf', 'psd', 'docx'])}"
            for n in range(count)]


def make_file(rng, path, moment):
    with open(path, "wb") as out:
        out.truncate(int(rng.lognormvariate(13, 3)))
    nanos = int(moment * 1_000_000_000) + rng.randrange(1_000_000_000)
    os.utime(path, ns=(nanos, nanos))


def main():
    root, shape, total = sys.argv[1], sys.argv[2], int(sys.argv[3])
    rng = random.Random(7)
    os.makedirs(root)
    if shape == "flat":
        for n in range(total):
            make_file(rng, f"{root}/IMG_{n:07}.jpg", 1_500_000_000 + n)
        return
    made = 0
    while made < total:
        year = rng.randrange(2009, 2025)
        project = f"{root}/{year}-{rng.randrange(1, 13):02}_{rng.choice(WORDS)}_{rng.choice(WORDS)}_{made}"
        began = (year - 1970) * 31_556_952
        for folder in FOLDERS:
            path = f"{project}/{folder}"
            os.makedirs(path)
            listed = names(rng, folder, min(rng.randrange(20, 180), max(total - made, 1)))
            for at, name in enumerate(listed):
                make_file(rng, f"{path}/{name}", began + at * rng.random() * 3600)
            made += len(listed) + 1
            if made >= total:
                break


main()
