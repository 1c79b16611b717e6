"""Calls to the API that are checked against its own OpenAPI document, every one.

The document is taken at its word: a status, a content type or a property that it does not declare fails.
"""

import json
import re
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from django.test import Client
from jsonschema import Draft202012Validator, FormatChecker


@cache
def document() -> dict[str, Any]:
    """The document as the site serves it."""
    answer = Client().get("/api/schema/?format=json")
    assert answer.status_code == 200
    made: dict[str, Any] = json.loads(answer.content)
    return made


def _closed(schema: Any) -> Any:
    """Return the schema with undeclared properties refused."""
    if isinstance(schema, list):
        return [_closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    out = {name: _closed(item) for name, item in schema.items()}
    if out.get("type") == "object" and "properties" in out:
        out.setdefault("additionalProperties", False)
    return out


@cache
def _components() -> dict[str, Any]:
    closed: dict[str, Any] = _closed(deepcopy(document()["components"]))
    return closed


def template_of(path: str) -> str:
    """Return the document's path that a request's path belongs to."""
    fits = [
        template
        for template in document()["paths"]
        if re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", template), path)
    ]
    # `/api/spots/{key}/` and a fixed address may both fit: the one with fewer holes is meant.
    assert fits, f"{path} is not in the document"
    return min(fits, key=lambda template: template.count("{"))


def check(method: str, path: str, answer: Any) -> Any:
    """Check one answer against the document and return its JSON."""
    operation = document()["paths"][template_of(path)][method]
    declared = operation["responses"].get(str(answer.status_code))
    assert declared, f"{method} {path}: {answer.status_code} is not declared: {answer.content[:300]!r}"
    kind = answer.headers["Content-Type"].split(";")[0]
    assert kind in declared["content"], f"{method} {path} {answer.status_code}: {kind} is not declared"
    body = json.loads(answer.content)
    schema = {**_closed(declared["content"][kind]["schema"]), "components": _components()}
    Draft202012Validator(schema, format_checker=FormatChecker()).validate(body)
    return body


@dataclass
class Api:
    """A caller of the API. `seen` collects what was called, as (method, path template, status)."""

    client: Client
    headers: dict[str, str] = field(default_factory=dict)
    seen: set[tuple[str, str, int]] = field(default_factory=set)

    def get(self, path: str, status: int = 200) -> Any:
        return self._called("get", path, self.client.get(path, headers=self.headers), status)

    def post(self, path: str, body: Any = None, status: int = 201, **headers: str) -> Any:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        answer = self.client.post(
            path, json.dumps(body or {}), content_type="application/json", headers={**self.headers, **named}
        )
        self.last = answer
        return self._called("post", path, answer, status)

    def _called(self, method: str, path: str, answer: Any, status: int) -> Any:
        bare = path.partition("?")[0]
        body = check(method, bare, answer)
        assert answer.status_code == status, f"{method} {path}: {answer.status_code} {answer.content[:500]!r}"
        self.seen.add((method, template_of(bare), status))
        return body


ApiOf = Callable[..., Api]
