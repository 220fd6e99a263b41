"""A signed-in browser of the tests, and what a page says in one line."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.models import Person

HTMX = {"HTTP_HX_REQUEST": "true"}


def signed_in(person: Person) -> Client:
    client = Client()
    client.force_login(person)
    return client


def queries_of(client: Client, address: str) -> int:
    """How many queries a page asks."""
    client.get(address)  # whatever is looked up once for a whole process
    with CaptureQueriesContext(connection) as asked:
        assert client.get(address).status_code == 200
    return len(asked)


def words_of(answer: Any) -> str:
    """The words of a page without its tags."""
    text = re.sub(r"<(script|svg)\b.*?</\1>", " ", answer.content.decode(), flags=re.S)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", text)).split())
