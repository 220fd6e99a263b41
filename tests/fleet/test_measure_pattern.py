"""The command: JSON in SI, a table for people, and one line for whatever cannot be used."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from fleet.management.commands.measure_pattern import Command
from patterns.analyse import Parameters, PassInput, analyse
from patterns.document import from_document, to_document
from patterns.tracefile import ReadOptions, read_trace
from tests.patterns.oracles import TABLE_DEPOSIT, TABLE_POSITION_FT, TABLE_ROWS
from tests.patterns.passes import file_of, gaussian, string, triangle

ROOT = Path(__file__).resolve().parents[2]
X = string(20.0)


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run the command as from a shell, in a folder of its own: exit status, output, errors."""
    monkeypatch.chdir(tmp_path)

    def _run(*arguments):
        status = 0
        try:
            Command().run_from_argv(["manage.py", "measure_pattern", *map(str, arguments)])
        except SystemExit as stop:
            status = stop.code
        out, err = capsys.readouterr()
        return status, out, err

    return _run


@pytest.fixture
def folder(tmp_path):
    """Four good passes from the left end with the line at 20 m, and the fourth a weak one."""
    for number, (scale, centre) in enumerate(((1, 0), (1.05, 0.3), (0.95, -0.2), (0.3, 0.1))):
        rng = np.random.default_rng(number)
        reading = scale * triangle(X, centre=centre) + 120 + X + rng.normal(0, 10, X.size)
        (tmp_path / f"{number}.csv").write_bytes(file_of(X + 20, reading))
    (tmp_path / "bad.csv").write_text("position_m,reading\n0,100\n1,hello\n2,100\n")
    return tmp_path


def refused(result):
    """Exit status 2, nothing on standard output, no traceback; the lines of standard error."""
    status, out, err = result
    assert status == 2
    assert out == ""
    assert "Traceback" not in err
    assert err.endswith("\n")
    return err.splitlines()


class TestJson:
    def test_what_was_promised(self, run, folder):
        status, out, err = run(
            "0.csv",
            "1.csv",
            "2.csv",
            "3.csv",
            "--json",
            "--flight-line",
            20,
            "--swaths",
            "8:20:0.5",
        )
        assert (status, err) == (0, "")
        result = json.loads(out)
        assert [one["file"] for one in result["passes"]] == [f"{n}.csv" for n in range(4)]
        assert [one["accepted"] for one in result["passes"]] == [True, True, True, False]
        assert "The total is 70 % below" in result["passes"][3]["reasons"][0]
        assert result["passes"][1]["centre_m"] == pytest.approx(0.3, abs=0.05)
        assert len(result["pattern"]["position_m"]) == len(result["pattern"]["deposit"])
        np.testing.assert_allclose(result["uniformity"]["swath_m"], np.arange(8, 20.1, 0.5))
        for manner in ("one_way", "back_and_forth"):
            for bound in ("cv", "cv_low", "cv_high"):
                assert len(result["uniformity"][f"{manner}_{bound}_percent"]) == 25
            choice = result["recommended"][manner]
            assert choice["widest_passing_m"] in (14.5, 15.0)
            assert choice["first_failure_m"] == choice["widest_passing_m"] + 0.5
            assert choice["swath_m"] <= choice["widest_passing_m"] - 0.5
            assert choice["cv_percent"] < 25
            assert choice["reason"]
        assert result["findings"] == []
        assert to_document(from_document(result)) == result

    def test_it_is_what_the_library_says(self, run, folder):
        _, out, _ = run("0.csv", "1.csv", "--json", "--flight-line", 20)
        inputs = [
            PassInput(
                read_trace(
                    (folder / name).read_bytes(),
                    source=name,
                    options=ReadOptions(flight_line=20.0),
                )
            )
            for name in ("0.csv", "1.csv")
        ]
        assert json.loads(out) == to_document(analyse(inputs, Parameters()))

    def test_findings_stand_with_place_and_depth(self, run, tmp_path):
        for number in range(3):
            rng = np.random.default_rng(number)
            dip = 1 - 0.4 * np.exp(-(((X - 3) / 0.8) ** 2))
            reading = gaussian(X, 6.0) * dip + 100 + rng.normal(0, 8, X.size)
            (tmp_path / f"{number}.csv").write_bytes(file_of(X, reading))
        _, out, _ = run("0.csv", "1.csv", "2.csv", "--json")
        (finding,) = json.loads(out)["findings"]
        assert finding["kind"] == "low"
        assert 1.5 < finding["from_m"] < 3 < finding["to_m"] < 4.5
        assert -45 < finding["depth_percent"] < -25
        assert finding["in_every_pass"] is True

    def test_table_in_feet_from_the_right_end(self, run, tmp_path):
        """The exact table of tests/patterns/oracles.py; counted from the right it is mirrored."""
        data = file_of(40 - TABLE_POSITION_FT, TABLE_DEPOSIT, unit="ft").replace(b"_ft", b"")
        (tmp_path / "table.csv").write_bytes(data)
        options = ("--unit", "ft", "--origin", "right", "--flight-line", 40)
        status, out, _ = run("table.csv", "--json", *options, "--swaths", "7.62:16.764:1.524")
        assert status == 0
        result = json.loads(out)
        for row, one_way, back in zip(
            TABLE_ROWS,
            result["uniformity"]["one_way_cv_percent"],
            result["uniformity"]["back_and_forth_cv_percent"],
            strict=True,
        ):
            assert one_way == pytest.approx(row.one_way[0], abs=5e-5)
            assert back == pytest.approx(row.back_and_forth[0], abs=5e-5)
        assert result["pattern"]["centre_m"] > 0  # the table is fuller on its right

    def test_overrules(self, run, folder):
        options = ("--json", "--flight-line", 20, "--include", "3.csv", "--leave-out", "./1.csv")
        _, out, _ = run("0.csv", "1.csv", "2.csv", "3.csv", *options)
        accepted = [one["accepted"] for one in json.loads(out)["passes"]]
        assert accepted == [True, False, True, True]

    def test_limit_error_and_centring_reach_the_analysis(self, run, folder):
        options = ("--cv-limit", "15", "--line-error", "0", "--centring", "deposition")
        _, out, _ = run("0.csv", "1.csv", "2.csv", "--json", "--flight-line", 20, *options)
        result = json.loads(out)
        assert result["recommended"]["one_way"]["cv_limit_percent"] == 15
        assert result["recommended"]["one_way"]["line_error_m"] == 0
        assert result["pattern"]["centring"] == "deposition"

    def test_saturation(self, run, folder):
        _, out, _ = run(
            "0.csv", "1.csv", "2.csv", "--json", "--saturation", "1000", "--include", "0.csv"
        )
        reasons = json.loads(out)["passes"][0]["reasons"]
        assert any("saturated" in reason for reason in reasons)


class TestTable:
    def test_a_person_can_read_it(self, run, folder):
        status, out, err = run("0.csv", "1.csv", "2.csv", "3.csv", "--flight-line", 20)
        assert (status, err) == (0, "")
        assert out.startswith("PASSES: 3 of 4 used\n")
        assert "  LEFT OUT  3.csv  centre +0." in out
        assert "suspect: The total is 70 % below that of the other passes." in out
        assert "about the flight line as flown" in out
        assert "  one way         1" in out
        assert "  back and forth  1" in out
        assert "no low or high zone stands in every pass" in out
        assert "no permission to spray" in out.replace("\n", " ")
        assert out.isascii()

    def test_curves_end_where_no_one_would_fly(self, run, folder):
        """A triangle of base 20 m has 45.25 % at 18 m, 57.74 % at 20 m; twice the limit is 50."""
        _, out, _ = run("0.csv", "--flight-line", 20, "--swaths", "10:40:2")
        assert "   18.00 m (59.1 ft)" in out
        assert "   20.00 m" not in out
        assert "  wider, up to 40.00 m: above 50 % both ways\n" in out

    def test_one_pass_shows_no_bounds(self, run, folder):
        _, out, _ = run("0.csv", "--flight-line", 20)
        assert "spread between passes one pass only" in out
        assert "(- to -)" in out


class TestFiles:
    def test_a_bad_file_names_file_line_and_remedy(self, run, folder):
        assert refused(run("0.csv", "bad.csv", "1.csv", "--json")) == [
            "bad.csv, line 3: the reading is 'hello', which is not a number; write a number there, "
            "or leave the cell empty where the instrument gave none"
        ]

    def test_each_bad_file_gets_its_line(self, run, folder):
        lines = refused(run("bad.csv", "none.csv", "0.csv"))
        assert [line.split(":")[0] for line in lines] == ["bad.csv, line 3", "none.csv"]

    def test_missing_file(self, run, folder):
        assert refused(run("0.csv", "none.csv")) == [
            "none.csv: there is no such file; give the path of a trace file"
        ]

    def test_folder(self, run, folder):
        (folder / "sub").mkdir()
        assert refused(run("sub")) == ["sub: this is a folder; give the trace files themselves"]

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
    def test_file_without_permission(self, run, folder):
        (folder / "0.csv").chmod(0)
        assert refused(run("0.csv")) == [
            "0.csv: it cannot be read (Permission denied); give a file that you may read"
        ]

    def test_file_that_fails_while_it_is_read(self, run, folder, monkeypatch):
        def broken(_path):
            raise OSError(5, "Input/output error")

        monkeypatch.setattr(Path, "read_bytes", broken)
        assert refused(run("0.csv")) == [
            "0.csv: it cannot be read (Input/output error); give a file that you may read"
        ]

    def test_device(self, run):
        assert refused(run("/dev/null")) == [
            "/dev/null: this is no regular file; save the trace to a file first"
        ]

    def test_empty_file(self, run, folder):
        (folder / "empty.csv").write_bytes(b"")
        (line,) = refused(run("empty.csv"))
        assert line.startswith("empty.csv: the file is empty; ")

    def test_enormous_file(self, run, folder):
        with (folder / "big.csv").open("wb") as file:
            file.truncate(65 * 1024 * 1024)
        (line,) = refused(run("big.csv"))
        assert line.startswith("big.csv: the file is larger than 64 MiB; ")

    @pytest.mark.parametrize("again", ["0.csv", "./0.csv", "sub/../0.csv"])
    def test_same_file_twice(self, run, folder, again):
        (folder / "sub").mkdir()
        assert refused(run("0.csv", again)) == [
            f"{again}: the same file is given twice; give each pass once"
        ]

    def test_same_content_twice_is_suspect(self, run, folder):
        (folder / "copy.csv").write_bytes((folder / "0.csv").read_bytes())
        status, out, _ = run("0.csv", "1.csv", "copy.csv", "--json")
        assert status == 0
        copy = json.loads(out)["passes"][2]
        assert copy["accepted"] is False
        assert copy["reasons"] == ["The same file twice: 0.csv holds exactly the same readings."]

    def test_no_accepted_pass(self, run, folder):
        (folder / "flat.csv").write_bytes(file_of(X, np.full(X.size, 30.0)))
        (line,) = refused(run("flat.csv"))
        assert line.startswith("no pass is accepted: flat.csv: No deposit was found")

    def test_odd_file_name_keeps_the_line(self, run, folder):
        assert refused(run("a\nb.csv")) == [
            "a b.csv: there is no such file; give the path of a trace file"
        ]


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (
            ["--swaths", "8-30"],
            "--swaths: '8-30' has 1 parts; give FROM:TO:STEP in metres, such as 8:30:0.5",
        ),
        (
            ["--swaths", "8:x:1"],
            "--swaths: 'x' is not a number; give FROM:TO:STEP in metres, such as 8:30:0.5",
        ),
        (
            ["--swaths", "30:8:0.5"],
            "--swaths: '30:8:0.5' is no ascending sweep above 0; "
            "give FROM:TO:STEP in metres, such as 8:30:0.5",
        ),
        (
            ["--swaths", "8:30:0"],
            "--swaths: '8:30:0' is no ascending sweep above 0; "
            "give FROM:TO:STEP in metres, such as 8:30:0.5",
        ),
        (
            ["--swaths", "8:30:0.001"],
            "--swaths: '8:30:0.001' has 22001 swaths; give at most 5000",
        ),
        (
            ["--swaths", "8:9:0.001"],
            "swaths: the longest step that divides all of them is 1 mm; sweep in steps that share "
            "a divisor of at least 5 mm, such as 0.5 m or 0.3048 m",
        ),
        (
            ["--cv-limit", "much"],
            "--cv-limit: 'much' is not a number; give a percentage above 0, such as 25",
        ),
        (["--cv-limit", "0"], "--cv-limit: 0 % is no limit; give a percentage, such as 25"),
        (
            ["--line-error", "-1"],
            "--line-error: -1 m is no line error; give metres, such as 1",
        ),
        (
            ["--flight-line", "mid"],
            "--flight-line: 'mid' is not a number; give a number in the files' own unit",
        ),
        (
            ["--band", "610:560"],
            "--band: '610:560' is no band; give FROM:TO in nm, such as 560:610",
        ),
        (
            ["--saturation", "full"],
            "--saturation: 'full' is not a number; give a reading above 0, such as 65535",
        ),
        (
            ["--include", "2.csv"],
            "--include: 2.csv is not among the files; name one that is",
        ),
        (
            ["--include", "0.csv", "--leave-out", "0.csv"],
            "--leave-out: 0.csv is named by --include as well; decide for one of the two",
        ),
        (
            ["--origin", "top"],
            "measure_pattern: argument --origin: invalid choice: 'top' "
            "(choose from 'left', 'right', 'centre'); see measure_pattern --help",
        ),
        (
            ["--no-such-option"],
            "measure_pattern: unrecognized arguments: --no-such-option; see measure_pattern --help",
        ),
    ],
)
def test_bad_option(run, folder, options, line):
    assert refused(run("0.csv", "1.csv", *options)) == [line]


def test_no_file(run):
    assert refused(run()) == [
        "measure_pattern: the following arguments are required: FILE; see measure_pattern --help"
    ]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--unit", "furlong"], "is no unit for a position along the string"),
        (["--flight-line", "900"], "900 m does not lie between the ends of the string"),
        (["--saturation", "-5"], "-5"),
    ],
)
def test_option_that_no_file_can_follow(run, folder, options, words):
    lines = refused(run("0.csv", *options))
    assert len(lines) == 1
    assert words in lines[0]


def test_an_option_that_fits_no_file_is_told_once(run, folder):
    assert len(refused(run("0.csv", "1.csv", "--unit", "furlong"))) == 1


def test_as_a_program_without_any_database(folder, tmp_path):
    """No migration, no database that could be opened."""
    environment = {
        "PATH": os.environ["PATH"],
        "DJANGO_SETTINGS_MODULE": "deploy.settings",
        "SWATHBOOK_DATA": str(tmp_path / "data"),
        "DATABASE_URL": "sqlite:////no/such/folder/database.sqlite3",
    }
    program = [sys.executable, str(ROOT / "manage.py"), "measure_pattern"]
    ran = subprocess.run(
        [*program, "0.csv", "1.csv", "--json"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert len(json.loads(ran.stdout)["passes"]) == 2
    odd = b"\xff\xc3\xa9.csv"  # no UTF-8, and a letter that Latin-1 has and ASCII has not
    Path(os.fsdecode(bytes(folder) + b"/" + odd)).write_bytes((folder / "0.csv").read_bytes())
    for encoding in ("utf-8", "ascii"):
        ran = subprocess.run(
            [*program, os.fsdecode(odd)],
            cwd=folder,
            env=environment | {"PYTHONIOENCODING": encoding},
            capture_output=True,
            text=True,
            check=False,
        )
        assert (ran.returncode, ran.stderr) == (0, "")
        assert "\\udcff" in ran.stdout
    ran = subprocess.run(
        [*program, "0.csv", "bad.csv"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (2, "")
    assert len(ran.stderr.splitlines()) == 1
