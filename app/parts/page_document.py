"""The style sheet and the script of the pages, put into the document before it is sent.

Sent as elements of a page they would arrive a second late: what a person already sees would
move and change its contrast, and what they already touch would not answer.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

WEB = Path(__file__).parent / "web"
STYLE = (WEB / "page.css").read_text(encoding="utf-8")
SCRIPT = (WEB / "page.js").read_text(encoding="utf-8")
# At the end: rules of equal weight that come before it give way.
BEFORE = b"</body>"
# A document that is asked for is sent whole and plain, so that it can be added to.
PUT_ASIDE = (b"accept-encoding", b"if-none-match", b"if-modified-since")


class PageDocument:
    """Middleware that adds the style sheet and the script to each document.

    Parameters
    ----------
    app : ASGIApp
        What answers the request.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request; what is no document passes as it is."""
        if scope["type"] != "http" or "text/html" not in Headers(scope=scope).get("accept", ""):
            await self.app(scope, receive, send)
            return
        headers = [(name, value) for name, value in scope["headers"] if name not in PUT_ASIDE]
        await self.app({**scope, "headers": headers}, receive, _Completed(send))


class _Completed:
    """Sends an answer on; holds a document back until it is whole."""

    def __init__(self, send: Send) -> None:
        self.send = send
        self.start: Message | None = None
        self.body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start" and _is_document(message):
            self.start = message
        elif self.start is None or message["type"] != "http.response.body":
            await self.send(message)
        else:
            self.body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._finish(self.start)

    async def _finish(self, start: Message) -> None:
        ours = f"<style>\n{STYLE}</style>\n<script>\n{SCRIPT}</script>\n".encode()
        body = self.body.replace(BEFORE, ours + BEFORE, 1)
        headers = MutableHeaders(raw=start["headers"])
        headers["content-length"] = str(len(body))
        # These tell versions of the document without our additions apart.
        for name in ("etag", "last-modified"):
            del headers[name]
        await self.send(start)
        await self.send({"type": "http.response.body", "body": body})


def _is_document(start: Message) -> bool:
    return Headers(raw=start["headers"]).get("content-type", "").startswith("text/html")
