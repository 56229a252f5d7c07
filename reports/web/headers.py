"""What every answer tells the browser: take nothing from elsewhere, show this nowhere else, keep nothing."""

from __future__ import annotations

import secrets
from collections.abc import Sequence

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_ALWAYS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
_YEAR_SECONDS = 31_536_000


def content_security_policy(nonce: str, *, style_hashes: Sequence[str] = ()) -> str:
    """Only own style and script that carry this answer's nonce; nothing else, from nowhere else.

    style_hashes: of the `style` attributes of a report that is shown within a page, as `'sha256-...'`.
    """
    attributes = f"'unsafe-hashes' {' '.join(style_hashes)}" if style_hashes else "'none'"
    return "; ".join(
        (
            "default-src 'none'",
            "object-src 'none'",
            f"script-src 'nonce-{nonce}'",
            f"style-src 'nonce-{nonce}'",
            f"style-src-attr {attributes}",
            "img-src 'self' data:",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    )


class SecurityHeaders:
    """Adds them to every answer, whoever made it; hands each request the nonce of its answer."""

    def __init__(self, app: ASGIApp, is_secure: bool) -> None:
        self.app, self.is_secure = app, is_secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        nonce = secrets.token_urlsafe(16)
        scope.setdefault("state", {})["nonce"] = nonce

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _ALWAYS.items():
                    headers[name] = value
                headers.setdefault("content-security-policy", content_security_policy(nonce))
                headers.setdefault("cache-control", "no-store")
                if self.is_secure:
                    headers["strict-transport-security"] = f"max-age={_YEAR_SECONDS}; includeSubDomains"
            await send(message)

        await self.app(scope, receive, send_with_headers)
