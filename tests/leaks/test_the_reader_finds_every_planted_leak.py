"""A leak of each kind, planted: the suite's own reader must report it, in the channel where it was planted.

The plant is a middleware of this test alone; the site is otherwise as it is.
"""

import base64
import io
import logging
from collections.abc import Callable, Iterator
from typing import Any, ClassVar

import pytest
from django.core.mail import send_mail
from django.db import transaction
from django.http import (
    FileResponse,
    HttpRequest,
    HttpResponse,
    HttpResponseRedirect,
    JsonResponse,
    StreamingHttpResponse,
)
from django.test import Client
from PIL import Image, PngImagePlugin
from PIL.ExifTags import GPS, IFD

from observations import jobs
from tests.leaks.canaries import CANARIES
from tests.leaks.positions import finds
from tests.leaks.reading import ask

PRIVATE = CANARIES["private"]
AT = f"{PRIVATE.lat} {PRIVATE.lon}"
log = logging.getLogger("spots.anything")
Leak = Callable[[HttpResponse], Any]


class Plant:
    """The middleware: it lets the site answer, and then does what a careless programmer did."""

    leak: ClassVar[Leak]

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> Any:
        return type(self).leak(self.get_response(request))


def adding(act: Callable[[HttpResponse], object]) -> Leak:
    def leak(response: HttpResponse) -> HttpResponse:
        act(response)
        return response

    return leak


def answering(make: Callable[[], Any]) -> Leak:
    return lambda response: make()


def raising(response: HttpResponse) -> HttpResponse:
    raise ValueError(f"no zone at {AT}")


def caught(response: HttpResponse) -> None:
    try:
        raising(response)
    except ValueError:
        log.exception("a spot was not saved")


def png() -> HttpResponse:
    out, info = io.BytesIO(), PngImagePlugin.PngInfo()
    info.add_text("Comment", AT, zip=True)
    Image.new("RGB", (8, 8)).save(out, "PNG", pnginfo=info)
    return HttpResponse(out.getvalue(), content_type="image/png")


def jpeg() -> HttpResponse:
    out, exif = io.BytesIO(), Image.Exif()
    gps = exif.get_ifd(IFD.GPSInfo)
    gps[GPS.GPSLatitudeRef], gps[GPS.GPSLatitude] = "N", (45.0, 1.0, 57.7812)
    Image.new("RGB", (8, 8)).save(out, "JPEG", exif=exif)
    return HttpResponse(out.getvalue(), content_type="image/jpeg")


def streamed() -> Iterator[bytes]:
    # Cut in the middle of the number: only the whole says it.
    yield b"lat,lon\n45.03"
    yield b"2717,-93.28"
    yield b"7531\n"


PLANTS: dict[str, tuple[str, Leak]] = {
    "a page": ("answer", answering(lambda: HttpResponse(f"<p data-at='{AT}'>"))),
    "JSON": ("answer", answering(lambda: JsonResponse({"at": [PRIVATE.lon, PRIVATE.lat]}))),
    "a name in JSON": ("answer", answering(lambda: JsonResponse({"near": PRIVATE.name}))),
    "a note in a page": ("answer", answering(lambda: HttpResponse(f"<td>{PRIVATE.words[0]}</td>"))),
    "GPX": ("answer", answering(lambda: HttpResponse(f'<wpt lat="{PRIVATE.lat}" lon="{PRIVATE.lon}"/>'))),
    "a stream": ("answer", answering(lambda: StreamingHttpResponse(streamed()))),
    "a file": ("answer", answering(lambda: FileResponse(io.BytesIO(AT.encode()), filename="spots.csv"))),
    "a file's name": (
        "answer",
        answering(lambda: FileResponse(io.BytesIO(b"-"), filename=f"{PRIVATE.lat}.gpx")),
    ),
    "text in a PNG": ("answer", answering(png)),
    "EXIF of a JPEG": ("answer", answering(jpeg)),
    "a header": ("answer", adding(lambda response: response.headers.__setitem__("X-Near", AT))),
    "an ETag": (
        "answer",
        adding(
            lambda response: response.headers.__setitem__("ETag", f'"{base64.b64encode(AT.encode()).decode()}"')
        ),
    ),
    "a redirect": ("answer", answering(lambda: HttpResponseRedirect(f"/?at={PRIVATE.lat},{PRIVATE.lon}"))),
    "a compressed page": ("answer", answering(lambda: HttpResponse(f"<p>{AT}</p>" + "<p>much more</p>" * 50))),
    "a cookie": ("cookies", adding(lambda response: response.set_cookie("last", AT))),
    **{
        f"an error page, {status}": (
            "answer",
            answering(lambda status=status: HttpResponse(f"nothing at {AT}", status=status)),
        )
        for status in (400, 403, 404, 409, 500)
    },
    "an exception that nobody caught": ("log", raising),
    "an exception that was logged": ("log", adding(caught)),
    "a line of debugging": ("log", adding(lambda response: log.debug("saved %s", AT))),
    "a field of a line": ("log", adding(lambda response: log.info("saved", extra={"point": AT}))),
    "a task": ("queue", adding(lambda response: jobs.refresh_due.delay(AT))),
    "a task after the commit": (
        "queue",
        adding(lambda response: transaction.on_commit(lambda: jobs.refresh_due.delay(limit=AT))),
    ),
    "a mail": ("mail", adding(lambda response: send_mail("A new spot", AT, None, ["rival@club.example"]))),
}  # fmt: skip


@pytest.fixture
def planted(settings: Any, client_of: Callable[..., Client]) -> Callable[[Leak], Client]:
    def plant(leak: Leak) -> Client:
        made = type("Planted", (Plant,), {"leak": staticmethod(leak)})
        globals()["Planted"] = made
        settings.MIDDLEWARE = [*settings.MIDDLEWARE, f"{__name__}.Planted"]
        client = client_of("rival", raise_request_exception=False, headers={"Accept-Encoding": "gzip"})
        return client

    return plant


@pytest.mark.parametrize("name", PLANTS)
def test_a_planted_leak_is_reported(name: str, planted: Callable[[Leak], Client]) -> None:
    channel, leak = PLANTS[name]
    got = ask(planted(leak), "/waters/")
    assert finds(got.channels[channel], PRIVATE), (name, got.channels[channel][:300])
    if name == "a compressed page":
        assert b"Content-Encoding: gzip" in got.answer


def test_without_a_plant_nothing_is_reported(planted: Callable[[Leak], Client]) -> None:
    got = ask(planted(lambda response: response), "/waters/")
    assert got.status == 200
    assert not any(finds(content, PRIVATE) for content in got.channels.values())
