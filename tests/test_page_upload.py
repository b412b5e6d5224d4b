"""The upload route: what is taken, what is refused and what it says."""

import asyncio
import json
from dataclasses import dataclass

import pytest
from starlette.requests import Request

from app.upload import receive_photo
from qc.photo import LIMITS
from tests.page_driver import measured_cakes, store  # fixtures among them
from tests.page_scene import picture

__all__ = ["measured_cakes", "store"]  # fixtures that are used below


HOST = {"host": "shop.test:8501", "origin": "http://shop.test:8501"}


@dataclass(frozen=True)
class Answer:
    """What the route answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def error(self):
        return json.loads(self.body)["error"]


def post(query, *chunks, **headers):
    """Send a request body to the upload route, chunk by chunk, as a server would hand it on."""
    waiting = [{"type": "http.request", "body": c, "more_body": i + 1 < len(chunks)} for i, c in enumerate(chunks)]
    sent = []

    async def receive():
        return waiting.pop(0)

    async def send(message):
        sent.append(message)

    given = [(k.replace("_", "-").encode(), v.encode()) for k, v in (HOST | headers).items() if v]
    scope = {"type": "http", "method": "POST", "path": "/photo", "query_string": query.encode(), "headers": given}

    async def run():
        answer = await receive_photo(Request(scope, receive))
        await answer(scope, receive, send)

    asyncio.run(run())
    body = b"".join(m.get("body", b"") for m in sent[1:])
    return Answer(sent[0]["status"], {k.decode(): v.decode() for k, v in sent[0]["headers"]}, body)


def form(data):
    """A form's body with one file in the field `photo`."""
    head = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
    return head + data + b"\r\n--x--\r\n"


FORM = "multipart/form-data; boundary=x"


def test_a_photo_is_stored_and_its_hash_given(store):
    data = picture()
    answer = post("name=top", data[:5000], data[5000:])
    assert answer.status == 200
    assert store.photos.received(json.loads(answer.body)["sha256"]) == data


def test_a_plain_form_comes_back_to_the_page(store):
    answer = post("name=side&back=kind%3Dcream-15", form(picture()), content_type=FORM, accept="text/html")
    assert answer.status == 303
    assert answer.headers["location"].startswith("/?kind=cream-15&side=")
    bad = post("name=side", b"<b>no</b>", accept="text/html")
    assert bad.status == 422
    assert b"no JPEG, PNG or HEIC photo" in bad.body


@pytest.mark.parametrize(
    ("headers", "query", "content", "status", "words"),
    [
        ({"origin": "http://elsewhere.test"}, "name=top", b"x", 403, "own page"),
        ({"origin": ""}, "name=top", b"x", 403, "own page"),
        ({"origin": "", "sec_fetch_site": "cross-site"}, "name=top", b"x", 403, "own page"),
        ({}, "name=../x", b"x", 400, "top, side, side2"),
        ({}, "name=top", b"no photo", 422, "no JPEG, PNG or HEIC photo"),
        ({}, "name=top", b"", 422, "empty"),
        ({"content_length": str(LIMITS.max_bytes + 20_000)}, "name=top", b"x", 413, "more than"),
        ({"content_length": "-3"}, "name=top", b"x", 413, "more than"),
        ({"content_type": FORM}, "name=top", b"--x--", 400, "photo"),
        ({"content_type": "multipart/form-data"}, "name=top", b"--x--", 400, "photo"),
    ],
)
def test_what_is_refused_says_why(store, headers, query, content, status, words):
    answer = post(query, content, **headers)
    assert answer.status == status
    assert words in answer.error


def test_a_body_that_lies_about_its_size_is_cut_off(store):
    chunks = [b"\xff" * 1_000_000] * (LIMITS.max_bytes // 1_000_000 + 2)
    assert post("name=top", *chunks, content_length="10").status == 413


def test_the_page_s_own_fetch_without_origin_is_taken(store):
    assert post("name=top", picture(), origin="", sec_fetch_site="same-origin").status == 200
