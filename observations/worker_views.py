"""`/sw.js`: the service worker, told which files the kept log page is made of."""

import hashlib
import json

from django.http import HttpResponse
from django.templatetags.static import static
from django.views.decorators.http import require_safe

from club.access import public
from club.viewer import ViewedRequest

_STYLES = ("tokens", "base", "frame", "controls", "components", "rows", "figures", "log", "on-the-water",
           "offline")  # fmt: skip
_SCRIPTS = ("ui", "store", "outbox", "outbox-page", "outbox-member", "log-form", "log", "black-out", "camera-check",
            "position", "offline", "offline-here", "offline-sketch")  # fmt: skip
_FONTS = ("serif/source-serif-4-latin-600-normal", "serif/source-serif-4-latin-400-italic",
          "sans/source-sans-3-latin-400-normal", "sans/source-sans-3-latin-600-normal")  # fmt: skip
_IMAGES = ("plumb.svg", "chevron.svg", "hatch.svg", "plumb-192.png")


def kept_files() -> list[str]:
    """Return the addresses of everything the kept page loads. A script that another imports goes by its plain name."""
    names = [f"css/{name}.css" for name in _STYLES] + [f"js/{name}.js" for name in _SCRIPTS]
    names += [f"fonts/{name}.woff2" for name in _FONTS] + [f"img/{name}" for name in _IMAGES]
    names.append("tallow.webmanifest")
    plain = [static("js/worker.js").rsplit("/", 1)[0] + f"/{name}.js" for name in _SCRIPTS]
    return sorted({*(static(name) for name in names), *plain})


@public
@require_safe
def service_worker(request: ViewedRequest) -> HttpResponse:
    """Send the service worker. It changes, and is fetched anew by browsers, when any of its files does."""
    files = kept_files()
    worker = static("js/worker.js")
    version = hashlib.sha256(json.dumps([files, worker]).encode()).hexdigest()[:12]
    told = f"self.VERSION = {json.dumps(version)};\nself.KEPT = {json.dumps(files)};\n"
    text = f"{told}importScripts({json.dumps(worker)});\n"
    return HttpResponse(
        text, content_type="text/javascript; charset=utf-8", headers={"Cache-Control": "no-cache"}
    )
