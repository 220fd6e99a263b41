"""What the name of a column says: position with its unit, reading, or a wavelength."""

import re
from dataclasses import dataclass

from patterns.delimited import is_number
from patterns.units import names_of

LENGTH_NAMES = {
    "m": "m",
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "cm": "cm",
    "centimeter": "cm",
    "centimeters": "cm",
    "centimetre": "cm",
    "centimetres": "cm",
    "mm": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
    "in": "in",
    "inch": "in",
    "inches": "in",
}
"""Units of length as people write them, and their name in `patterns.units.UNITS`."""

POSITION_UNITS = tuple(name for name in names_of("length") if name in LENGTH_NAMES.values())
"""Units in which a position along the string may be given."""


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_POSITION_WORDS = _words("position pos distance dist location loc station x")
_READING_WORDS = _words(
    "reading readings counts count intensity fluorescence fluor signal value values deposit "
    "deposition rfu rfus amplitude"
)
_OTHER_WORDS = _words(
    "time date timestamp clock sample samples no nr number num index idx row id point pt "
    "temperature temp humidity rh wind speed gain integration exposure note notes comment "
    "comments remark remarks flag status sd std stdev error dark reference ref background "
    "wavelength nm pass run"
)
_POSITION_FILLERS = _words(
    "along on string the of lateral across cross track in from end wing tip start "
    "left right centre center flight line"
)
_ORIGIN_WORDS = {
    "left": "left",
    "right": "right",
    "centre": "centre",
    "center": "centre",
    "flight": "centre",
}
_READING_FILLERS = _words(
    "raw net mean avg average dye rhodamine mv v au a.u arb units channel ch of the in "
    "1 2 3 4 a b c d"
)

_BRACKETED = re.compile(r"(?P<name>[^()\[\]{}]*)[(\[{]\s*(?P<unit>[^()\[\]{}]*?)\s*[)\]}]")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_SEPARATORS = re.compile(r"[\s_\-/:,]+")
_WAVELENGTH = re.compile(
    r"(?:wl|wavelength|lambda|λ|i|w|nm)?[\s_]*(?P<nm>\d{3,4}(?:[.,]\d+)?)[\s_]*[(\[]?(?:nm)?[)\]]?"
)
WAVELENGTHS_NM = (200.0, 1200.0)
"""Range in which a column's number is taken as a wavelength [nm]."""
LONGEST_NAME = 60
"""A longer text [characters] is no name of a column."""


@dataclass(frozen=True, slots=True)
class ColumnName:
    """What the name of one column says.

    Parameters
    ----------
    text : str
        The name as it stands in the file.
    is_position, is_reading, is_other : bool
        Whether it names a position, a reading, or something known to be neither.
    unit : str or None
        Known unit of length of a position.
    unknown_unit : str or None
        What stands in the unit's place of a position and is no unit of length.
    origin : str or None
        Where a position counts from, where its name says so ("Distance from right end").
    wavelength_nm : float or None
        The wavelength it names [nm].
    """

    text: str
    is_position: bool = False
    is_reading: bool = False
    is_other: bool = False
    unit: str | None = None
    unknown_unit: str | None = None
    origin: str | None = None
    wavelength_nm: float | None = None


def length_unit(text: str) -> str | None:
    """Name the unit of length that a text such as "feet" or "(ft)" means; None if it is none."""
    return LENGTH_NAMES.get(text.strip().strip("()[]{}.").strip().lower())


def unit_at_end(text: str) -> str | None:
    """Name the unit of length at the end of any column's name, such as "Boom (ft)"."""
    words = _SEPARATORS.split(text.strip())
    return length_unit(words[-1]) if len(words) > 1 else None


def understand(text: str) -> ColumnName:
    """Tell what the name of a column says, in either case and with its unit in any usual place."""
    text = text.strip().strip('"').strip()
    if len(text) > LONGEST_NAME:
        return ColumnName(text[:LONGEST_NAME] + "...")
    if (wavelength_nm := _wavelength(text)) is not None:
        return ColumnName(text, wavelength_nm=wavelength_nm)
    if not text or is_number(text):
        return ColumnName(text)
    bracketed = _BRACKETED.fullmatch(text)
    name, in_brackets = (bracketed["name"], bracketed["unit"]) if bracketed else (text, None)
    words = [word.strip(".") for word in _SEPARATORS.split(_CAMEL.sub(" ", name).lower()) if word]
    if position := _as_position(text, words, in_brackets):
        return position
    return ColumnName(
        text,
        is_reading=bool(_READING_WORDS.intersection(words))
        and set(words) <= _READING_WORDS | _READING_FILLERS,
        is_other=bool(_OTHER_WORDS.intersection(words)),
    )


def _wavelength(text: str) -> float | None:
    found = _WAVELENGTH.fullmatch(text.lower())
    if found is None:
        return None
    wavelength_nm = float(found["nm"].replace(",", "."))
    return wavelength_nm if WAVELENGTHS_NM[0] <= wavelength_nm <= WAVELENGTHS_NM[1] else None


def _as_position(text: str, words: list[str], in_brackets: str | None) -> ColumnName | None:
    """Understand the words as a position with or without unit; None if they are none."""
    if not _POSITION_WORDS.intersection(words):
        return None
    unit_text = in_brackets
    name_words = _POSITION_WORDS | _POSITION_FILLERS
    if unit_text is None and len(words) > 1 and words[-1] not in name_words - set(LENGTH_NAMES):
        unit_text, words = words[-1], words[:-1]
    if not set(words) <= name_words:
        return None
    origins = {_ORIGIN_WORDS[word] for word in words if word in _ORIGIN_WORDS}
    unit = length_unit(unit_text) if unit_text else None
    return ColumnName(
        text,
        is_position=True,
        unit=unit,
        unknown_unit=unit_text.strip() if unit_text and not unit else None,
        origin=origins.pop() if len(origins) == 1 else None,
    )
