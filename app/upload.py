"""The upload route: a photo is checked and stored the moment it arrives, whatever happens to the page around it.

The page sends the file as the body of `POST /photo?name=top`, or as a form with a field `photo`. The answer is the
photo's hash: as JSON, or for a plain form as a way back to the page with the hash in its address. The route stands
outside Streamlit's own upload checks, so it makes its own: same origin, size, type by content.
"""

from html import escape
from urllib.parse import parse_qsl, urlencode, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from app.shop import store
from qc.errors import CakeQCError, PhotoError
from qc.photo import LIMITS, read_photo
from qc.quantities import PHOTO_NAMES

FORM_OVERHEAD_BYTES = 10_000  # what a form adds around the file
WORDS = {"top": "The top photo", "side": "The side photo", "side2": "The second side photo"}


class _Refused(Exception):
    """A request that is not taken; carries the status and the sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


async def receive_photo(request: Request) -> Response:
    """Take one photo: 200 with its hash, or an error status with one sentence."""
    try:
        _same_origin(request)
        name = _photo_name(request)
        data = await _content(request)
        sha256 = await run_in_threadpool(_store, data, name)
    except _Refused as refused:
        return _answer(request, {"error": str(refused)}, refused.status)
    except ClientDisconnect:
        return _answer(request, {"error": "The connection was lost; send the photo again."}, 400)
    except PhotoError as error:
        return _answer(request, {"error": str(error)}, 422)
    except CakeQCError as error:
        return _answer(request, {"error": str(error)}, 503)
    return _answer(request, {"photo": name, "sha256": sha256}, 200)


def _store(data: bytes, name: str) -> str:
    read_photo(data, WORDS[name])  # refuses what is no photo, in words
    return store().photos.receive(data)


def _same_origin(request: Request) -> None:
    """Refuse what another site's page sends: the Origin's host must be the host that was asked."""
    origin = request.headers.get("origin")
    asked, fetch_site = request.headers.get("host"), request.headers.get("sec-fetch-site")
    if not (fetch_site == "same-origin" if origin is None else urlsplit(origin).netloc == asked):
        raise _Refused(403, "Photos are taken only from this shop's own page; open it and send the photo from there.")


def _photo_name(request: Request) -> str:
    name = request.query_params.get("name", "")
    if name not in PHOTO_NAMES:
        raise _Refused(400, f"A photo is called one of {', '.join(PHOTO_NAMES)}; open the page again.")
    return name


async def _content(request: Request) -> bytes:
    """The file's bytes, never more than the limit, from a bare body or from a form."""
    body = await _limited_body(request)
    if not request.headers.get("content-type", "").startswith("multipart/form-data"):
        return body
    again = Request(request.scope, _replay(body))
    try:
        async with again.form(max_files=1, max_fields=4) as form:
            file = form.get("photo")
            if not isinstance(file, UploadFile):
                raise _Refused(400, "The form came without a photo; choose one and send it again.")
            return await file.read()
    except MultiPartException as error:
        raise _Refused(400, "The form could not be read; open the page again and send the photo once more.") from error


async def _limited_body(request: Request) -> bytes:
    limit = LIMITS.max_bytes + FORM_OVERHEAD_BYTES
    too_large = _Refused(413, f"The photo has more than {LIMITS.max_bytes // 1_000_000} MB; send a smaller one.")
    declared = request.headers.get("content-length", "0")
    if not declared.isdigit() or int(declared) > limit:
        raise too_large
    parts, size = [], 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > limit:
            raise too_large
        parts.append(chunk)
    return b"".join(parts)


def _replay(body: bytes):  # type: ignore[no-untyped-def]
    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": body, "more_body": False}

    return receive


def _answer(request: Request, words: dict[str, str], status: int) -> Response:
    """JSON for the page's own script; for a plain form a way back to the page with the hash in the address."""
    if "text/html" not in request.headers.get("accept", ""):
        return JSONResponse(words, status)
    if status != 200:
        return HTMLResponse(f'<p>{escape(words["error"])}</p><p><a href="/">Back to the page</a></p>', status)
    kept = dict(parse_qsl(request.query_params.get("back", "")))
    return RedirectResponse("/?" + urlencode(kept | {words["photo"]: words["sha256"]}), 303)
