"""`POST /api/auth/token/`: a username and a password for a token."""

from typing import Any

import pytest
from django.test import Client

from club.models import ApiToken, digest
from club.sign_in import PER_NAME
from tests.conftest import Cast


def ask(username: str, password: str, client: Client | None = None, **more: Any) -> Any:
    form = {"username": username, "password": password}
    return (client or Client()).post("/api/auth/token/", form, "application/json", **more)


def test_the_token_answers_for_its_member(cast: Cast) -> None:
    answer = ask("member", "tallow-member")
    assert answer.status_code == 200 and list(answer.json()) == ["token"]
    token = answer.json()["token"]
    assert ApiToken.objects.get(token_digest=digest(token)).member == cast.member
    script = Client(headers={"Authorization": f"Token {token}"})
    assert "member, member" in script.get("/account/").content.decode()


def test_a_form_does_as_well_as_json(cast: Cast) -> None:
    answer = Client().post("/api/auth/token/", {"username": "member", "password": "tallow-member"})
    assert answer.status_code == 200


def test_every_wrong_pair_gets_the_same_answer(cast: Cast) -> None:
    answers = [ask("member", "wrong"), ask("no-such-name", "wrong")]
    assert {answer.status_code for answer in answers} == {400}
    assert answers[0].content == answers[1].content
    assert not ApiToken.objects.exists()


@pytest.mark.parametrize(
    "body", ["", "{}", '{"username": "member"}', "[]", '{"username": 3, "password": null}', "{"]
)
def test_a_broken_request_is_a_400_and_not_a_fault(cast: Cast, body: str) -> None:
    assert Client().post("/api/auth/token/", body, "application/json").status_code == 400


def test_page_and_api_share_the_wait(cast: Cast) -> None:
    for n in range(PER_NAME):
        if n % 2:
            ask("member", "wrong")
        else:
            Client().post("/sign-in/", {"username": "member", "password": "wrong"})
    answer = ask("member", "tallow-member")
    assert answer.status_code == 429 and int(answer.headers["Retry-After"]) > 0
    assert not ApiToken.objects.exists()


def test_no_session_is_started_and_none_is_used(cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.rival)
    answer = ask("member", "tallow-member", client)
    assert answer.status_code == 200
    assert ApiToken.objects.get().member == cast.member
    fresh = Client()
    ask("member", "tallow-member", fresh)
    assert not fresh.cookies


def test_a_dead_token_in_the_header_does_not_stand_in_the_way(cast: Cast) -> None:
    assert ask("member", "tallow-member", headers={"Authorization": "Token revoked"}).status_code == 200


def test_the_schema_documents_it(cast: Cast) -> None:
    schema = Client().get("/api/schema/?format=json").json()
    post = schema["paths"]["/api/auth/token/"]["post"]
    assert set(post["responses"]) == {"200", "400", "403", "429"}
    assert "security" not in post
    assert schema["components"]["securitySchemes"]["token"]["name"] == "Authorization"
