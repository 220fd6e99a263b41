"""The benchmark of the season runs on little data, and its SQL agrees with the queries."""

from __future__ import annotations

import pytest

from tests.bench import season
from tests.bench.__main__ import names, run
from tests.bench._season_data import QUICK


@pytest.mark.django_db
@pytest.mark.service
def test_season_measures_every_page(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # One round on little: both sides must run and agree; the time is the benchmark's business.
    monkeypatch.setattr(season, "ROUNDS", 1)
    assert "season" in names()
    season.measure(QUICK)
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].startswith("SQL agrees on ")
    assert len(lines) == 11
    assert all(" queries; bare SQL " in line for line in lines[2:])


def test_season_names_its_databases(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        run(["season", "--database", "other"])
    assert "postgresql" in capsys.readouterr().err
