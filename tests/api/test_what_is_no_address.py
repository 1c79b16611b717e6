"""An address of the API that is none answers in the API's own JSON; a page's with a page."""

import pytest
from django.test import Client

from tests.conftest import Cast

pytestmark = pytest.mark.django_db


def test_a_malformed_id_and_one_never_issued_answer_alike(cast: Cast) -> None:
    never = Client().get("/api/spots/2b1f1c3e-6a53-4a57-9a0a-0e7a5f0f9d11/")
    for path in ("/api/spots/no-id/", "/api/nothing/", "/api/pictures/no-id/annotations/"):
        answer = Client().get(path)
        assert (
            (answer.status_code, answer.content)
            == (never.status_code, never.content)
            == (404, answer.content)
        )
        assert answer["Content-Type"] == never["Content-Type"]
    assert Client().get("/spots/no-id/")["Content-Type"].startswith("text/html")
