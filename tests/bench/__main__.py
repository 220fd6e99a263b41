"""Run one benchmark by name and print its ratio last."""

from __future__ import annotations

import pkgutil
import sys
from functools import partial
from importlib import import_module
from inspect import signature

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
    main = getattr(module, "main", None)
    if main is not None and signature(main).parameters:  # reads its own options
        main, more = partial(main, more), []
    elif more == ["--quick"]:
        main = getattr(module, "quick", None)
    if main is None or more not in ([], ["--quick"]):
        sys.stderr.write(
            f"usage: python -m tests.bench NAME [--quick], NAME one of: {', '.join(known)}; "
            "some have a quick size\n"
        )
        return 2
    ratio = main()
    sys.stdout.write(f"ratio: {ratio:.1f}\n")
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
