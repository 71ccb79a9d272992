"""A page's answer names the drawing library, which the browser then reads while it waits."""

import asyncio
from pathlib import Path

import pytest
import streamlit

from flows.early import Early

STATIC = Path(streamlit.__file__).parent / "static"


def answered(kind):
    """Return the headers of an answer of some kind."""
    said = []

    async def application(scope, receive, send):
        headers = [(b"content-type", kind)]
        await send({"type": "http.response.start", "status": 200, "headers": headers})

    async def send(message):
        said.append(message)

    asyncio.run(Early(application)({"type": "http"}, None, send))
    return dict(said[0]["headers"])


def test_a_page_names_a_file_that_this_streamlit_has():
    link = answered(b"text/html; charset=utf-8")[b"link"].decode()
    address, _, how = link.partition(">; ")
    assert how == "rel=modulepreload"
    assert (STATIC / address.removeprefix("</")).is_file()


@pytest.mark.parametrize("kind", [b"text/javascript", b"application/json"])
def test_other_answers_stay_as_they_are(kind):
    assert b"link" not in answered(kind)
