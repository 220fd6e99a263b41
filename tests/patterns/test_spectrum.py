"""Spectrometer files: the dye band above its baseline."""

import numpy as np
import pytest
from scipy.integrate import simpson
from scipy.stats import linregress, norm

from patterns.errors import TraceFileError
from patterns.spectrum import RHODAMINE, band_weights
from patterns.tracefile import ReadOptions, Trace, read_trace

# Emission peak of the rhodamine family, 572–577 nm in water: peak-fitting code of a university
# spectrofluorometer. 580–582 nm: from memory.
PEAKS_NM = (572.0, 577.0)
PEAKS_FROM_MEMORY_NM = (580.0, 582.0)
EXCITATION_LAMP_NM = 540.0  # manual of a dye sensor

WAVELENGTH_NM = np.arange(530.0, 640.1, 0.5)
POSITION_M = np.arange(-5.0, 5.1, 0.5)


def spectra(dye: np.ndarray, peak_nm: float = 575.0, width_nm: float = 8.0) -> np.ndarray:
    """Dye (N,) times a line of unit area, on a sloping background."""
    line = norm.pdf(WAVELENGTH_NM, peak_nm, width_nm)
    return 300.0 - 0.8 * (WAVELENGTH_NM - 500.0) + dye[:, None] * line


def file_of(counts: np.ndarray, header: str = "{:g}", first: str = "position_m") -> bytes:
    names = ",".join([first, *(header.format(nm) for nm in WAVELENGTH_NM)])
    rows = [
        ",".join([f"{x:g}", *("" if np.isnan(c) else f"{c:.9g}" for c in row)])
        for x, row in zip(POSITION_M, counts, strict=True)
    ]
    return "\n".join([names, *rows]).encode()


def read(data: bytes, **options: object) -> Trace:
    return read_trace(data, source="spectra.csv", options=ReadOptions(**options))  # type: ignore[arg-type]


DYE = 40_000 * np.exp(-((POSITION_M / 2.5) ** 2))


def test_the_default_band_holds_the_published_peaks_and_spares_the_lamp() -> None:
    low, high = RHODAMINE.band_nm
    for peak_nm in (*PEAKS_NM, *PEAKS_FROM_MEMORY_NM):
        assert low + 10 < peak_nm < high - 10
    assert low - RHODAMINE.flank_nm > EXCITATION_LAMP_NM
    assert "572–577 nm" in RHODAMINE.source


def test_a_line_of_known_area_is_found_above_a_sloping_background() -> None:
    # With a wide band nothing of the line stands on the flanks, so its whole area is the reading.
    trace = read(file_of(spectra(DYE, width_nm=4.0)), band_nm=(550.0, 600.0))
    assert trace.kind == "spectrum"
    np.testing.assert_array_equal(trace.position_m, POSITION_M)
    np.testing.assert_allclose(trace.reading, DYE, rtol=1e-5, atol=1e-3)
    assert trace.remarks == ()


def test_the_reading_is_what_fitting_and_integrating_by_hand_gives() -> None:
    counts = spectra(DYE)
    trace = read(file_of(counts))
    (low, high), flank = RHODAMINE.band_nm, RHODAMINE.flank_nm
    inside = np.abs(WAVELENGTH_NM - (low + high) / 2) <= (high - low) / 2
    near = np.abs(WAVELENGTH_NM - (low + high) / 2) <= (high - low) / 2 + flank
    flanks = near & ~inside
    for row, reading in zip(counts, trace.reading, strict=True):
        line = linregress(WAVELENGTH_NM[flanks], row[flanks])
        above = row[inside] - line.intercept - line.slope * WAVELENGTH_NM[inside]
        assert reading == pytest.approx(simpson(above, x=WAVELENGTH_NM[inside]), rel=2e-4)


def test_the_reading_is_proportional_to_the_dye_even_where_it_shines_on_the_flanks() -> None:
    trace = read(file_of(spectra(DYE, peak_nm=582.0, width_nm=20.0)))
    np.testing.assert_allclose(trace.reading / trace.reading.max(), DYE / DYE.max(), atol=1e-6)


@pytest.mark.parametrize("step", [0.37, 1.0, 3.1, 6.0])
def test_a_straight_background_sums_to_nothing_at_any_sampling(step: float) -> None:
    nm = np.arange(546.0, 624.9, step)
    weights = band_weights(nm, (560.0, 610.0), 15.0)
    assert weights @ (7.0 - 0.3 * nm) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("step", [0.37, 1.0, 3.1, 6.0])
def test_the_band_ends_do_not_depend_on_the_sampling(step: float) -> None:
    # A tent over the band is piecewise straight: the trapezoid rule meets its area to step².
    nm = np.arange(546.0, 624.9, step)
    tent = np.clip(25.0 - np.abs(nm - 585.0), 0.0, None)
    area = band_weights(nm, (560.0, 610.0), 15.0) @ tent
    assert area == pytest.approx(625.0, abs=step**2)


@pytest.mark.parametrize(
    "header", ["{:g}", "{:g}nm", "{:g} nm", "wl_{:g}", "WL {:.1f}", "{:g} (nm)", "λ{:.2f}"]
)
def test_ways_of_naming_a_wavelength(header: str) -> None:
    trace = read(file_of(spectra(DYE), header))
    np.testing.assert_allclose(trace.reading, read(file_of(spectra(DYE))).reading)


@pytest.mark.parametrize("first", ["", "Boom", "pos", '"Position"'])
def test_the_first_column_is_the_position_however_it_is_named(first: str) -> None:
    trace = read(file_of(spectra(DYE), first=first), unit="ft")
    np.testing.assert_allclose(trace.position_m, POSITION_M * 0.3048)


def test_wavelengths_in_any_order() -> None:
    lines = [line.split(",") for line in file_of(spectra(DYE)).decode().split("\n")]
    turned = "\n".join(",".join([*cells[:0:-1], cells[0]]) for cells in lines)
    np.testing.assert_allclose(read(turned.encode()).reading, read(file_of(spectra(DYE))).reading)


def test_a_file_with_decimal_commas() -> None:
    text = file_of(spectra(DYE)).decode().replace(",", ";").replace(".", ",")
    np.testing.assert_allclose(read(text.encode()).reading, read(file_of(spectra(DYE))).reading)


def test_single_missing_counts_are_filled_in_and_remarked() -> None:
    counts = spectra(DYE)
    counts[4, [80, 81, 95]] = np.nan
    trace = read(file_of(counts))
    np.testing.assert_allclose(trace.reading, read(file_of(spectra(DYE))).reading, rtol=2e-3)
    (remark,) = trace.remarks
    assert (remark.code, remark.weight) == ("wavelength_filled", "note")
    assert (remark.from_m, remark.to_m) == (-3.0, -3.0)
    assert remark.text == (
        "Wavelengths between 570 and 577.5 nm are missing at -3.00 m and were filled in from "
        "their neighbours."
    )


def test_a_row_with_many_missing_counts_is_a_dropout() -> None:
    counts = spectra(DYE)
    counts[4, 80:90] = np.nan
    trace = read(file_of(counts))
    assert -3.0 not in trace.position_m
    assert len(trace.reading) == len(POSITION_M) - 1
    (remark,) = trace.remarks
    assert (remark.code, remark.weight) == ("dropout", "warning")
    assert (remark.from_m, remark.to_m) == (-3.0, -3.0)


def test_a_dead_pixel_is_left_away_and_remarked() -> None:
    counts = spectra(DYE)
    counts[:, 90] = np.nan
    trace = read(file_of(counts))
    np.testing.assert_allclose(trace.reading, read(file_of(spectra(DYE))).reading, rtol=1e-3)
    (remark,) = trace.remarks
    assert remark.text == "No row has a count at 575 nm; the band was integrated without."


def test_stated_saturation_is_reported_with_place_and_wavelengths() -> None:
    counts = np.minimum(spectra(DYE), 2000.0)
    trace = read(file_of(counts), saturation=2000.0)
    expected = (spectra(DYE) >= 2000.0).any(axis=1)
    np.testing.assert_array_equal(trace.saturated, expected)
    (remark,) = trace.remarks
    assert (remark.code, remark.weight) == ("saturated", "suspect")
    places = POSITION_M[expected]
    high_nm = WAVELENGTH_NM[(spectra(DYE) >= 2000.0).any(axis=0)]
    assert (remark.from_m, remark.to_m) == (places[0], places[-1])
    assert remark.text == (
        "The reading is saturated from -0.50 to 0.50 m, so the true deposit there is higher. "
        f"Saturated are wavelengths from {high_nm[0]:g} to {high_nm[-1]:g} nm."
    )


def test_saturation_is_told_from_a_plateau_along_the_wavelengths() -> None:
    counts = np.minimum(spectra(DYE), 1023.0)
    trace = read(file_of(counts))
    np.testing.assert_array_equal(trace.saturated, (counts == 1023.0).any(axis=1))


def test_saturation_outside_the_band_does_not_matter() -> None:
    counts = spectra(DYE)
    counts[:, 10:20] = 65_535.0  # the lamp, 535 to 539.5 nm
    assert not read(file_of(counts)).saturated.any()


def test_another_band_is_a_parameter() -> None:
    # Fluorescein shines near 512 nm (from memory); here only the parameter matters.
    green = spectra(DYE, peak_nm=600.0, width_nm=3.0)
    trace = read(file_of(green), band_nm=(585.0, 615.0), flank_nm=10.0)
    np.testing.assert_allclose(trace.reading, DYE, rtol=1e-5, atol=1e-3)


def test_too_few_wavelengths_left_by_dead_pixels() -> None:
    counts = spectra(DYE)
    counts[:, WAVELENGTH_NM > 610.6] = np.nan
    with pytest.raises(TraceFileError, match="and 1 on the flank above") as caught:
        read(file_of(counts))
    assert caught.value.line == 1
