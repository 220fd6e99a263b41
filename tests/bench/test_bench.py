"""The runner of the benchmarks, and that each says its ratio last."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.bench import overlap
from tests.bench.__main__ import names, run


def test_benchmarks_are_the_modules_beside_the_runner():
    assert "overlap" in names()
    assert not [name for name in names() if name.startswith(("_", "test_"))]


@pytest.mark.parametrize("arguments", [[], ["nothing"], ["overlap", "twice"], ["__main__"]])
def test_unknown_benchmark_names_the_known_ones(arguments, capsys):
    assert run(arguments) == 2
    answer = capsys.readouterr()
    assert answer.out == ""
    assert "NAME one of:" in answer.err
    assert "overlap" in answer.err


def test_planner_prints_its_gaps(capsys):
    # A small instance: that both sides keep to the problem; the gap is the benchmark's business.
    assert run(["planner", "--quick"]) == 0
    said = dict(line.split(": ", 1) for line in capsys.readouterr().out.splitlines())
    assert {"ours", "with 10 times the search", "gap of travel", "ratio"} <= set(said)
    assert run(["overlap", "--quick"]) == 2  # which has no quick size


def test_papers_are_made_by_real_workers():
    # In a process of its own: it makes a database and a data folder for itself.
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "papers", "--quick"],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    said = dict(line.split(": ", 1) for line in done.stdout.splitlines())
    assert {"1 worker", "2 workers", "2 workers, peak memory of one"} <= set(said)
    assert float(said["ratio"]) > 0.0


@pytest.mark.parametrize("more", [["--count", "0"], ["--count", "many"], ["--count"]])
def test_a_count_must_be_one(more, capsys):
    assert run(["papers", *more]) == 2
    assert run(["overlap", "--count", "5"]) == 2  # which counts nothing
    assert "papers counts" in capsys.readouterr().err


def test_overlap_prints_its_ratio_last(capsys, monkeypatch):
    # One round on few swaths: the sides must agree; the time itself is the benchmark's business.
    monkeypatch.setattr(overlap, "ROUNDS", 1)
    monkeypatch.setattr(overlap, "SWATHS", 12)
    monkeypatch.setattr(overlap, "SWATH_STEPS", overlap.SWATH_STEPS[:12])
    monkeypatch.setattr(overlap, "SWATHS_M", overlap.SWATHS_M[:12])
    assert run(["overlap"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("largest difference of CV² to by_folding: ")
    name, ratio = lines[-1].split(": ")
    assert name == "ratio"
    assert float(ratio) > 1.0
