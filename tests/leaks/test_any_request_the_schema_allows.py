"""The whole API document, called at random as each persona: no fault, and no answer that is not documented.

Schemathesis makes the requests out of the document: what it allows, and what it does not. Half of the ids are of
things that exist. Draws are fixed (`derandomize`), so that a run says the same tomorrow; every write is undone.
"""

import os
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.core.handlers.wsgi import WSGIHandler
from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.conftest import PERSONAS
from tests.leaks.worlds import Ids, World, undone

# Of each operation, persona and kind of request.
EXAMPLES = int(os.environ.get("TALLOW_SCHEMA_EXAMPLES", "4"))
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
_fixed = settings(
    max_examples=EXAMPLES,
    derandomize=True,
    database=None,
    deadline=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture
def kept_connection() -> Iterator[None]:
    """As Django's own test client does: a request must not close the connection, which has a transaction open."""
    signals = (request_started, request_finished)
    for signal in signals:
        signal.disconnect(close_old_connections)
    yield
    for signal in signals:
        signal.connect(close_old_connections)


@pytest.mark.usefixtures("kept_connection")
@pytest.mark.parametrize("persona", PERSONAS)
def test_no_fault_and_no_answer_that_is_not_documented(ids: Ids, world: World, persona: str) -> None:
    schema = schemathesis.openapi.from_wsgi("/api/schema/?format=json", WSGIHandler())
    keys = [*ids["spots"], *ids["looks"], *ids["findings"], *ids["events"], ids["picture"], ids["water"]]
    token = world.tokens.get(persona)
    # What reads the answers does not unpack them.
    headers = {"Accept-Encoding": "identity", **({"Authorization": f"Token {token}"} if token else {})}
    problems, called = [], 0
    for found in schema.get_all_operations():
        operation = found.ok()
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):

            @_fixed
            @given(case=operation.as_strategy(generation_mode=mode), known=st.sampled_from([None, *keys]))
            def call(case: Any, known: Any) -> None:
                nonlocal called
                if known and "key" in (case.path_parameters or {}):
                    case.path_parameters["key"] = str(known)
                called += 1
                with undone():
                    answer = case.call(headers=headers)
                case.validate_response(answer, checks=CHECKS, headers=headers)

            try:
                call()
            except Unsatisfiable:
                continue  # nothing about it can be wrong
            except (Exception, BaseExceptionGroup) as problem:
                inner = getattr(problem, "exceptions", ())
                problems.append(f"{operation.label} as {persona}: {problem}\n{inner}")
    print(f"{persona}: {called} requests")
    assert not problems, "\n\n".join(problems)
    assert called > 150
