"""`POST /api/auth/token/`: a token for scripts, against a username and a password."""

from typing import Any

from django.conf import settings
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.parsers import FormParser, JSONParser, MultiPartParser
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from club.models import ApiToken
from club.sign_in import WRONG, TooManyAttempts, WrongCredentials, address_of, check_sign_in
from club.viewer import viewer_of, viewing

# Said only to who knew the password.
NEEDS_PAGE = "This account has a second factor: make a token on its account page, in a browser."


class ViewerScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """How the schema describes `club.api.ViewerAuthentication`: a session's cookie or a token."""

    target_class = "club.api.ViewerAuthentication"
    name = ["session", "token"]

    def get_security_definition(self, auto_schema: Any) -> list[dict[str, str]]:
        return [
            {"type": "apiKey", "in": "cookie", "name": settings.SESSION_COOKIE_NAME},
            {
                "type": "apiKey",
                "in": "header",
                "name": "Authorization",
                "description": "The word Token, a space and a token from the account page or /api/auth/token/.",
            },
        ]


class CredentialsSerializer(serializers.Serializer):  # type: ignore[type-arg]
    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=1000, trim_whitespace=False, style={"input_type": "password"})


class TokenSerializer(serializers.Serializer):  # type: ignore[type-arg]
    token = serializers.CharField(help_text="Send it as `Authorization: Token …`. It is not shown again.")


class ProblemSerializer(serializers.Serializer):  # type: ignore[type-arg]
    detail = serializers.CharField()


class RefusedSerializer(serializers.Serializer):  # type: ignore[type-arg]
    """`detail`, or what is wrong with a field."""

    detail = serializers.CharField(required=False)
    username = serializers.ListField(child=serializers.CharField(), required=False)
    password = serializers.ListField(child=serializers.CharField(), required=False)
    non_field_errors = serializers.ListField(child=serializers.CharField(), required=False)


class TokenView(APIView):
    """Make a token. The member sees and revokes it on their account page."""

    # Neither a session nor a token counts here, so no cookie can be abused and no CSRF check is needed.
    authentication_classes = []
    permission_classes = [AllowAny]
    parser_classes = [JSONParser, FormParser, MultiPartParser]

    @extend_schema(
        operation_id="auth_token_create",
        tags=["auth"],
        auth=[],
        request=CredentialsSerializer,
        responses={
            200: TokenSerializer,
            400: OpenApiResponse(RefusedSerializer, "A wrong username or password; it is not said which."),
            403: OpenApiResponse(
                ProblemSerializer, "The account has a second factor: make a token on its page."
            ),
            429: OpenApiResponse(ProblemSerializer, "Too many failed attempts; see Retry-After."),
        },
    )
    def post(self, request: Request) -> Response:
        given = CredentialsSerializer(data=request.data)
        given.is_valid(raise_exception=True)
        username, password = given.validated_data["username"], given.validated_data["password"]
        asked = request._request
        moment = asked.moment  # type: ignore[attr-defined]
        try:
            member = check_sign_in(username, password, address_of(asked), moment)
        except WrongCredentials:
            return Response({"detail": WRONG}, status=400)
        except TooManyAttempts as wait:
            return Response({"detail": wait.words}, status=429, headers={"Retry-After": str(wait.seconds)})
        if member.second_factor_since:
            return Response({"detail": NEEDS_PAGE}, status=403)
        with viewing(viewer_of(member), moment):
            token = ApiToken.issue(member, "made by a script")[1]
        return Response({"token": token})
