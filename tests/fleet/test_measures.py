"""Numbers for people: the unit of the reader, sensible digits, sentences in the reader's units.

Factors: NIST Special Publication 811, appendix B (1 ft = 0.3048 m exactly), by way of
`patterns.units`; 1 GPA (US) = 9.35396 L/ha, 1 mph = 1.609344 km/h (check-values 1, SEEN/COMPUTED).
"""

import math

import pytest

from fleet import measures


@pytest.mark.parametrize(
    ("value", "quantity", "us", "metric"),
    [
        (18.288, "swath", "60 ft", "18.3 m"),
        (18.3, "swath", "60 ft", "18.3 m"),
        (18.5, "swath", "60.7 ft", "18.5 m"),
        (-0.0001, "length", "0 ft", "0 m"),
        (-1.524, "place", "−5.00 ft", "−1.52 m"),
        (62.5856, "airspeed", "140 mph", "225 km/h"),
        (4.4704, "wind", "10.0 mph", "4.5 m/s"),
        (275.79029, "pressure", "40 psi", "276 kPa"),
        (28.06188, "rate", "3.0 gal/acre", "28.1 L/ha"),
        (20.0, "temperature", "68 °F", "20.0 °C"),
        (5.0, "temperature_step", "9.0 °F", "5.0 °C"),
        (None, "swath", "–", "–"),
        (math.nan, "swath", "–", "–"),
    ],
)
def test_show(value, quantity, us, metric):
    assert measures.show(value, quantity, "us") == us
    assert measures.show(value, quantity, "metric") == metric


@pytest.mark.parametrize("quantity", [q for q in measures.SHOWN if q != "temperature_step"])
@pytest.mark.parametrize("system", ["us", "metric"])
def test_entered_is_the_inverse_of_prefilled(quantity, system):
    typed = 12.5
    stored = measures.entered(typed, quantity, system)
    assert measures.prefilled(stored, quantity, system) == pytest.approx(typed)


def test_prefilled_is_rounded_to_what_a_person_would_type():
    assert measures.prefilled(2.5, "height", "us") == 8.2
    assert measures.prefilled(12.567, "temperature", "us") == 54.6
    assert str(measures.prefilled(18.288, "swath", "us")) == "60"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("allows 18.3 m, lines 1 m off", "allows 60 ft, lines 3.3 ft off"),
        ("from −1.5 m to 2 m", "from −4.9 ft to 6.6 ft"),
        ("3 to 4 m wide", "9.8 to 13.1 ft wide"),
        ("wind of 4.5 m/s at 2.5 m", "wind of 10.1 mph at 8.2 ft"),
        ("CV 12.5 % of 3 passes in 7 min", "CV 12.5 % of 3 passes in 7 min"),
        ("Delta T 5.0 °C", "Delta T 9.0 °F"),
        ("air at 20.0 °C", "air at 68 °F"),
        ("over 16 km/h (10 mph)", "over 10 mph"),
        ("150 mm of string", "150 mm of string"),
    ],
)
def test_said_in_feet(text, words):
    assert measures.said(text, "us") == words
    assert measures.said(text, "metric") == text


# Exact conversions: NIST Handbook 44, appendix C.
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
def test_sentences_in_both_systems(metric: str, us: str):
    assert measures.said(metric, "metric") == metric
    assert measures.said(metric, "us") == us


@pytest.mark.parametrize(
    ("value", "us", "metric"),
    [
        (0.25, "0.8 ft right", "0.2 m right"),
        (-17.5, "57.4 ft left", "17.5 m left"),
        (-0.01, "on the line", "on the line"),
        (math.nan, "–", "–"),
    ],
)
def test_a_place_beside_the_line_is_said_by_its_side(value: float, us: str, metric: str):
    assert measures.beside(value, "length", "us") == us
    assert measures.beside(value, "length", "metric") == metric
