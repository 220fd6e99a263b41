"""``manage.py measure_card IMAGE...``: droplet cards measured, without database or server."""

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fleet.management.card_table import card_document, card_table
from fleet.management.command_line import FileCommand, FileKind, bytes_of, number, resolved
from patterns.cards.classes import DEFAULT_TABLE, class_table, class_table_names
from patterns.cards.decode import HIGHEST_DPI, LOWEST_DPI, read_image
from patterns.cards.drops import (
    WATER_ON_WATER_SENSITIVE,
    SpreadFactor,
    general_spread,
    spread_factor,
    spread_factor_names,
)
from patterns.cards.measure import Parameters, measure_scan
from patterns.cards.spectrum import SpectrumParameters
from patterns.errors import InputError, PatternError

SCANS = FileKind(
    one="a scan",
    themselves="the scans themselves",
    content="the scan",
    smaller="a scan of fewer cards or fewer dpi",
    most_mib=1024,
)
MOST_CUT_OFFS = 20


class Command(FileCommand):
    """Measure the cards on some scans and print what was found."""

    help = (
        "Measure droplet cards from their scans, one card or a bed of cards to a scan. Prints a "
        "block for each card, or with --json a list with one object for each card. A scan that "
        "cannot be used stops the command with exit status 2."
    )
    name = "measure_card"

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name the files and the options; numbers are read later, so that errors read alike."""
        add = parser.add_argument
        add("images", nargs="+", metavar="IMAGE", help="scan: PNG, TIFF or JPEG")
        add("--json", action="store_true", help="print JSON in SI units")
        add("--dpi", metavar="N", help="resolution, where the file says none or a wrong one")
        spreads = ", ".join(spread_factor_names())
        add("--spread", metavar="A,B", help=f"drop = A * stain^B in um, or one of {spreads}")
        tables = ", ".join(class_table_names())
        add("--class-table", default=DEFAULT_TABLE, metavar="NAME", help=f"one of {tables}")
        add("--cut-offs", metavar="UM,UM", help="diameters for the share of fines, as 100,150")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, measure, print."""
        try:
            _check_once(options["images"])
            dpi = _dpi(options["dpi"])
            parameters = _parameters(options)
        except InputError as error:
            self.stop([error])
        documents = self._measure_all(options["images"], dpi, parameters)
        self.say(
            json.dumps(documents, sort_keys=True) if options["json"] else card_table(documents)
        )

    def _measure_all(
        self, names: Sequence[str], dpi: float | None, parameters: Parameters
    ) -> list[dict[str, Any]]:
        """Measure every scan, or stop with a line for each that cannot be used."""
        documents: list[dict[str, Any]] = []
        problems: list[PatternError] = []
        for name in names:
            try:
                image = read_image(bytes_of(name, SCANS), source=name, dpi=dpi)
                found = measure_scan(image, parameters)
            except PatternError as error:
                problems.append(error)
                continue
            documents += [card_document(card, result, len(found)) for card, result in found]
        if problems:
            self.stop(problems)
        return documents


def _check_once(names: Sequence[str]) -> None:
    seen: set[Path] = set()
    for name in names:
        if resolved(name) in seen:
            raise InputError(name, "the same file is given twice", "give each scan once")
        seen.add(resolved(name))


def _dpi(text: str | None) -> float | None:
    if text is None:
        return None
    form = f"pixels per inch, {LOWEST_DPI:g} to {HIGHEST_DPI:g}"
    dpi = float(number("--dpi", text, form))
    if not LOWEST_DPI <= dpi <= HIGHEST_DPI:
        raise InputError("--dpi", f"{dpi:g} is no resolution of a scanner", f"give {form}")
    return dpi


def _parameters(options: dict[str, Any]) -> Parameters:
    if options["class_table"] not in class_table_names():
        raise InputError(
            "--class-table",
            f"'{options['class_table']}' is not known",
            f"give one of {', '.join(class_table_names())}",
        )
    settings = SpectrumParameters()
    if options["cut_offs"] is not None:
        settings = SpectrumParameters(cut_offs_um=_cut_offs(options["cut_offs"]))
    return Parameters(
        spread=_spread(options["spread"]),
        spectrum=settings,
        table=class_table(options["class_table"]),
    )


def _spread(text: str | None) -> SpreadFactor:
    if text is None:
        return WATER_ON_WATER_SENSITIVE
    if text in spread_factor_names():
        return spread_factor(text)
    form = f"A,B such as 0.95,0.91, or one of {', '.join(spread_factor_names())}"
    parts = text.split(",")
    if len(parts) != 2:
        raise InputError("--spread", f"'{text}' has {len(parts)} parts", f"give {form}")
    a, b = (float(number("--spread", part, form)) for part in parts)
    try:
        return general_spread(a, b)
    except InputError as error:
        raise InputError("--spread", error.problem, error.remedy) from error


def _cut_offs(text: str) -> tuple[float, ...]:
    form = f"at most {MOST_CUT_OFFS} diameters in um, above 0, such as 100,150"
    cuts = [float(number("--cut-offs", part, form)) for part in text.split(",")]
    if len(cuts) > MOST_CUT_OFFS or not all(0 < cut <= 1e5 for cut in cuts):
        raise InputError("--cut-offs", f"'{text}' cannot be", f"give {form}")
    return tuple(sorted(set(cuts)))
