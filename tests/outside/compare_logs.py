#!/usr/bin/env python3
"""Verifies many log folders and compares with what another verifier said of each.

    compare_logs.py FOLDER SAID_FILE

SAID_FILE is a JSON list of {"name": ..., "key": verifier key, "good": true or false, "otherwise": devices that say to have seen
another log, 0 where it is not good}; the log is the folder FOLDER/<name>. One JSON object comes out: {"agreed": n, "differ":
[{"name", "ours", "theirs", "why"}]}. Exit 0 where none differs, else 1. Exit 5: something cannot be read.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from flaw import Flaw
from notes import VerifierKey
from verify_log import Verifier


def judge(folder: Path, key: str) -> tuple[bool, int, str]:
    """Good or not, how many devices say otherwise, and why it is not good."""
    try:
        verifier = Verifier([VerifierKey.parse(key)])
        verifier.run(folder)
    except Flaw as flaw:
        return False, 0, str(flaw)
    return True, len(verifier.seen.otherwise), ""


def compare(folder: Path, said: list[dict[str, Any]]) -> dict[str, Any]:
    differ = []
    for case in said:
        good, otherwise, why = judge(folder / case["name"], case["key"])
        theirs = [case["good"], case["otherwise"]]
        if [good, otherwise] != theirs:
            differ.append({"name": case["name"], "ours": [good, otherwise], "theirs": theirs, "why": why})
    return {"agreed": len(said) - len(differ), "differ": differ}


def main() -> int:
    parser = argparse.ArgumentParser(description="Compare two verifiers' word on many logs.")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("said", type=Path, metavar="SAID_FILE")
    arguments = parser.parse_args()
    try:
        said = json.loads(arguments.said.read_text(encoding="utf-8"))
        compared = compare(arguments.folder, said)
    except (OSError, ValueError, KeyError) as error:
        print(f"cannot compare: {error}; give a folder and a JSON list of name, key, good, otherwise", file=sys.stderr)
        return 5
    print(json.dumps(compared))
    return 1 if compared["differ"] else 0


if __name__ == "__main__":
    sys.exit(main())
