"""What records of service must hold, by law: lists of elements, read from data with its source.

An element that several laws ask for stands once in the catalogue, so that it is asked once and
stands once in a record. The words of the law decide; these lists only follow them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

Kind = Literal["text", "number", "date", "time"]
CAUTION: Final = (
    "These lists follow the federal texts named; your state, your label and your licence can ask "
    "for more."
)
TODAY: Final = "today"
DAY: Final = "served_on"  # the element that every record has


class RecordListError(ValueError):
    """The data of the lists contradicts itself."""


@dataclass(frozen=True, slots=True)
class Part:
    """Elements that stand together. With `one` they may be given several times, up to `most`."""

    key: str
    title: str
    one: str = ""
    most: int = 1

    @property
    def repeats(self) -> bool:
        """Whether its elements may be given more than once."""
        return bool(self.one)


@dataclass(frozen=True, slots=True)
class Element:
    """One thing to be recorded. A number is recorded with one of `units`, as it was written.

    `not_after` is the key of a date that this one must not lie behind, or `today`.
    """

    part: Part
    key: str
    label: str
    kind: Kind
    units: tuple[str, ...] = ()
    not_after: str = ""

    @property
    def name(self) -> str:
        """Return the name in the catalogue: `served_on`, `materials.amount`."""
        return f"{self.part.key}.{self.key}" if self.part.repeats else self.key

    def path(self, row: int = 0) -> str:
        """Return where its value stands in a record: `served_on`, `materials.0.amount`."""
        return f"{self.part.key}.{row}.{self.key}" if self.part.repeats else self.key


@dataclass(frozen=True, slots=True)
class Ask:
    """An element that a law asks for, and the paragraph that does."""

    element: Element
    required: bool
    source: str


@dataclass(frozen=True, slots=True)
class RecordList:
    """What one law asks for. With `only_when` (`in_short`: "if …") only of such applications."""

    key: str
    name: str
    title: str
    only_when: str
    in_short: str
    source: str
    kept_months: int
    kept_source: str
    asks: tuple[Ask, ...]


@dataclass(frozen=True, slots=True)
class Wanted:
    """An element, the paragraphs that ask for it, and those that will not do without it."""

    element: Element
    sources: tuple[str, ...]
    required_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Book:
    """The catalogue of elements by name, and the lists by key, both in the order of the data."""

    elements: Mapping[str, Element]
    lists: Mapping[str, RecordList]


@lru_cache(maxsize=1)
def book() -> Book:
    """Return what the data says. Raises RecordListError."""
    return read(json.loads((files("fleet") / "data/service_records.json").read_text("utf-8")))


def read(data: Mapping[str, Any]) -> Book:
    """Return what a document says; RecordListError names the place that contradicts another."""
    parts = {each["key"]: Part(**each) for each in data["parts"]}
    catalogue: dict[str, Element] = {}
    for each in data["elements"]:
        element = _element(each, parts)
        if element.name in catalogue:
            raise RecordListError(f"{element.name} stands twice among the elements.")
        catalogue[element.name] = element
    for element in catalogue.values():
        late = catalogue.get(element.not_after)
        if element.not_after not in ("", TODAY) and (late is None or late.kind != "date"):
            raise RecordListError(f"{element.name}: not_after names no date.")
    lists: dict[str, RecordList] = {}
    for each in data["lists"]:
        if each["key"] in lists:
            raise RecordListError(f"{each['key']} stands twice among the lists.")
        lists[each["key"]] = _list(each, catalogue)
    return Book(MappingProxyType(catalogue), MappingProxyType(lists))


def _element(each: Mapping[str, Any], parts: Mapping[str, Part]) -> Element:
    name = f"{each['part']}.{each['key']}"
    if each["part"] not in parts:
        raise RecordListError(f"{name}: there is no such part.")
    if each["kind"] not in get_args(Kind):
        raise RecordListError(f"{name}: the kind is one of {', '.join(get_args(Kind))}.")
    units = tuple(each.get("units", ()))
    if (each["kind"] == "number") != bool(units):
        raise RecordListError(f"{name}: numbers have units, and nothing else has.")
    not_after = each.get("not_after", "")
    return Element(parts[each["part"]], each["key"], each["label"], each["kind"], units, not_after)


def _list(each: Mapping[str, Any], catalogue: Mapping[str, Element]) -> RecordList:
    asks = []
    for ask in each["asks"]:
        if ask["element"] not in catalogue:
            raise RecordListError(f"{each['key']}: there is no element {ask['element']}.")
        if not ask["source"]:
            raise RecordListError(f"{each['key']}: {ask['element']} has no source.")
        asks.append(Ask(catalogue[ask["element"]], ask["required"], ask["source"]))
    if not any(ask.element.name == DAY and ask.required for ask in asks):
        raise RecordListError(f"{each['key']}: a record without its day cannot be kept or found.")
    order = list(catalogue.values())
    asks.sort(key=lambda ask: order.index(ask.element))
    return RecordList(**{**each, "asks": tuple(asks)})


def named(keys: Iterable[str]) -> list[RecordList]:
    """Return the lists of these keys in the order of the data; unknown ones are left out."""
    keys = set(keys)
    return [one for key, one in book().lists.items() if key in keys]


def wanted(available: Iterable[str], followed: Iterable[str]) -> list[Wanted]:
    """Return the elements of the lists available, each with what those followed say about it.

    What only a list asks for that is not followed may be recorded all the same.
    """
    followed = set(followed)
    asked: dict[str, list[tuple[RecordList, Ask]]] = {}
    for one in named(available):
        for ask in one.asks:
            asked.setdefault(ask.element.name, []).append((one, ask))
    return [
        Wanted(
            element=element,
            sources=tuple(dict.fromkeys(ask.source for _, ask in asked[name])),
            required_by=tuple(
                dict.fromkeys(
                    ask.source for one, ask in asked[name] if ask.required and one.key in followed
                )
            ),
        )
        for name, element in book().elements.items()
        if name in asked
    ]
