"""The messages of rinsebook.v1, generated from the project's own .proto files when they are first needed.

The modules go to the folder that RINSEBOOK_PB2 names (kept between runs) or to a temporary one (removed at exit).
"""

from __future__ import annotations

import atexit
import importlib
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

PROTO = Path(__file__).resolve().parents[2] / "proto"
FILES = sorted(path.relative_to(PROTO) for path in (PROTO / "rinsebook" / "v1").glob("*.proto"))


def _target() -> Path:
    named = os.environ.get("RINSEBOOK_PB2")
    if named:
        return Path(named)
    made = tempfile.mkdtemp(prefix="rinsebook-pb2-")
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return Path(made)


def _is_fresh(target: Path) -> bool:
    for name in FILES:
        module = target / name.parent / (name.stem + "_pb2.py")
        if not module.exists() or module.stat().st_mtime < (PROTO / name).stat().st_mtime:
            return False
    return True


def _generate(target: Path) -> None:
    # Imported only here: a filled RINSEBOOK_PB2 needs no compiler.
    from grpc_tools import protoc  # type: ignore[import-untyped]

    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target) as part:
        arguments = ["protoc", f"-I{PROTO}", f"--python_out={part}", *(str(name) for name in FILES)]
        if protoc.main(arguments) != 0:
            raise RuntimeError(f"the .proto files under {PROTO} do not compile: see the compiler's lines above")
        for name in FILES:
            module = name.parent / (name.stem + "_pb2.py")
            (target / module).parent.mkdir(parents=True, exist_ok=True)
            # One rename a module: programs that start side by side never see half of one.
            os.replace(Path(part) / module, target / module)


def load(name: str) -> Any:
    """The generated module of `rinsebook/v1/<name>.proto`."""
    return importlib.import_module(f"rinsebook.v1.{name}_pb2")


_folder = _target()
if not _is_fresh(_folder):
    _generate(_folder)
sys.path.insert(0, str(_folder))

# The one that everything here needs; Any, because its classes exist only once they are generated.
fact: Any = load("fact")
