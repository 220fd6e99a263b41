"""``manage.py measure_pattern FILE...``: the analysis of one test, without database or server."""

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from fleet.management.command_line import FileCommand, FileKind, bytes_of, number, resolved
from fleet.management.pattern_table import table
from patterns.analyse import Parameters, PassInput, analyse
from patterns.average import CENTRINGS, Overrule
from patterns.document import to_document
from patterns.errors import InputError, PatternError
from patterns.tracefile import ReadOptions, Trace, read_trace

MOST_SWATHS = 5000
TRACES = FileKind(
    one="a trace file",
    themselves="the trace files themselves",
    content="the trace",
    smaller="the trace of one pass alone",
    most_mib=64,
)
ORIGINS = ("left", "right", "centre")


class Command(FileCommand):
    """Analyse the trace files of one test and print what was found."""

    help = (
        "Analyse the passes of one pattern test from their trace files. Prints a table, or JSON "
        "in SI units with --json. A file that cannot be used stops the command with exit status 2."
    )
    name = "measure_pattern"

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Name the files and the options; numbers are read later, so that errors read alike."""
        add = parser.add_argument
        add("files", nargs="+", metavar="FILE", help="trace file of one pass")
        add("--json", action="store_true", help="print JSON in SI units")
        add("--unit", help="unit of positions where a file names none: m, cm, mm, ft, in")
        add("--flight-line", metavar="X", help="place of the flight line, as the files count")
        add("--origin", choices=ORIGINS, help="where the files count positions from")
        add("--centring", choices=CENTRINGS, default="flight_line", help="what stands at 0")
        add("--cv-limit", default="25", metavar="PERCENT", help="highest CV that passes")
        add("--line-error", default="1", metavar="M", help="lines flown too wide or narrow by [m]")
        add("--swaths", metavar="FROM:TO:STEP", help="sweep of swaths in metres, as 8:30:0.5")
        add("--band", metavar="FROM:TO", help="dye band of spectrometer files in nm, as 560:610")
        add("--saturation", metavar="COUNTS", help="reading at which the instrument saturates")
        add("--include", action="append", default=[], metavar="FILE", help="use it though suspect")
        add("--leave-out", action="append", default=[], metavar="FILE", help="do not use it")

    def handle(self, *args: Any, **options: Any) -> None:
        """Read, analyse, print."""
        try:
            overrules = _overrules(options["files"], options["include"], options["leave_out"])
            parameters = _parameters(options)
            reading = _read_options(options)
        except InputError as error:
            self.stop([str(error)])
        traces = self._read_all(options["files"], reading)
        inputs = [
            PassInput(trace, overrule, "asked for on the command line" if overrule else "")
            for trace, overrule in zip(traces, overrules, strict=True)
        ]
        try:
            analysis = analyse(inputs, parameters)
        except PatternError as error:
            self.stop([str(error)])
        document = to_document(analysis)
        text = json.dumps(document, sort_keys=True) if options["json"] else table(document)
        self.say(text)

    def _read_all(self, files: Sequence[str], reading: ReadOptions) -> list[Trace]:
        """Read every file, or stop with a line for each that cannot be used."""
        traces: list[Trace] = []
        problems: list[str] = []
        for name in files:
            try:
                traces.append(read_trace(bytes_of(name, TRACES), source=name, options=reading))
            except PatternError as error:
                problems.append(str(error))
        if problems:
            self.stop(problems)
        return traces


def _overrules(
    files: Sequence[str], include: Sequence[str], leave_out: Sequence[str]
) -> list[Overrule | None]:
    """Overrule of each file, in the order of the files."""
    places: dict[Path, int] = {}
    for index, name in enumerate(files):
        if resolved(name) in places:
            raise InputError(name, "the same file is given twice", "give each pass once")
        places[resolved(name)] = index
    overrules: list[Overrule | None] = [None] * len(files)
    words: tuple[tuple[str, Overrule, Sequence[str]], ...] = (
        ("--include", "include", include),
        ("--leave-out", "leave_out", leave_out),
    )
    for option, word, names in words:
        for name in names:
            place = places.get(resolved(name))
            if place is None:
                raise InputError(option, f"{name} is not among the files", "name one that is")
            if overrules[place] not in (None, word):
                raise InputError(
                    option, f"{name} is named by --include as well", "decide for one of the two"
                )
            overrules[place] = word
    return overrules


def _parameters(options: dict[str, Any]) -> Parameters:
    limit = number("--cv-limit", options["cv_limit"], "a percentage above 0, such as 25")
    error_m = number("--line-error", options["line_error"], "metres, 0 or more, such as 1")
    if not 0 < limit <= 1000:
        raise InputError("--cv-limit", f"{limit} % is no limit", "give a percentage, such as 25")
    if not 0 <= error_m <= 100:
        raise InputError("--line-error", f"{error_m} m is no line error", "give metres, such as 1")
    return Parameters(
        swaths_m=None if options["swaths"] is None else _sweep(options["swaths"]),
        cv_limit_percent=float(limit),
        line_error_m=float(error_m),
        centring=options["centring"],
    )


def _read_options(options: dict[str, Any]) -> ReadOptions:
    chosen: dict[str, Any] = {"unit": options["unit"], "origin": options["origin"]}
    if options["flight_line"] is not None:
        chosen["flight_line"] = float(
            number("--flight-line", options["flight_line"], "a number in the files' own unit")
        )
    if options["saturation"] is not None:
        counts = number("--saturation", options["saturation"], "a reading above 0, such as 65535")
        chosen["saturation"] = float(counts)
    if options["band"] is not None:
        low, high = _numbers("--band", options["band"], 2, "FROM:TO in nm, such as 560:610")
        if not 0 < low < high:
            raise InputError(
                "--band", f"'{options['band']}' is no band", "give FROM:TO in nm, such as 560:610"
            )
        chosen["band_nm"] = (float(low), float(high))
    return ReadOptions(**chosen)


def _sweep(text: str) -> tuple[float, ...]:
    """Swaths from FROM:TO:STEP, in decimal numbers, so that no step carries rounding."""
    form = "FROM:TO:STEP in metres, such as 8:30:0.5"
    first, last, step = _numbers("--swaths", text, 3, form)
    if not (first > 0 and step > 0 and last >= first):
        raise InputError("--swaths", f"'{text}' is no ascending sweep above 0", f"give {form}")
    count = int((last - first) / step) + 1
    if count > MOST_SWATHS:
        raise InputError("--swaths", f"'{text}' has {count} swaths", f"give at most {MOST_SWATHS}")
    return tuple(float(first + step * index) for index in range(count))


def _numbers(option: str, text: str, count: int, form: str) -> list[Decimal]:
    parts = text.split(":")
    if len(parts) != count:
        raise InputError(option, f"'{text}' has {len(parts)} parts", f"give {form}")
    return [number(option, part, form) for part in parts]
