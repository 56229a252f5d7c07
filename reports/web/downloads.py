"""Files handed to a browser: always to be kept, never to be run or shown by it."""

from __future__ import annotations

from fastapi import Response


def sent(content: bytes, name: str, media_type: str = "application/octet-stream") -> Response:
    """An answer that the browser keeps as a file. name: one of our own making, plain letters, digits, `-`, `_`, `.`."""
    return Response(content, media_type=media_type, headers={"content-disposition": f'attachment; filename="{name}"'})
