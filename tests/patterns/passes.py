"""Made-up traces and files of single passes, for the tests from one pass to the whole."""

import hashlib

import numpy as np

from patterns.tracefile import ReadOptions, Trace, read_trace


def trace_of(position_m, reading, *, source="pass.csv", saturated=None, remarks=()):
    """Make a trace without a file."""
    x, r = np.asarray(position_m, float), np.asarray(reading, float)
    return Trace(
        source=source,
        digest=hashlib.sha256(x.tobytes() + r.tobytes()).hexdigest(),
        kind="counts",
        position_m=x,
        reading=r,
        saturated=np.zeros(x.size, bool) if saturated is None else saturated,
        unit="m",
        origin="centre",
        flight_line_m=0.0,
        remarks=remarks,
    )


def file_of(position, reading, *, unit="m", order=None):
    """Write the bytes of a file, rows in any order."""
    rows = [f"{p:.6f},{r:.6f}" for p, r in zip(position, reading, strict=True)]
    if order is not None:
        rows = [rows[i] for i in order]
    return "\n".join([f"position_{unit},reading", *rows, ""]).encode()


def read_of(position_m, reading, *, source="pass.csv", **options):
    """Write a file in metres and read it back."""
    return read_trace(file_of(position_m, reading), source=source, options=ReadOptions(**options))


def triangle(x, base=20.0, peak=1000.0, centre=0.0):
    """Triangle of a base [m]; total = base · peak / 2."""
    return peak * np.clip(1 - np.abs(x - centre) / (base / 2), 0, None)


def gaussian(x, sigma=5.0, peak=1000.0, centre=0.0):
    """Gaussian; total = peak · σ · √(2π)."""
    return peak * np.exp(-(((x - centre) / sigma) ** 2) / 2)


def string(half=20.0, step=0.1):
    """Even positions from −half to half [m]."""
    return np.round(step * np.arange(-round(half / step), round(half / step) + 1), 9)
