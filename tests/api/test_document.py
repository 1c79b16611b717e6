"""The OpenAPI document: valid, complete, and it says what every write takes."""

from typing import Any

import pytest
from django.urls import URLPattern, URLResolver, get_resolver
from openapi_spec_validator import OpenAPIV31SpecValidator

from tests.api.document import document, template_of
from tests.conftest import Cast


def test_the_document_is_valid_openapi(cast: Cast) -> None:
    assert document()["openapi"].startswith("3.1")
    assert not [str(error) for error in OpenAPIV31SpecValidator(document()).iter_errors()]


def _addresses(patterns: list[Any], before: str = "") -> list[str]:
    out = []
    for pattern in patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            out += _addresses(pattern.url_patterns, route)
        elif isinstance(pattern, URLPattern):
            out.append("/" + route)
    return out


def test_every_address_under_api_is_in_the_document(cast: Cast) -> None:
    addresses = [a for a in _addresses(get_resolver().url_patterns) if a.startswith("/api/")]
    assert len(addresses) > 10
    for address in addresses:
        if address != "/api/schema/":
            assert template_of(address.replace("<uuid:", "<")), address


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_every_write_but_signing_in_takes_an_idempotency_key(cast: Cast, method: str) -> None:
    for path, item in document()["paths"].items():
        if method in item and path != "/api/auth/token/":
            names = {given["name"] for given in item[method].get("parameters", ())}
            assert "Idempotency-Key" in names, f"{method} {path}"
            assert "422" in item[method]["responses"], f"{method} {path}"


def test_operations_have_names_of_their_own(cast: Cast) -> None:
    names = [operation["operationId"] for item in document()["paths"].values() for operation in item.values()]
    assert len(names) == len(set(names))
