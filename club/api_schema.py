"""What every operation of the API may answer, written into the OpenAPI document in one place."""

from typing import Any

_PROBLEM = {
    "type": "object",
    "description": "Why nothing was done.",
    "properties": {"detail": {"type": "string"}},
    "required": ["detail"],
}
_FIELDS = {
    "type": "object",
    "description": "What is wrong, by field; nested as the request is. Nothing was saved.",
    "additionalProperties": {},
}
_EMPTY = {"type": "string", "maxLength": 0}
_COMMON = {
    "400": ("FieldProblems", "A field or parameter is wrong, or unknown."),
    "401": ("Problem", "Nobody is signed in, or the token is unknown or revoked."),
    "403": ("Problem", "You may not, or a cookie session sent no CSRF token."),
}
_TOLD_APART = {"404": ("Problem", "There is none, or it is not for you: the answer is the same.")}
_WRITE_ONCE = {
    "404": ("Problem", "What the stored answer tells of is no longer for you."),
    "422": ("Problem", "This Idempotency-Key was sent with another request."),
}


def _answer(name: str, words: str) -> dict[str, Any]:
    return {
        "description": words,
        "content": {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}},
    }


def _is_bare(answer: dict[str, Any]) -> bool:
    """Say whether an answer was declared as some object only."""
    schema = answer.get("content", {}).get("application/json", {}).get("schema", {})
    return schema.get("type") == "object" and "properties" not in schema


def _loosen(schema: Any) -> None:
    """Make `anyOf` of alternatives that overlap: under `oneOf`, an empty text or null would fit two of them."""
    for value in schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ():
        _loosen(value)
    if isinstance(schema, dict) and ({} in schema.get("oneOf", ()) or _EMPTY in schema.get("oneOf", ())):
        schema["anyOf"] = schema.pop("oneOf")


def common_answers(result: dict[str, Any], **kwargs: Any) -> dict[str, Any]:
    """A postprocessing hook of drf-spectacular: add the answers that no view needs to name itself."""
    schemas = result.setdefault("components", {}).setdefault("schemas", {})
    _loosen(schemas)
    schemas |= {"Problem": _PROBLEM, "FieldProblems": _FIELDS}
    for path, item in result["paths"].items():
        for operation in item.values():
            if path == "/api/auth/token/":
                continue  # neither a session nor a token counts there
            keyed = any(given["name"] == "Idempotency-Key" for given in operation.get("parameters", ()))
            common = _COMMON | (_WRITE_ONCE if keyed else {})
            answers = operation["responses"]
            for status, (name, words) in (common | _TOLD_APART).items():
                declared = answers.get(status)
                if declared is None and status in common:
                    answers[status] = _answer(name, words)
                elif declared is not None and _is_bare(declared):
                    answers[status] = _answer(name, declared.get("description") or words)
            if "409" in answers and _is_bare(answers["409"]):
                answers["409"] = _answer("Problem", answers["409"].get("description") or "")
            operation["responses"] = dict(sorted(answers.items()))
    return result
