"""Tags that every template uses: numbers in the reader's units, states, form fields."""

from __future__ import annotations

import datetime
from typing import Any

from django import template
from django.forms import BoundField, CheckboxSelectMultiple
from django.template.context import Context
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from fleet import audit, measures
from fleet.queries.endings import ENDINGS

register = template.Library()

# A state is told by word, shape and colour together.
SHAPES = {
    "approved": "●",
    "due_soon": "◐",
    "expired": "■",
    "changed": "▲",
    "withdrawn": "✕",
    "untested": "○",
    "no_setup": "□",
    "met": "●",
    "overdue": "■",
    "waived": "◇",
    "not_covered": "□",
    "superseded": "◌",
    "queued": "○",
    "running": "◐",
    "done": "●",
    "analysed": "◐",
    "failed": "▲",
    "crashed": "✕",
    "accepted": "●",
    "left_out": "○",
    "unconfirmed": "◌",
    "confirmed": "●",
    "aborted": "✕",
    "valid": "●",
    "ended": "▲",
    "unknown": "○",
    "placed": "●",
    "waiting": "◐",
    "flown": "●",
    "absent": "✕",
    "cancelled": "✕",
}


def _system(context: Context) -> str:
    return str(context.get("system", "us"))


def _on_a_line(text: str) -> str:
    """Keep a number and its unit together: a no-break space between them."""
    return text.replace(" ", "\u00a0")


@register.simple_tag(takes_context=True)
def show(context: Context, value: float | None, quantity: str) -> str:
    """Write a value with its unit on the same line: {% show test.wind_speed_m_s "wind" %}."""
    return _on_a_line(measures.show(value, quantity, _system(context)))


@register.simple_tag(takes_context=True)
def beside(context: Context, value: float | None, quantity: str) -> str:
    """Write a place across the flight line by its side: "0.8 ft right"."""
    return measures.beside(value, quantity, _system(context))


@register.simple_tag(takes_context=True)
def number(context: Context, value: float | None, quantity: str) -> str:
    """Write a value without its unit."""
    return measures.number(value, quantity, _system(context))


@register.simple_tag(takes_context=True)
def unit(context: Context, quantity: str) -> str:
    """Write the unit of a quantity."""
    return measures.unit_of(quantity, _system(context))


@register.simple_tag(takes_context=True)
def said(context: Context, text: str) -> str:
    """Write a sentence of the analysis in the reader's units."""
    return measures.said(text, _system(context))


@register.filter(expects_localtime=True)
def day(moment: datetime.date | None) -> str:
    """Write a day, of a moment that on which it was here: 5 June 2026; of none nothing."""
    return f"{moment:%-d %B %Y}" if moment else ""


@register.filter
def percent(value: float | None) -> str:
    """Write a percentage: 12.3 %."""
    return measures.NOTHING if value is None else _on_a_line(f"{value:.1f} %")


@register.simple_tag
def state(code: str, words: str) -> SafeString:
    """Write a state: its shape, its word, its colour."""
    return format_html(
        '<span class="state state-{}"><span class="shape" aria-hidden="true">{}</span> {}</span>',
        code,
        SHAPES[code],
        words,
    )


# The state of `state` that an approval is drawn as, by what ended it.
APPROVALS = {"in_force": "approved", "superseded": "superseded", "retired": "no_setup"}


@register.simple_tag
def standing_of_approval(ending: str, swath: str = "") -> SafeString:
    """Write whether an approval stands today, or what ended it; with a swath."""
    words = f"{ENDINGS[ending]}: {swath}" if swath else ENDINGS[ending]
    return state(APPROVALS.get(ending, ending), words)


@register.filter
def beside_name(error: str, name: str) -> str:
    """Write an error that begins with the name of its file, where the name stands before it."""
    text = error.removeprefix(name).lstrip(",: ")
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


@register.filter
def deed_words(deed: str) -> str:
    """Write a deed of the audit trail in words."""
    return audit.DEEDS.get(deed, deed)


@register.filter
def svg(drawing: str) -> SafeString:
    """Set a drawing of `patterns.draw` into the page; its texts are escaped there."""
    return mark_safe(drawing)  # noqa: S308 -- made by patterns.draw, which escapes what it writes


@register.inclusion_tag("fleet/parts/field.html")
def field(bound: BoundField, **options: Any) -> dict[str, Any]:
    """Write one form field: label, optional mark, control, help, errors."""
    described = []
    if bound.help_text:
        described.append(f"{bound.auto_id}_help")
    if bound.errors:
        described.append(f"{bound.auto_id}_error")
    attributes = {"aria-describedby": " ".join(described)} if described else {}
    if bound.errors:
        attributes["aria-invalid"] = "true"
    several = isinstance(bound.field.widget, CheckboxSelectMultiple)
    return {
        "field": bound,
        "widget": bound.as_widget(attrs=attributes),
        "choices": bound.subwidgets if several else None,
        **options,
    }


@register.inclusion_tag("fleet/parts/exports.html", takes_context=True)
def exports(context: Context) -> dict[str, str]:
    """Write the links to the list of this page as a file, with the words of the question kept."""
    asked = context["request"].GET.copy()
    for name in ("page", "as"):
        asked.pop(name, None)
    return {"kept": f"{asked.urlencode()}&" if asked else ""}
