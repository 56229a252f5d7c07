"""The process of one job: it reads what to do, does it, and says on the way how far it is.

It is told what to do in one line of JSON on standard input, and says in lines of JSON on standard output either
`{"progress": words}` or, last, `{"status": ..., "result": ...}`. When standard input closes, whoever asked is gone, and
it ends at once; the registry is then as it was, or as the finished step left it.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
import threading
import traceback
from pathlib import Path
from typing import Any

from registry.errors import GraftledgerError

_NICENESS = 5
"""Pages come before jobs."""


def main() -> None:
    """Do one job."""
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as out:
        os.dup2(2, 1)  # what a library prints must not come between the lines

        def tell(**said: Any) -> None:
            out.write(json.dumps(said) + "\n")
            out.flush()

        order = json.loads(sys.stdin.readline())
        threading.Thread(target=_end_with_the_server, daemon=True).start()
        if hasattr(os, "nice"):
            os.nice(_NICENESS)
        tell(**_done(order, lambda words: tell(progress=words)))


def _done(order: dict[str, Any], progress: Any) -> dict[str, Any]:
    module, _, name = order["function"].partition(":")
    try:
        function = getattr(importlib.import_module(module), name)
        result = function(Path(order["registry"]), order["request"], Path(order["folder"]), progress)
    except GraftledgerError as refusal:
        return {"status": "refused", "result": {"faults": [str(fault) for fault in refusal.faults]}}
    except Exception as error:
        _tell_where(error)
        return {"status": "failed", "result": {"error": type(error).__name__}}
    return {"status": "done", "result": result}


def _tell_where(error: Exception) -> None:
    """The lines of code on the way to an error, for the server's log. Its text stays out: it may hold a value."""
    for frame in traceback.extract_tb(error.__traceback__):
        print(f"  {frame.filename}, line {frame.lineno}, in {frame.name}", file=sys.stderr)  # noqa: T201
    print(f"A job failed: {type(error).__name__}", file=sys.stderr)  # noqa: T201


def _end_with_the_server() -> None:
    sys.stdin.read()
    os._exit(1)


if __name__ == "__main__":
    main()
