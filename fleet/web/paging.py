"""Fifty rows a page unless said, and the words of the question kept in the links."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Page, Paginator
from django.http import HttpRequest

PER_PAGE = 50


def page_of(request: HttpRequest, rows: Any, per_page: int = PER_PAGE) -> Page[Any]:
    """Return the page that was asked for (the nearest one when there is no such page)."""
    page = Paginator(rows, per_page).get_page(request.GET.get("page"))
    kept = request.GET.copy()
    kept.pop("page", None)
    page.kept = kept.urlencode()  # type: ignore[attr-defined] -- read by parts/pages.html
    return page
