"""Commands of graftledger carried out in forked children, each under a fault of the system.

Run as a program of its own, which imports everything once, so that a command begins at once. It reads one order a line
as JSON and answers with one line: `exit` code, what was written to `out` and `err`.

largest_file_bytes: no file may grow beyond this, as on a disk that is full; null for no limit.
A child has no privileges, so that the modes of files and folders bind it even where root runs the tests.
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import sys
import tempfile
import traceback
from typing import Any

import pipelines.held_back
import pipelines.patients  # noqa: F401  (imported for the children)
from pipelines.intake.validation import make_validator
from reports.command_line import app

_CAPABILITIES_VERSION = 0x20080522


def give_up_privileges() -> None:
    """On Linux, have the process give up every capability. Raises: OSError where it cannot."""
    header, none = (ctypes.c_uint32 * 2)(_CAPABILITIES_VERSION, 0), (ctypes.c_uint32 * 6)()
    if ctypes.CDLL(None, use_errno=True).capset(header, none):
        raise OSError(ctypes.get_errno(), "the capabilities could not be given up")


def carry_out(order: dict[str, Any], out: int, err: int) -> None:
    """Carry out a command in the child; never returns."""
    os.dup2(out, 1)
    os.dup2(err, 2)
    code = 70
    try:
        if sys.platform == "linux":
            give_up_privileges()
        if (limit := order["largest_file_bytes"]) is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        tempfile.tempdir = None  # to be looked for again
        app(order["arguments"])
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def answer(order: dict[str, Any]) -> dict[str, Any]:
    reading_out, out = os.pipe()
    reading_err, err = os.pipe()
    process = os.fork()
    if not process:
        carry_out(order, out, err)
    os.close(out)
    os.close(err)
    with os.fdopen(reading_out) as written, os.fdopen(reading_err) as refused:
        texts = {"out": written.read(), "err": refused.read()}
    _, status = os.waitpid(process, 0)
    return {"exit": os.waitstatus_to_exitcode(status), **texts}


if __name__ == "__main__":
    make_validator()
    for line in sys.stdin:
        result = json.dumps(answer(json.loads(line)))
        sys.stdout.write(result + "\n")
        sys.stdout.flush()
