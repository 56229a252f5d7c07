"""What sessions held back mean for the wait for a next one."""

from __future__ import annotations

from collections.abc import Iterable

from pipelines.figure import Figure

from . import wording


def held_back_words(intake: Iterable[Figure]) -> str | None:
    """What to bear in mind while sessions are held back; None while there are none.

    intake: of `intake_summary`. With 2 in 100 rows of simulated files held back for planted mistakes, shares with a
    next session came out 0.4 points low at two years and 0.8 at ten (docs/trust.md).
    """
    held = sum(one.n for one in intake if one.measure == "rows_held_back" and one.group == {"record": "session"})
    if not held:
        return None
    return (
        f"{wording.counted(held, 'session')} {'is' if held == 1 else 'are'} held back. A next session among them is "
        "not seen, so shares with a next session come out too low, the more so the later the time. Have the rows "
        "mended before you rely on them."
    )
