"""The columns of a list of members and fleet, by the headings that people write over them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fleet.importing.faults import SheetError


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a row may say: its heading in the template, and how else it may be called."""

    heading: str
    called: tuple[str, ...] = ()
    most: int = 0  # characters, of a text


# Names as `key_of` writes them; common practice, no source.
COLUMNS: Mapping[str, Field] = {
    "operator": Field(
        "operator",
        ("operator name", "name", "company", "business", "member", "company name", "member name"),
        120,
    ),
    "base": Field("base", ("home base", "airfield", "town", "home airport", "location"), 120),
    "base_latitude_deg": Field(
        "base latitude", ("latitude", "lat", "latitude of the home base", "latitude of the base")
    ),
    "base_longitude_deg": Field(
        "base longitude",
        ("longitude", "lon", "long", "lng", "longitude of the home base", "longitude of the base"),
    ),
    "jurisdiction": Field("jurisdiction", ("state", "home state", "authority", "province"), 80),
    "email": Field(
        "operator e-mail",
        ("operator email", "e-mail", "email", "e mail", "mail", "email address", "e-mail address"),
        254,
    ),
    "phone": Field("phone", ("telephone", "tel", "phone number", "mobile", "cell"), 40),
    "membership": Field(
        "membership kind", ("membership", "member kind", "membership type", "member type")
    ),
    "joined_on": Field(
        "joined on", ("joined", "date joined", "member since", "join date", "joining date")
    ),
    "registration": Field(
        "registration", ("reg", "tail number", "tail", "tail no", "reg no", "aircraft"), 20
    ),
    "make": Field("make", ("manufacturer", "aircraft make"), 60),
    "model": Field("model", ("type", "aircraft model", "aircraft type"), 60),
    "kind": Field("kind", ("aircraft kind", "category", "kind of aircraft")),
    "span_m": Field(
        "span",
        ("wingspan", "wing span", "rotor diameter", "wingspan or rotor diameter", "rotor"),
    ),
    "retired_on": Field(
        "out of service since", ("retired on", "retired", "out of service", "retired since")
    ),
}
UNITS: Mapping[str, str] = {
    "ft": "ft", "feet": "ft", "foot": "ft", "m": "m", "metre": "m", "metres": "m", "meter": "m",
    "meters": "m",
}  # fmt: skip
MOST_ROWS_ABOVE = 20  # a title and remarks may stand above the headings

_BY_NAME = {
    name: field for field, of in COLUMNS.items() for name in (of.heading, field, *of.called)
}


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a file: where it stands, what it is called there, what it means."""

    place: int
    said: str
    field: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Headings:
    """The row of headings: its index, the columns that are read, and those that are not."""

    index: int
    columns: tuple[Heading, ...]
    unread: tuple[str, ...]


def key_of(said: object) -> tuple[str, str]:
    """Return a heading as `COLUMNS` writes it, and the unit that it names ("" for none)."""
    text = unicodedata.normalize("NFKC", str(said or "")).casefold().replace("_", " ")
    words = re.sub(r"[^\w\- ]+", " ", text).split()
    unit = ""
    if len(words) > 1 and words[-1] in UNITS:
        unit = UNITS[words.pop()]
    if len(words) > 1 and words[-1] in ("deg", "degrees"):  # of latitude and longitude
        words.pop()
    return " ".join(words), unit


def known(cells: Sequence[object]) -> int:
    """Return how many cells of a row are headings."""
    return sum(key_of(cell)[0] in _NAMES for cell in cells)


def find(rows: Sequence[Sequence[object]]) -> Headings:
    """Find the row of headings and what each column means. Raises SheetError."""
    above = rows[: MOST_ROWS_ABOVE + 1]
    best = max(range(len(above)), key=lambda index: (known(above[index]), -index), default=None)
    if best is None or known(above[best]) == 0:
        raise SheetError(
            "No row of headings was found.",
            f"Write in the first row what the columns are: {_usual()}.",
        )
    columns: list[Heading] = []
    unread: list[str] = []
    for place, cell in enumerate(above[best]):
        name, unit = key_of(cell)
        field = _NAMES.get(name)
        said = " ".join(str(cell or "").split())
        if field is None:
            unread += [said] if said else []
            continue
        columns.append(Heading(place, said, field, unit))
    found = Headings(best, tuple(columns), tuple(unread))
    _check(found)
    return found


def _check(found: Headings) -> None:
    by_field: dict[str, Heading] = {}
    for one in found.columns:
        twin = by_field.setdefault(one.field, one)
        if twin is not one:
            raise SheetError(
                f'The columns "{twin.said}" and "{one.said}" say the same thing.',
                "Keep one of them.",
            )
    if "operator" not in by_field:
        raise SheetError(
            "No column says whose row it is.", 'Add a column "operator" with the name of each.'
        )
    span = by_field.get("span_m")
    if span is not None and not span.unit:
        raise SheetError(
            f'The heading "{span.said}" does not say in which unit.',
            "Write span_ft or span_m.",
        )


def _usual() -> str:
    return ", ".join(field.heading for field in COLUMNS.values())


_NAMES = {key_of(name)[0]: field for name, field in _BY_NAME.items()}
