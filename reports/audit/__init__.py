"""The quarterly audit: one page that opens anywhere, its print, and the figures and tables it shows."""

from ._build import AuditDocument, build_audit
from ._comments import Comments, parse_comments, read_comments
from ._quarter import Quarter, parse_quarter
from ._write import write_audit

__all__ = [
    "AuditDocument",
    "Comments",
    "Quarter",
    "build_audit",
    "parse_comments",
    "parse_quarter",
    "read_comments",
    "write_audit",
]
