"""From the bytes of the files to the swath: against exact values, twice the same, and refusals."""

import dataclasses
import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from patterns.analyse import (
    AUTOMATIC_LAST_M,
    Analysis,
    Parameters,
    PassInput,
    analyse,
    automatic_sweep,
    grid_of,
)
from patterns.document import from_document, to_bytes, to_document
from patterns.errors import InputError, PatternError
from patterns.overlap import MANNERS
from patterns.tracefile import ReadOptions, read_trace
from patterns.uniformity import ManneredCurve, Uniformity
from tests.patterns.oracles import (
    GAUSSIAN_CV_BY_SWATH_IN_SIGMA,
    GAUSSIAN_WIDEST_IN_SIGMA_BY_CV,
    SKEWED_TRIANGLE,
    TABLE_DEPOSIT,
    TABLE_POSITION_FT,
    TABLE_ROWS,
    TRAPEZOID,
    TRIANGLE,
    Oracle,
)
from tests.patterns.passes import file_of, gaussian, string, triangle

ROOT = Path(__file__).resolve().parents[2]
METRES = {"m": 1.0, "cm": 0.01, "ft": 0.3048, "in": 0.0254}


def shaped(oracle: Oracle, base_m: float):
    """Drawn pattern of a base [m], and the factor from its own unit of length to metres."""
    place, height = np.array(oracle.corners).T
    factor = base_m / (place[-1] - place[0])
    return (lambda x: 1000 * np.interp(x, factor * place, height, left=0, right=0)), factor


def flown(function, *, unit="m", origin="centre", step_m=0.1, half_m=20.0, noise=0.0, seed=0):
    """One pass as a file in any unit and count, with offset and drift, and read back."""
    x = string(half_m, step_m)
    rng = np.random.default_rng(seed)
    reading = function(x) + 150 + 2.5 * x + rng.normal(0, noise, x.size)
    counted = {"centre": x, "left": x + half_m, "right": half_m - x}[origin]
    data = file_of(
        counted / METRES[unit],
        reading,
        unit=unit,
        order=np.arange(x.size)[:: -1 if seed % 2 else 1],
    )
    line = None if origin == "centre" else half_m / METRES[unit]
    options = ReadOptions(origin=origin, flight_line=line)
    return PassInput(read_trace(data, source=f"{origin}-{seed}.csv", options=options))


def cv_at(analysis: Analysis, manner: str, swath_m: float) -> float:
    at = int(np.argmin(np.abs(analysis.uniformity.swath_m - swath_m)))
    assert analysis.uniformity.swath_m[at] == pytest.approx(swath_m, abs=1e-6)
    return float(getattr(analysis.uniformity, manner).cv_percent[at])


class TestExactValues:
    """The exact values of tests/patterns/oracles.py, through files with offset and drift.

    Tolerance 0.15 percentage points, or 0.4 where the exact value is 0: the mean over a grid cell
    of 0.1 m rounds the corners of a pattern drawn with straight lines; nothing else is lost.
    """

    @pytest.mark.parametrize("unit", ["m", "cm", "ft", "in"])
    @pytest.mark.parametrize("origin", ["left", "right", "centre"])
    @pytest.mark.parametrize("oracle", [TRIANGLE, TRAPEZOID, SKEWED_TRIANGLE], ids=lambda o: o.name)
    def test_straight_lined_patterns(self, oracle, unit, origin):
        function, factor = shaped(oracle, 20.0)
        swaths = {swath: round(swath * factor, 4) for swath in oracle.one_way}
        swaths = {key: value for key, value in swaths.items() if round(value, 2) == value}
        assert len(swaths) >= 7
        analysis = analyse(
            [flown(function, unit=unit, origin=origin)],
            Parameters(swaths_m=tuple(sorted(swaths.values()))),
        )
        for manner in MANNERS:
            for swath, swath_m in swaths.items():
                exact = oracle.cv(manner)[swath]
                assert cv_at(analysis, manner, swath_m) == pytest.approx(
                    exact, abs=0.15 if exact else 0.4
                )

    @pytest.mark.parametrize("step_m", [0.05, 0.25, 0.5, 1.0])
    def test_triangle_by_the_step_of_the_readings(self, step_m):
        """All corners stand on readings, so the step costs nothing."""
        analysis = analyse(
            [flown(triangle, step_m=step_m)], Parameters(swaths_m=(11.0, 13.0, 15.0, 18.0))
        )
        for swath_m, exact in ((11, 2.5166), (13, 12.3693), (15, 25.0), (18, 45.2548)):
            assert cv_at(analysis, "one_way", swath_m) == pytest.approx(exact, abs=0.02)

    @pytest.mark.parametrize("step_m", [0.05, 0.1, 0.25, 0.5])
    def test_gaussian(self, step_m):
        """Within 0.3 points: clean string begins where less than 0.1 % of the peak is left."""
        swaths = tuple(sorted(5 * s for s in GAUSSIAN_CV_BY_SWATH_IN_SIGMA))
        analysis = analyse([flown(gaussian, step_m=step_m, half_m=24)], Parameters(swaths_m=swaths))
        for manner in MANNERS:
            for in_sigma, exact in GAUSSIAN_CV_BY_SWATH_IN_SIGMA.items():
                assert cv_at(analysis, manner, 5 * in_sigma) == pytest.approx(exact, abs=0.3)

    def test_widest_swath_of_a_gaussian_for_each_limit(self):
        """Within one step of the sweep, 0.1 m."""
        swaths = tuple(round(8 + 0.1 * i, 1) for i in range(121))
        for limit, in_sigma in GAUSSIAN_WIDEST_IN_SIGMA_BY_CV.items():
            parameters = Parameters(swaths_m=swaths, cv_limit_percent=limit)
            analysis = analyse([flown(gaussian, half_m=24)], parameters)
            for manner in MANNERS:
                choice = getattr(analysis.recommended, manner)
                assert choice.widest_passing_m == pytest.approx(5 * in_sigma, abs=0.1)

    def test_rectangle_with_its_edges_between_readings(self):
        """The file itself draws each edge as a slope of one step; 0.6 points at 0.1 m."""
        x = np.round(np.arange(-20.05, 20.06, 0.1), 9)
        reading = np.where(np.abs(x) < 10, 1000.0, 0.0)
        trace = read_trace(file_of(x, reading), source="rectangle.csv")
        analysis = analyse([PassInput(trace)], Parameters(swaths_m=(12.0, 14, 16, 18, 20, 22, 24)))
        exact = (28.2843, 34.6410, 34.6410, 28.2843, 0.0, 31.6228, 44.7214)
        for manner in MANNERS:
            np.testing.assert_allclose(
                getattr(analysis.uniformity, manner).cv_percent, exact, atol=0.6
            )

    def test_table_to_check_by_hand(self):
        """Collectors on the places of the sweep are added up as they stand: to the last digit."""
        data = file_of(TABLE_POSITION_FT, TABLE_DEPOSIT, unit="ft")
        trace = read_trace(data, source="table.csv")
        swaths_m = tuple(round(0.3048 * row.swath_ft, 4) for row in TABLE_ROWS)
        analysis = analyse([PassInput(trace)], Parameters(swaths_m=swaths_m))
        assert analysis.passes[0].remarks == ()
        for row, swath_m in zip(TABLE_ROWS, swaths_m, strict=True):
            assert cv_at(analysis, "one_way", swath_m) == pytest.approx(row.one_way[0], abs=5e-5)
            assert cv_at(analysis, "back_and_forth", swath_m) == pytest.approx(
                row.back_and_forth[0], abs=5e-5
            )
        choice = analysis.recommended.back_and_forth
        assert choice.widest_passing_m == pytest.approx(45 * 0.3048, abs=1e-6)
        assert choice.first_failure_m == pytest.approx(30 * 0.3048, abs=1e-6)

    def test_table_between_its_places_is_noted(self):
        data = file_of(TABLE_POSITION_FT, TABLE_DEPOSIT, unit="ft")
        analysis = analyse([PassInput(read_trace(data, source="table.csv"))])
        assert [remark.code for remark in analysis.passes[0].remarks] == ["coarse_readings"]

    @pytest.mark.parametrize("seed", range(5))
    def test_triangle_from_uneven_steps(self, seed):
        """300 readings anywhere on 40 m; corners fall between readings, so 0.3 points."""
        x = np.unique(np.random.default_rng(seed).uniform(-20, 20, 300).round(3))
        x = np.concatenate(([-20.0], x, [20.0]))
        trace = read_trace(file_of(x, triangle(x) + 70 - x), source="uneven.csv")
        analysis = analyse([PassInput(trace)], Parameters(swaths_m=(12.0, 15.0, 18.0)))
        for swath_m, exact in ((12, 6.9282), (15, 25.0), (18, 45.2548)):
            assert cv_at(analysis, "one_way", swath_m) == pytest.approx(exact, abs=0.3)

    def test_triangle_from_spectra(self):
        """A dye line of 12 nm on a sloping baseline; its height draws the triangle."""
        nm = np.arange(520, 660, 2.0)
        rng = np.random.default_rng(1)
        x = string(20.0, 0.2)
        counts = 200 + 0.5 * (nm - 520) + rng.normal(0, 2, (x.size, nm.size))
        counts += triangle(x)[:, None] * np.exp(-(((nm - 580) / 12) ** 2) / 2)
        rows = [",".join(f"{v:.2f}" for v in (at, *row)) for at, row in zip(x, counts, strict=True)]
        head = ",".join(["position_m", *(f"{v:g}" for v in nm)])
        data = "\n".join([head, *rows, ""]).encode()
        inputs = [PassInput(read_trace(data, source="spectra.csv"))]
        analysis = analyse(inputs, Parameters(swaths_m=(12.0, 15.0, 18.0)))
        for swath_m, exact in ((12, 6.9282), (15, 25.0), (18, 45.2548)):
            assert cv_at(analysis, "one_way", swath_m) == pytest.approx(exact, abs=0.3)
        with pytest.raises(InputError, match="some hold readings and some spectra"):
            analyse([*inputs, flown(triangle)])

    def test_mean_times_swath_is_the_total(self):
        analysis = analyse([flown(triangle)], Parameters(swaths_m=(10.0,)))
        step_m = analysis.pattern.position_m[1] - analysis.pattern.position_m[0]
        assert analysis.pattern.deposit.sum() * step_m == pytest.approx(10_000, rel=1e-6)
        assert analysis.passes[0].total == pytest.approx(10_000, rel=1e-6)


class TestNoise:
    """Four noisy passes. Noise can only add to a CV; the bounds below are own expectations."""

    @pytest.mark.parametrize(("noise", "most"), [(10, 0.3), (20, 0.5), (50, 1.2)])
    def test_triangle_at_three_quarters_of_its_base(self, noise, most):
        """25 % exactly without noise; mean over 12 tests of four passes each."""
        found = [
            cv_at(
                analyse(
                    [flown(triangle, noise=noise, seed=10 * test + i) for i in range(4)],
                    Parameters(swaths_m=(15.0,)),
                ),
                "one_way",
                15.0,
            )
            for test in range(12)
        ]
        assert 24.8 < np.mean(found) < 25 + most
        assert np.std(found) < 0.15 * noise**0.5

    def test_bounds_enclose_the_mean_curve(self):
        passes = [
            flown(lambda x, c=c: triangle(x, centre=c), noise=10, seed=i)
            for i, c in enumerate((-0.8, 0.1, 0.3, 1.0))
        ]
        curves = analyse(passes).uniformity
        for manner in MANNERS:
            curve = getattr(curves, manner)
            assert np.all(curve.low_percent <= curve.high_percent)
            assert np.mean(curve.low_percent <= curve.cv_percent + 1e-9) > 0.9

    def test_one_pass_invents_no_bounds(self):
        curves = analyse([flown(triangle)]).uniformity
        assert np.all(np.isnan(curves.one_way.low_percent))


class TestPasses:
    def test_suspect_pass_is_left_out_of_the_mean(self):
        good = [flown(triangle, noise=5, seed=i) for i in range(3)]
        bad = flown(lambda x: 0.3 * triangle(x), noise=5, seed=3)
        analysis = analyse([*good, bad])
        assert [one.accepted for one in analysis.passes] == [True, True, True, False]
        np.testing.assert_array_equal(analysis.pattern.deposit, analyse(good).pattern.deposit)

    def test_include_takes_it_in_and_leave_out_takes_it_away(self):
        passes = [flown(triangle, noise=5, seed=i) for i in range(2)]
        bad = flown(lambda x: 0.3 * triangle(x), noise=5, seed=3)
        taken = analyse([*passes, PassInput(bad.trace, "include", "low on purpose")])
        assert taken.pattern.passes.shape[0] == 3
        assert "because: low on purpose." in taken.passes[2].remarks[-1].text
        left = analyse([passes[0], PassInput(passes[1].trace, "leave_out")])
        assert left.pattern.passes.shape[0] == 1

    def test_order_of_the_files_changes_nothing_but_order(self):
        passes = [flown(triangle, noise=15, seed=i) for i in range(3)]
        one, other = (to_document(analyse(order)) for order in (passes, passes[::-1]))
        assert one["passes"] == other["passes"][::-1]
        for key in ("position_m", "deposit", "spread", "centre_m", "repeatability_percent"):
            assert one["pattern"][key] == other["pattern"][key]
        assert one["recommended"] == other["recommended"]
        for key, value in one["uniformity"].items():
            np.testing.assert_allclose(value, other["uniformity"][key], atol=1e-5)

    def test_centring_on_the_deposit_makes_one_way_and_back_and_forth_alike(self):
        passes = [flown(lambda x: triangle(x, centre=2.0))]
        as_flown, centred = (
            analyse(passes, Parameters(swaths_m=(14.0,), centring=centring))
            for centring in ("flight_line", "deposition")
        )
        gap = [
            cv_at(one, "back_and_forth", 14.0) - cv_at(one, "one_way", 14.0)
            for one in (as_flown, centred)
        ]
        assert gap[0] > 1
        assert gap[1] == pytest.approx(0, abs=0.01)
        assert as_flown.passes[0].centre_m == pytest.approx(2.0, abs=0.01)

    def test_no_accepted_pass_names_each_with_its_reason(self):
        flat = flown(lambda x: 0 * x)
        with pytest.raises(PatternError, match=r"^no pass is accepted: centre-0\.csv: No deposit"):
            analyse([flat])

    def test_no_pass_at_all(self):
        with pytest.raises(InputError, match="there is none"):
            analyse([])


class TestSweepAndGrid:
    def test_automatic_sweep_reaches_twice_the_width(self):
        analysis = analyse([flown(triangle)])
        swaths_m = analysis.uniformity.swath_m
        width_m = analysis.passes[0].extent_m[1] - analysis.passes[0].extent_m[0]
        assert swaths_m[0] == 4.0
        assert 2 * width_m - 0.5 < swaths_m[-1] <= min(2 * width_m, AUTOMATIC_LAST_M)
        np.testing.assert_allclose(np.diff(swaths_m), 0.5)
        assert analysis.parameters.swaths_m is None

    def test_automatic_sweep_has_both_ends(self):
        class Narrow:
            extent_m = (-1.0, 1.0)

        class Wide:
            extent_m = (-60.0, 60.0)

        assert automatic_sweep([Narrow()])[-1] == 8.0
        assert automatic_sweep([Narrow(), Wide()])[-1] == AUTOMATIC_LAST_M

    def test_grid_reaches_twice_as_far_for_moved_passes(self):
        traces = [flown(triangle).trace]
        assert grid_of(traces, Parameters()).position_m[-1] == pytest.approx(20.1)
        assert grid_of(traces, Parameters(centring="deposition")).position_m[-1] > 40

    @pytest.mark.parametrize(
        ("offset_ft", "swath_m", "centring", "coarse"),
        [
            (0, 9.144, "flight_line", True),
            (1, 9.144, "flight_line", False),
            (0, 9.0, "flight_line", False),
            (0, 9.144, "deposition", False),
        ],
    )
    def test_collectors_are_the_grid_only_where_they_fit(
        self, offset_ft, swath_m, centring, coarse
    ):
        data = file_of(TABLE_POSITION_FT + offset_ft, TABLE_DEPOSIT, unit="ft")
        trace = read_trace(data, source="table.csv", options=ReadOptions(origin="centre"))
        step_m = grid_of([trace], Parameters(swaths_m=(swath_m,), centring=centring)).step_m
        assert step_m == pytest.approx(1.524) if coarse else step_m <= 0.1


@pytest.fixture(scope="module")
def analysis():
    passes = [flown(triangle, noise=20, seed=i) for i in range(3)]
    flat = flown(lambda x: 0 * x, seed=3)
    return analyse([*passes, flat], Parameters(swaths_m=(8.0, 10.0, 12.5, 15.0, 18.0)))


class TestDocument:
    def test_settings_of_another_version_do_not_close_a_kept_result(self, analysis):
        document = json.loads(to_bytes(analysis))
        document["parameters"]["zones"]["setting_of_tomorrow"] = 3
        del document["parameters"]["line_error_m"]
        again = from_document(document)
        assert again.recommended == from_document(to_document(analysis)).recommended
        assert again.parameters.line_error_m == Parameters().line_error_m

    def test_reading_it_back_gives_the_same_document(self, analysis):
        document = to_document(analysis)
        again = from_document(json.loads(json.dumps(document)))
        assert to_document(again) == document
        assert to_bytes(again) == to_bytes(analysis)
        assert again.parameters == analysis.parameters
        assert np.isnan(again.passes[3].centre_m)

    def test_one_pass_and_moved_passes_come_back_too(self):
        for parameters in (Parameters(), Parameters(centring="deposition")):
            document = to_document(analyse([flown(triangle)], parameters))
            assert to_document(from_document(document)) == document
            assert document["uniformity"]["one_way_cv_low_percent"][0] is None

    def test_it_holds_what_was_promised(self, analysis):
        document = to_document(analysis)
        assert {"file", "accepted", "reasons", "centre_m", "digest"} <= set(document["passes"][0])
        assert document["passes"][3]["reasons"] == [
            remark.text for remark in analysis.passes[3].remarks if remark.weight != "note"
        ]
        size = len(document["pattern"]["position_m"])
        assert len(document["pattern"]["deposit"]) == size
        assert all(len(one["deposit"]) == size for one in document["passes"])
        for manner in MANNERS:
            for bound in ("cv", "cv_low", "cv_high"):
                assert len(document["uniformity"][f"{manner}_{bound}_percent"]) == 5
            assert {
                "swath_m",
                "cv_percent",
                "widest_passing_m",
                "first_failure_m",
                "reason",
            } <= set(document["recommended"][manner])

    def test_numbers_have_nine_digits_and_nothing_is_nan(self, analysis):
        for number in to_document(analysis)["pattern"]["deposit"]:
            assert number == float(f"{number:.9g}")
        assert b"NaN" not in to_bytes(analysis)
        assert json.loads(to_bytes(analysis)) == to_document(analysis)

    def test_what_rounding_leaves_of_zero_is_zero(self):
        """A triangle flown at half of its base is perfectly even and centred."""
        document = to_document(analyse([flown(triangle)], Parameters(swaths_m=(10.0,))))
        assert document["pattern"]["centre_m"] == 0
        assert document["uniformity"]["back_and_forth_cv_percent"] == [pytest.approx(0, abs=0.05)]
        exact = np.array([0.0, 1e-6, 25.0])
        curve = ManneredCurve("one_way", *[exact] * 7)
        curves = Uniformity(np.array([8.0, 9, 10]), curve, curve, 0.9)
        analysis = dataclasses.replace(analyse([flown(triangle)]), uniformity=curves)
        assert to_document(analysis)["uniformity"]["one_way_cv_percent"] == [0, 0, 25]

    def test_the_same_bytes_in_another_process(self):
        program = (
            "import hashlib\n"
            "from patterns.analyse import analyse\n"
            "from patterns.document import to_bytes\n"
            "from tests.patterns.passes import triangle\n"
            "from tests.patterns.test_analyse import flown\n"
            "passes = [flown(triangle, noise=15, seed=i) for i in range(4)]\n"
            "print(hashlib.sha256(to_bytes(analyse(passes))).hexdigest())\n"
        )
        ran = subprocess.run(
            [sys.executable, "-c", program],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONHASHSEED": "77", "PATH": ""},
        )
        passes = [flown(triangle, noise=15, seed=i) for i in range(4)]
        here = hashlib.sha256(to_bytes(analyse(passes))).hexdigest()
        assert ran.stdout.strip() == here

    @pytest.mark.parametrize(
        "document", [{}, {"method_version": "1"}, {"method_version": 1, "parameters": []}]
    )
    def test_what_is_no_document_is_refused(self, document):
        with pytest.raises(InputError, match="it is not the document of an analysis"):
            from_document(document)
