"""Who may open a page. What one may not see answers like what never was: 404."""

import uuid
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import Http404, HttpRequest, HttpResponseBase
from django.http.response import HttpResponseRedirectBase
from django.shortcuts import redirect
from django.utils.http import urlencode

View = Callable[..., HttpResponseBase]


def id_or_none(text: str) -> uuid.UUID | None:
    """Return the id that a request names; None for what is no id."""
    try:
        return uuid.UUID(text)
    except ValueError:
        return None


def id_or_404(text: str) -> uuid.UUID:
    """Return the id that a request names; what is no id is answered like one that was never issued."""
    key = id_or_none(text)
    if key is None:
        raise Http404
    return key


def _sign_in(request: HttpRequest) -> HttpResponseRedirectBase:
    return redirect(f"/sign-in/?{urlencode({'next': request.get_full_path()})}")


def _guard(allowed: Callable[[Any], bool]) -> Callable[[View], View]:
    def decorate(view: View) -> View:
        @wraps(view)
        def wrapped(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            viewer = request.viewer  # type: ignore[attr-defined]
            if viewer.member_id is None:
                return _sign_in(request)
            if not allowed(viewer):
                raise Http404
            return view(request, *args, **kwargs)

        wrapped.declared_access = allowed  # type: ignore[attr-defined]
        return wrapped

    return decorate


def public(view: View) -> View:
    """Mark a page that everybody may open, each seeing what is theirs."""
    view.declared_access = None  # type: ignore[attr-defined]
    return view


signed_in = _guard(lambda viewer: True)
members_only = _guard(lambda viewer: bool(viewer.is_member))
organisers_only = _guard(lambda viewer: bool(viewer.is_organiser))
checkers_only = _guard(lambda viewer: bool(viewer.is_checker))
