#!/usr/bin/env python3
"""Verifies many packs and compares with what another verifier said of each.

    compare_packs.py FOLDER SAID_FILE KEY|FILE [--witness KEY]...

SAID_FILE is a JSON list of {"name": ..., "good": true or false}; the pack is FOLDER/<name>.pack. One JSON object comes out:
{"agreed": n, "differ": [{"name", "ours", "theirs", "why"}]}. Exit 0 where none differs, else 1. Exit 5: something cannot
be read. With `-` for the key each founding fact's own is used.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from cosignatures import WitnessKey
from notes import VerifierKey
from verify_pack import log_keys_from, verify_pack, witnesses_from


def compare(
    folder: Path, said: list[dict[str, Any]], log_keys: list[VerifierKey], witnesses: list[WitnessKey]
) -> dict[str, Any]:
    """`why` is our reason where we find a pack bad, and empty or a remark where we find it good."""
    differ = []
    for case in said:
        answer = verify_pack((folder / f"{case['name']}.pack").read_bytes(), log_keys, witnesses)
        if answer.good != case["good"]:
            why = answer.why if answer.good else f"{answer.check}: {answer.why}"
            differ.append({"name": case["name"], "ours": answer.good, "theirs": case["good"], "why": why})
    return {"agreed": len(said) - len(differ), "differ": differ}


def read_said(path: Path) -> list[dict[str, Any]]:
    said = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(said, list) or not said:
        raise ValueError("it holds no list of packs")
    for case in said:
        if not (isinstance(case, dict) and isinstance(case.get("name"), str) and isinstance(case.get("good"), bool)):
            raise ValueError(f"{case!r} does not have a name and good, true or false")
    return said


def main() -> int:
    parser = argparse.ArgumentParser(description="Compare two verifiers' word on many packs.")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("said", type=Path, metavar="SAID_FILE")
    parser.add_argument("log_key", metavar="KEY|FILE", help="the log's verifier key, or a file with it; - for the packs' own")
    parser.add_argument("--witness", action="append", default=[], metavar="KEY", help="a witness's verifier key")
    arguments = parser.parse_args()
    try:
        log_keys = log_keys_from(None if arguments.log_key == "-" else arguments.log_key)
        compared = compare(arguments.folder, read_said(arguments.said), log_keys, witnesses_from(arguments.witness))
    except (OSError, ValueError) as error:
        print(f"cannot compare: {error}; give a folder, a JSON list of name and good, and name+id+key", file=sys.stderr)
        return 5
    print(json.dumps(compared))
    return 1 if compared["differ"] else 0


if __name__ == "__main__":
    sys.exit(main())
