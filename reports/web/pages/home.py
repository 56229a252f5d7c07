"""The first page: what this account can do here."""

from __future__ import annotations

from fastapi import Request, Response

from ..access import Pages
from ..context import show

pages = Pages()


@pages.get("/", task="home", what="First page", logged=False)
def home(request: Request) -> Response:
    """The tasks of the role."""
    return show(request, "home.html")
