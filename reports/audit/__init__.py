"""The quarterly audit: one page that opens anywhere, and the figures it shows."""

from ._build import AuditDocument, build_audit
from ._quarter import Quarter, parse_quarter
from ._write import write_audit

__all__ = ["AuditDocument", "Quarter", "build_audit", "parse_quarter", "write_audit"]
