#!/usr/bin/env python3
"""Writes a small log of its own, so that the verifier can be tried on one that no service made.

    write_log.py LOG_DIR VKEY_FILE [--seed N]

It shares the generated messages with the verifier and nothing else. All keys and ids come from the seed; the people, the
aircraft and the engines are invented.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from written_story import tell


def main() -> int:
    parser = argparse.ArgumentParser(description="Write a small log and its verifier key.")
    parser.add_argument("log", type=Path, metavar="LOG_DIR")
    parser.add_argument("keys", type=Path, metavar="VKEY_FILE")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()

    arguments.log.mkdir(parents=True)
    book = tell(arguments.log, arguments.seed)
    arguments.keys.write_text(book.log_signer.verifier_key(f"{book.origin_name}/1"), encoding="utf-8")
    print(f"seed {arguments.seed}: {book.writer.size} entries")
    return 0


if __name__ == "__main__":
    sys.exit(main())
