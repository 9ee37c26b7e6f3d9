"""Spoiled files by the ten thousand: `python -m tests.benchmarks.mutations 100000 [first]`."""

from __future__ import annotations

import sys
import time

from tests.analysis.mutations import many


def main() -> int:
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 0
    start = time.monotonic()
    fared, faults = many(count, first=first, told=lambda text: print(text, flush=True))
    for how, times in sorted(fared.items()):
        print(f"{how:24} {times}")
    for key, numbers in sorted(faults.items(), key=lambda item: -len(item[1])):
        print(f"{len(numbers):6} x {key}   such as {numbers[:6]}")
    print(f"{count} mutations in {time.monotonic() - start:.0f} s, {sum(map(len, faults.values()))} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
