"""A line on the terminal that tells what a long command is doing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

DELAY_SECONDS = 2.0


@contextmanager
def progress_line() -> Iterator[Callable[[str], None]]:
    """Words for the user while a command runs: on standard error, on a terminal only, after two seconds."""
    from threading import Timer

    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda words: None
        return
    status = console.status("Working")
    timer = Timer(DELAY_SECONDS, status.start)
    timer.daemon = True
    timer.start()
    try:
        yield status.update
    finally:
        timer.cancel()
        timer.join()  # a start under way is over before the stop
        status.stop()
