"""A finished report within a page of the application: its content as it is, under the application's own bar."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from .context import show
from .headers import content_security_policy

_BODY = re.compile(r"<body>\n(?:<a class=\"skip\"[^\n]*\n)?(.*)</body>", re.DOTALL)
_TITLE = re.compile(r"<title>(.*?)</title>", re.DOTALL)
_STYLE = re.compile(r'\sstyle="([^"]*)"')


@dataclass(frozen=True)
class Embedded:
    """The inside of a report page. style_hashes: of its `style` attributes, which the browser is told to expect."""

    title: Markup
    content: Markup
    style_hashes: tuple[str, ...]


def embedded(page: str, links: Mapping[str, Markup] | None = None) -> Embedded:
    """What a page of `reports.page` shows, ready to stand in `<main>`.

    links: markup to set below the heading of a section, by the section's name.
    """
    body, title = _BODY.search(page), _TITLE.search(page)
    assert body is not None
    assert title is not None
    content = body[1].replace('<main id="content">', "<div>").replace("</main>", "</div>")
    for section, link in (links or {}).items():
        content = re.sub(rf'(<h2 id="{section}-heading">[^\n]*</h2>\n<div class="body">\n)', rf"\g<1>{link}\n", content)
    styles = sorted({_style_hash(style) for style in _STYLE.findall(content)})
    # the page was made by this program from templates that escape what they are given
    return Embedded(Markup(title[1]), Markup(content), tuple(styles))  # noqa: S704


def show_report(request: Request, template: str, report: Embedded, **values: Any) -> HTMLResponse:
    """A page with a report in it; the template finds it as `report`."""
    response = show(request, template, report=report, **values)
    response.headers["content-security-policy"] = content_security_policy(
        request.state.nonce, style_hashes=report.style_hashes
    )
    return response


def _style_hash(style: str) -> str:
    return f"'sha256-{b64encode(sha256(style.encode()).digest()).decode()}'"
