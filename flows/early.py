"""Has the browser fetch and read the drawing library while the page is still being worked out."""

from __future__ import annotations

from pathlib import Path

import streamlit

from flows.door import Application, Message, Receive, Send

SCRIPTS = Path(streamlit.__file__).parent / "static" / "static" / "js"


def links() -> bytes:
    """Return what a page's answer names as soon needed; "" where this Streamlit has no such file.

    Left to itself the browser asks for it once the page names its first picture, and then reads
    its 4.7 MB while nothing else is left to do.
    """
    found = sorted(path.name for path in SCRIPTS.glob("PlotlyChart.*.js"))
    return ", ".join(f"</static/js/{name}>; rel=modulepreload" for name in found).encode()


class Early:
    """Stands before an ASGI application and adds to its pages what will be needed soon."""

    def __init__(self, application: Application) -> None:
        self._application = application
        self._links = links()

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer as the application does."""

        async def send_linked(message: Message) -> None:
            if message["type"] == "http.response.start" and self._links:
                headers = list(message.get("headers", ()))
                if any(name == b"content-type" and kind.startswith(b"text/html")
                       for name, kind in headers):  # fmt: skip
                    message["headers"] = [*headers, (b"link", self._links)]
            await send(message)

        await self._application(scope, receive, send_linked)
