"""The benchmark of cards runs, with all its sides, and says its ratio last."""

from __future__ import annotations

from typing import Any

import pytest

from fixtures.cards import CardPlan
from tests.bench import cards, truth
from tests.bench.__main__ import names, run


def small(**changes: Any) -> CardPlan:
    """Plans of the benchmark on a shorter card."""
    return CardPlan(**{**changes, "height_mm": 20.0})


def test_cards_prints_its_ratios(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # One round on little: the sides must run; the time itself is the benchmark's business.
    monkeypatch.setattr(cards, "ROUNDS", 1)
    monkeypatch.setattr(cards, "BED_CARDS", 2)
    monkeypatch.setattr(cards, "CardPlan", small)
    assert "cards" in names()
    assert run(["cards"]) == 0
    lines = capsys.readouterr().out.splitlines()
    figures = dict(line.rsplit(": ", 1) for line in lines)
    assert float(figures["ratio"]) > 1.0
    assert any(name.endswith("times the bare label") for name in figures)
    assert float(figures["peak memory above the decoded picture"].split()[0]) < 12.0


def test_truth_prints_its_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(truth, "CARDS", 1)
    assert run(["truth", "--quick"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[2].startswith("| 600, 5, touching | ")
    assert 0.0 < float(lines[-1].removeprefix("ratio: ")) < 1.0
