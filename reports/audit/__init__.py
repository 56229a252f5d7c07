"""The quarterly audit: one page that opens anywhere, its print, and the figures and tables it shows."""

from ._build import AuditDocument, build_audit
from ._comments import Comments, parse_comments, read_comments
from ._quarter import Quarter, last_complete_quarter, parse_quarter
from ._write import FIGURES_FILE, FILES, PAGE_FILE, PDF_FILE, TABLES_FILE, write_audit

__all__ = [
    "FIGURES_FILE",
    "FILES",
    "PAGE_FILE",
    "PDF_FILE",
    "TABLES_FILE",
    "AuditDocument",
    "Comments",
    "Quarter",
    "build_audit",
    "last_complete_quarter",
    "parse_comments",
    "parse_quarter",
    "read_comments",
    "write_audit",
]
