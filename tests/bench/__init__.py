"""Benchmarks: `python -m tests.bench NAME`.

Each module of this package beside `__main__` is a benchmark of that name. Its `main()` prints what
it measured and returns the ratio, which is printed last as `ratio: NUMBER`.
"""
