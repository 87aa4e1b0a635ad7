#!/usr/bin/env python3
"""Copies a log folder and applies one alteration that a seed chooses, without any key.

    alter_log.py LOG_DIR OUT_DIR [--kind KIND] [--seed N]

CRCs always fit, but for the kinds that are about them. Kinds that end in "refitted" also make indices, chain, links, counts,
sizes and roots agree again, so that only a signature or a rule of the facts is left to betray them. One kind, `clean-end`,
leaves a shorter log that is good in itself: it shows only to who holds an older checkpoint.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
from pathlib import Path

from alter_files import RAW_CHANGES
from alter_frames import CHANGES
from chance import NotHere
from log_image import Image

KINDS = [*CHANGES, *RAW_CHANGES]


def alter(log: Path, out: Path, kind: str, seed: int) -> str:
    """Writes an altered copy of `log` to the new folder `out`; says what was altered. Raises NotHere where it cannot be."""
    chance = random.Random(f"{seed} {kind}")
    if kind in RAW_CHANGES:
        shutil.copytree(log, out)
        return RAW_CHANGES[kind](chance, out)
    image = Image.read(log)
    said = CHANGES[kind](chance, image)
    out.mkdir(parents=True)
    image.write(out)
    return said


def main() -> int:
    parser = argparse.ArgumentParser(description="Copy a log folder with one alteration.")
    parser.add_argument("log", type=Path, metavar="LOG_DIR")
    parser.add_argument("out", type=Path, metavar="OUT_DIR")
    parser.add_argument("--kind", choices=KINDS, help="chosen by the seed where not given")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(2**32))
    arguments = parser.parse_args()
    kind = arguments.kind or random.Random(arguments.seed).choice(KINDS)
    print(f"seed {arguments.seed}: {kind}")
    try:
        print(alter(arguments.log, arguments.out, kind, arguments.seed))
    except NotHere:
        print(f"the log is too small for {kind}; choose another kind", file=sys.stderr)
        return 1
    except OSError as error:
        print(f"{error.filename}: {error.strerror}; OUT_DIR must be new and LOG_DIR readable", file=sys.stderr)
        return 5
    return 0


if __name__ == "__main__":
    sys.exit(main())
