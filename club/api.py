"""What every API view shares: who is calling, and who may."""

from typing import TYPE_CHECKING

from rest_framework import exceptions
from rest_framework.authentication import SessionAuthentication
from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request

from club.models import Member

if TYPE_CHECKING:  # DRF reads these classes while it loads its views
    from rest_framework.views import APIView


class ViewerAuthentication(SessionAuthentication):
    """Hand on whom the middleware found: DRF's own sign-in comes too late for row-level security.

    DRF exempts its views from Django's CSRF check, so a cookie session is checked here; a token needs none.
    """

    def authenticate(self, request: Request) -> tuple[Member, None] | None:
        if getattr(request._request, "bad_token", False):
            raise exceptions.AuthenticationFailed("This token is unknown or has been revoked.")
        member: Member | None = getattr(request._request, "member", None)
        if member is None:
            return None
        if not request.headers.get("Authorization", "").startswith("Token "):
            self.enforce_csrf(request)
        return member, None

    def authenticate_header(self, request: Request) -> str:
        return "Token"


class Anyone(BasePermission):
    """Reading is for everybody, each as exactly as they may; writing is for members."""

    def has_permission(self, request: Request, view: "APIView") -> bool:
        return request.method in SAFE_METHODS or request._request.viewer.is_member  # type: ignore[attr-defined]


class MembersOnly(BasePermission):
    """The default: a view that says nothing is for members."""

    def has_permission(self, request: Request, view: "APIView") -> bool:
        return request._request.viewer.is_member  # type: ignore[attr-defined, no-any-return]


class CheckersOnly(BasePermission):
    """Confirming is for members whom the organiser trusts with it."""

    def has_permission(self, request: Request, view: "APIView") -> bool:
        return request._request.viewer.is_checker  # type: ignore[attr-defined, no-any-return]
