"""Sentences in the reader's units: exact conversions (NIST Handbook 44, appendix C)."""

from __future__ import annotations

import pytest

from fleet.measures import said

SENTENCES = [
    ("A gap at +2.0 m.", "A gap at +6.6 ft."),  # 2 / 0.3048
    ("A gap at -2.0 m.", "A gap at −6.6 ft."),
    ("From -3.0 to +3.0 m no card lay.", "From −9.8 to +9.8 ft no card lay."),
    ("Wind of 2.5 m/s is new.", "Wind of 5.6 mph is new."),  # 2.5 / 0.44704
    ("Wind of 2.5 m/s (6 mph) is under the 10 mph.", "Wind of 6 mph is under the 10 mph."),
    ("A height of 3.0 m (10 ft) is not.", "A height of 10 ft is not."),
    ("In wind of 15 km/h at 20 °C.", "In wind of 9 mph at 68 °F."),  # 15 / 1.609344 = 9.3
    ("Delta T of 2 to 8 °C.", "Delta T of 3.6 to 14.4 °F."),
    ("In 12 mm or 3 m² nothing is said.", "In 12 mm or 3 m² nothing is said."),
]


@pytest.mark.parametrize(("metric", "us"), SENTENCES)
def test_sentences_in_both_systems(metric: str, us: str) -> None:
    assert said(metric, "metric") == metric
    assert said(metric, "us") == us
