"""Style and script: read once, named by their content, so that a browser may keep them and never shows an old one."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from importlib.resources import files

_KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".txt": "text/plain"}
_FILES = {
    "report.css": "reports.page/templates/style.css",
    "web.css": "reports.web/static/web.css",
    "htmx.min.js": "reports.web/static/htmx.min.js",
    "htmx.LICENSE.txt": "reports.web/static/htmx.LICENSE.txt",
}
"""Name in an address: package and path. The style of the reports is that of the application."""


@cache
def static_file(name: str) -> tuple[bytes, str] | None:
    """Content and media type; None where there is no such file. The name is looked up, never taken for a path."""
    if name not in _FILES:
        return None
    package, _, path = _FILES[name].partition("/")
    return (files(package) / path).read_bytes(), _KINDS[name[name.rindex(".") :]]


@cache
def static_address(name: str) -> str:
    """The address of a file, with a mark of its content."""
    found = static_file(name)
    assert found is not None, name
    return f"/static/{name}?v={sha256(found[0]).hexdigest()[:12]}"
