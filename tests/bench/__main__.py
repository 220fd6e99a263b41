"""Run one benchmark by name and print its ratio last."""

from __future__ import annotations

import pkgutil
import sys
from collections.abc import Callable
from functools import partial
from importlib import import_module
from inspect import signature
from typing import Any

import tests.bench


def names() -> list[str]:
    """Names of the benchmarks: the modules of this package."""
    found = (module.name for module in pkgutil.iter_modules(tests.bench.__path__))
    return sorted(name for name in found if not name.startswith(("_", "test_")))


def run(arguments: list[str]) -> int:
    """Run the benchmark named; the exit status is 2 where there is none of that name."""
    known = names()
    name, *more = arguments or [""]
    module = import_module(f"tests.bench.{name}") if name in known else None
    measure = _asked(module, more)
    if measure is None:
        sys.stderr.write(
            f"usage: python -m tests.bench NAME [--quick | --count N], NAME one of: "
            f"{', '.join(known)}; some have a quick size, papers counts\n"
        )
        return 2
    ratio = measure()
    sys.stdout.write(f"ratio: {ratio:.2f}\n")
    return 0


def _asked(module: Any, more: list[str]) -> Callable[[], float] | None:
    """Return what measures at the size asked for, or None where the module has no such size."""
    main = getattr(module, "main", None)
    if main is not None and signature(main).parameters:  # reads its own options
        return partial(main, more)
    match more:
        case []:
            return main
        case ["--quick"]:
            return getattr(module, "quick", None)
        case ["--count", number] if number.isdecimal() and int(number):
            counted = getattr(module, "counted", None)
            return partial(counted, int(number)) if counted else None
        case _:
            return None


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
