"""What the director says to a quarter's audit, section by section, until it is signed."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from registry.errors import Fault, GraftledgerError

from ..audit import Comments, parse_comments
from .state import open_state, stamp

PREFACE = "preface"
LONGEST_COMMENT = 5_000


def kept_comments(folder: Path, quarter: str) -> dict[str, str]:
    """The words by section."""
    with open_state(folder) as state:
        rows = state.execute("select section, words from comments where quarter = ? order by section", [quarter])
        return {row["section"]: row["words"] for row in rows}


def keep_comment(folder: Path, quarter: str, section: str, words: str, written_by: str) -> None:
    """Keep a comment in place of the one before; empty words take it away.

    Raises: GraftledgerError where it is too long or would begin a section of its own.
    """
    words = words.replace("\r\n", "\n").strip()
    if len(words) > LONGEST_COMMENT:
        raise GraftledgerError(Fault(f"a comment has at most {LONGEST_COMMENT:,} signs.", field="words"))
    if parse_comments(words).sections:
        raise GraftledgerError(
            Fault("a line that begins with # would be a heading.", field="words", mend="Write it otherwise.")
        )
    with open_state(folder) as state:
        if words:
            state.execute(
                "insert or replace into comments values (?, ?, ?, ?, ?)",
                [quarter, section, words, written_by, stamp()],
            )
        else:
            state.execute("delete from comments where quarter = ? and section = ?", [quarter, section])


def audit_comments(folder: Path, quarter: str) -> Comments:
    """The comments as the audit takes them."""
    kept = {section: parse_comments(words).preface for section, words in kept_comments(folder, quarter).items()}
    return Comments(kept.pop(PREFACE, ()), kept)


def comments_digest(folder: Path, quarter: str) -> str:
    """Tells one state of the comments from another."""
    return sha256(repr(sorted(kept_comments(folder, quarter).items())).encode()).hexdigest()[:16]
