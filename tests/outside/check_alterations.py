#!/usr/bin/env python3
"""Alters copies of a good log, one alteration a copy, and fails unless the verifier finds each one.

    check_alterations.py LOG_DIR VKEY_FILE [--seed N] [--count 20]

First the controls: the log as it is must be good, and taken apart and written back, refitted too, it must be the same bytes;
so what the verifier finds afterwards is the alteration and not the rewriting. Every kind is used in turn, from a place that the
seed chooses. Exit 0: all found; 1: one was not, or a control failed; 2: usage.
"""

from __future__ import annotations

import argparse
import itertools
import random
import subprocess
import sys
import tempfile
from pathlib import Path

from alter_log import KINDS, alter
from chance import NotHere
from log_image import Image
from segments import END

VERIFY = Path(__file__).with_name("verify_log.py")


def verify(log: Path, keys: Path, older: Path | None = None) -> tuple[int, str]:
    """Exit code and last line of the verifier, run as its own program."""
    command = [sys.executable, str(VERIFY), str(log), str(keys), *(["--older", str(older)] if older else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    lines = (done.stdout + done.stderr).strip().splitlines()
    return done.returncode, lines[-1] if lines else ""


def control(log: Path, keys: Path, scratch: Path) -> str | None:
    """What is wrong before anything was altered, or None."""
    code, line = verify(log, keys)
    if code != 0:
        return f"the log is not good as it is (exit {code}): {line}"
    for refit in (False, True):
        image = Image.read(log)
        if refit:
            image.refit()
        for segment in image.segments:
            if segment.encode() != (log / segment.name).read_bytes():
                return f"{segment.name} is not the same after it was taken apart and written back (refitted: {refit})"
    newest = image.pieces(END)[-1]
    (scratch / "newest").write_bytes(newest[0].pieces[newest[1]].body)
    return None


def check(log: Path, keys: Path, seed: int, count: int) -> int:
    chance = random.Random(seed)
    order = chance.sample(KINDS, len(KINDS))
    missed = 0
    with tempfile.TemporaryDirectory(prefix="altered-log-") as made:
        scratch = Path(made)
        wrong = control(log, keys, scratch)
        if wrong:
            print(f"control: {wrong}")
            return 1
        tried = 0
        for number in itertools.count():
            if tried == count or (tried == 0 and number == len(order)):
                break
            kind, out = order[number % len(order)], scratch / str(number)
            try:
                said = alter(log, out, kind, seed + number)
            except NotHere:
                continue  # the log is too small for this kind; another takes its turn
            tried += 1
            # A clean end is good in itself; every other kind must show without help.
            code, line = verify(out, keys, scratch / "newest" if kind == "clean-end" else None)
            missed += code != 3
            print(f"{kind}: {said}\n  {'found' if code == 3 else f'NOT FOUND, exit {code}'}: {line}", flush=True)
    print(f"seed {seed}: {tried - missed} of {tried} alterations found")
    return 0 if tried and not missed else 1


def main() -> int:
    parser = argparse.ArgumentParser(description="Check that the verifier finds alterations.")
    parser.add_argument("log", type=Path, metavar="LOG_DIR")
    parser.add_argument("keys", type=Path, metavar="VKEY_FILE")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(2**32))
    parser.add_argument("--count", type=int, default=20)
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}", flush=True)
    return check(arguments.log, arguments.keys, arguments.seed, arguments.count)


if __name__ == "__main__":
    sys.exit(main())
