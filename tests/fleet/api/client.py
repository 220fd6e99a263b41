"""A client that signs in with real tokens and holds every answer against the published schema."""

from __future__ import annotations

from functools import cache
from typing import Any

from jsonschema import Draft202012Validator, FormatChecker
from rest_framework.authtoken.models import Token
from rest_framework.test import APIClient

from fleet.api.schema import ApiGenerator
from fleet.models import Person


class Client(APIClient):
    """Checks status, media type and body of every answer of the API."""

    def request(self, **kwargs: Any) -> Any:
        response = super().request(**kwargs)
        check(response, kwargs["REQUEST_METHOD"].lower())
        return response


def signed_in(person: Person) -> Client:
    client = Client()
    token, _ = Token.objects.get_or_create(user=person)
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token.key}")
    return client


@cache
def schema() -> dict[str, Any]:
    """The published schema, made readable for a validator of plain JSON Schema."""
    return _plain(ApiGenerator().get_schema(public=True))


def _plain(node: Any) -> Any:
    """OpenAPI 3.0 says `nullable` where JSON Schema lists the type "null"."""
    if isinstance(node, list):
        return [_plain(one) for one in node]
    if not isinstance(node, dict):
        return node
    plain = {name: _plain(one) for name, one in node.items()}
    if plain.pop("nullable", None) is True:
        return {"anyOf": [plain, {"type": "null"}]}
    return plain


def check(response: Any, method: str) -> None:
    """Fail when an answer is not one that the schema announces."""
    match = response.resolver_match
    if match is None or match.url_name in ("unknown", "schema") or method == "head":
        return
    template = "/" + match.route.replace("<uuid:pk>", "{id}").replace("<int:number>", "{number}")
    operation = schema()["paths"][template].get(method)
    if operation is None:
        assert response.status_code == 405, (method, template, response.status_code)
        return
    announced = operation["responses"]
    rare = response.status_code in (406, 409, 500)
    status = "default" if rare else str(response.status_code)
    assert status in announced, f"{method} {template} answered {status}: {response.content!r}"
    content = announced[status].get("content")
    if content is None:
        assert not response.content
        return
    media_type = response["Content-Type"].split(";")[0]
    assert media_type in content, f"{method} {template} answered {media_type}"
    if media_type.endswith("json"):
        _validate(response.json(), content[media_type]["schema"])


def _validate(body: Any, announced: dict[str, Any]) -> None:
    whole = {**announced, "components": schema()["components"]}
    errors = list(Draft202012Validator(whole, format_checker=FormatChecker()).iter_errors(body))
    assert not errors, [f"{list(e.absolute_path)}: {e.message[:200]}" for e in errors]
    _nothing_unannounced(body, announced)


def _nothing_unannounced(body: Any, announced: dict[str, Any]) -> None:
    """A field that goes out without being in the schema."""
    if "$ref" in announced:
        name = announced["$ref"].rsplit("/", 1)[1]
        announced = schema()["components"]["schemas"][name]
    known = announced.get("properties")
    if isinstance(body, dict) and known:
        assert set(body) <= set(known), set(body) - set(known)
        for name, inner in body.items():
            _nothing_unannounced(inner, known[name])
    if isinstance(body, list) and "items" in announced:
        for inner in body:
            _nothing_unannounced(inner, announced["items"])
