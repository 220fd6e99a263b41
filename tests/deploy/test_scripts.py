"""The scripts themselves: help, refusals, and that set-up does neither too much nor too little.

`deploy/setup` is tried on a copy with a made-up interpreter that only writes down what it was told,
so that nothing is downloaded and the environment of this very run stays as it is.
"""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ("deploy/setup", "deploy/run", "deploy/test", "deploy/lock", ".ci/run")

# Stands for the interpreter: `-m venv` makes a folder in which pip and uv write down their calls.
FAKE_PYTHON = """#!/bin/bash
log="$FAKE_LOG"
case "$*" in
  "-m venv --clear .venv")
    rm -rf .venv; mkdir -p .venv/bin
    cp "$0" .venv/bin/python; cp "$0" .venv/bin/uv
    echo "venv" >>"$log"; sleep "${FAKE_SLOW:-0}" ;;
  *"pip install"*) echo "pip $*" >>"$log" ;;
  "pip sync"*) echo "sync $* tmp=$TMPDIR cache=$UV_CACHE_DIR" >>"$log"; exit "${FAKE_FAILS:-0}" ;;
  "-c import sys; sys.exit(sys.version_info < (3, 11))") exit "${FAKE_OLD:-0}" ;;
  "-c import sys; print"*) echo "${FAKE_VERSION:-3.11.2}" ;;
  "-c import ensurepip, venv") exit "${FAKE_NO_VENV:-0}" ;;
  "--version") echo "Python 3.9.2" ;;
  *) echo "unexpected: $*" >&2; exit 99 ;;
esac
"""


def executable(path: Path, text: str) -> Path:
    path.write_text(text)
    path.chmod(0o755)
    return path


class Copy:
    """A checkout with nothing but deploy/setup and the locks, and a made-up interpreter."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "checkout"
        (self.root / "deploy").mkdir(parents=True)
        for path in [ROOT / "deploy" / "setup", *(ROOT / "deploy").glob("*.txt")]:
            shutil.copy(path, self.root / "deploy")
        self.home = folder / "home"
        self.home.mkdir()
        self.bin = folder / "bin"
        self.bin.mkdir()
        self.log = folder / "log"
        self.python = executable(folder / "python", FAKE_PYTHON)

    def environment(self, **variables: str) -> dict[str, str]:
        return {
            "PATH": f"{self.bin}:{os.environ['PATH']}",
            "HOME": str(self.home),
            "PYTHON": str(self.python),
            "FAKE_LOG": str(self.log),
            **variables,
        }

    def start(self, *options: str, **variables: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [str(self.root / "deploy" / "setup"), *options],
            env=self.environment(**variables),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def setup(self, *options: str, **variables: str) -> tuple[int, str, str]:
        """Exit status, output, complaints."""
        process = self.start(*options, **variables)
        out, complaints = process.communicate(timeout=60)
        return process.returncode, out, complaints

    def calls(self) -> list[str]:
        """What was called since the last look."""
        found = self.log.read_text().splitlines() if self.log.exists() else []
        self.log.unlink(missing_ok=True)
        return found


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    return Copy(tmp_path)


@pytest.mark.parametrize("script", SCRIPTS)
def test_script_can_be_run_and_parsed(script: str) -> None:
    path = ROOT / script
    assert path.stat().st_mode & stat.S_IXUSR
    assert path.read_text().startswith("#!/usr/bin/env bash\n")
    assert "set -euo pipefail" in path.read_text()
    subprocess.run(["bash", "-n", path], check=True)


@pytest.mark.parametrize("script", ["deploy/setup", "deploy/run", "deploy/test"])
def test_help_names_the_options_and_does_nothing(script: str) -> None:
    done = subprocess.run(
        [ROOT / script, "--help"], capture_output=True, text=True, check=True, timeout=30
    )
    assert script in done.stdout
    assert "set -e" not in done.stdout


def test_ci_runs_what_people_run() -> None:
    assert "deploy/test" in (ROOT / ".ci" / "run").read_text()


def test_test_refuses_a_path_that_is_not_there() -> None:
    done = subprocess.run(
        [ROOT / "deploy" / "test", "tests/no-such-thing"],
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 2
    assert "tests/no-such-thing" in done.stderr


# --- Set-up ---------------------------------------------------------------------------------------


def test_setup_installs_from_the_locks_only(copy: Copy) -> None:
    status, _, complaints = copy.setup()
    assert status == 0, complaints
    venv, pip, sync = copy.calls()
    assert venv == "venv"
    for call in (pip, sync):
        assert "--require-hashes" in call
    assert "deploy/requirements.txt" in sync
    assert "requirements-test" not in sync
    assert "--compile-bytecode" in sync


def test_setup_leaves_nothing_outside_the_checkout(copy: Copy) -> None:
    copy.setup()
    _, pip, sync = copy.calls()
    inside = f"{copy.root}/.venv/"
    assert "--no-cache-dir" in pip
    assert f"tmp={inside}" in sync
    assert f"cache={inside}" in sync
    assert list(copy.home.iterdir()) == []
    assert not (copy.root / ".venv" / "making").exists()


def test_second_setup_does_nothing(copy: Copy) -> None:
    copy.setup()
    copy.calls()
    assert copy.setup() == (0, "", "")
    assert copy.calls() == []


@pytest.mark.parametrize("change", ["lock", "interpreter", "place"])
def test_setup_makes_the_environment_again_when_it_no_longer_fits(copy: Copy, change: str) -> None:
    copy.setup()
    copy.calls()
    variables = {}
    if change == "lock":
        with (copy.root / "deploy" / "requirements.txt").open("a") as lock:
            lock.write("# another\n")
    elif change == "interpreter":
        variables["FAKE_VERSION"] = "3.12.1"
    else:
        copy.root = copy.root.rename(copy.root.with_name("moved"))
    assert copy.setup(**variables)[0] == 0
    assert copy.calls()[0] == "venv"


def test_test_environment_serves_the_run_as_well(copy: Copy) -> None:
    copy.setup()
    copy.calls()
    copy.setup("--test")
    assert "deploy/requirements-test.txt" in copy.calls()[-1]
    copy.setup()
    copy.setup("--test")
    assert copy.calls() == []


def test_setup_that_failed_is_done_again(copy: Copy) -> None:
    status, _, _ = copy.setup(FAKE_FAILS="1")
    assert status != 0
    copy.calls()
    assert copy.setup()[0] == 0
    assert copy.calls()[0] == "venv"


def test_two_setups_at_once_make_one_environment(copy: Copy) -> None:
    first = copy.start(FAKE_SLOW="1")
    while not copy.log.exists():
        assert first.poll() is None
        time.sleep(0.02)
    second = copy.start()
    assert [process.wait(timeout=60) for process in (first, second)] == [0, 0]
    for process in (first, second):
        process.communicate()
    assert copy.calls().count("venv") == 1


def test_setup_says_which_python_is_too_old(copy: Copy) -> None:
    status, _, complaints = copy.setup(FAKE_OLD="1")
    assert status == 1
    assert "Python 3.9.2 is too old" in complaints
    assert "3.11" in complaints


def test_setup_says_when_there_is_no_python(copy: Copy) -> None:
    status, _, complaints = copy.setup(PYTHON="no-such-python")
    assert status == 1
    assert "no-such-python" in complaints


def test_setup_refuses_an_unknown_option(copy: Copy) -> None:
    status, _, complaints = copy.setup("--tset")
    assert status == 2
    assert "--test" in complaints


# --- System packages ------------------------------------------------------------------------------


def without_libraries(copy: Copy, user: str) -> None:
    """Let the copy see a machine without the libraries of the PDF maker, as a certain user."""
    executable(copy.bin / "ldconfig", "#!/bin/sh\necho nothing\n")
    executable(copy.bin / "id", f"#!/bin/sh\necho {user}\n")


def test_an_ordinary_user_is_told_what_to_install(copy: Copy) -> None:
    without_libraries(copy, user="1000")
    status, _, complaints = copy.setup(FAKE_NO_VENV="1")
    assert status == 1
    command = "apt-get install --no-install-recommends python3-venv libpango-1.0-0"
    assert command in complaints
    assert copy.calls() == []


@pytest.mark.parametrize("update", ["exit 0", "exit 1"])
def test_root_gets_them_installed(copy: Copy, update: str) -> None:
    """Also where the package lists cannot be renewed but the packages are at hand."""
    without_libraries(copy, user="0")
    libraries = (
        "libpango-1.0.so.0 (libc6) libpangoft2-1.0.so.0 (libc6) libharfbuzz-subset.so.0 (libc6)"
    )
    executable(
        copy.bin / "apt-get",
        f"""#!/bin/sh
case "$1" in
    update) {update} ;;
    install) echo "$@ $DEBIAN_FRONTEND" >{copy.root}/apt
        printf '#!/bin/sh\\necho "libraries\n {libraries}"\\n' >{copy.bin}/ldconfig ;;
esac
""",
    )
    status, _, complaints = copy.setup()
    assert status == 0, complaints
    asked = (copy.root / "apt").read_text()
    assert "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0" in asked
    assert "noninteractive" in asked
    assert copy.calls()[0] == "venv"


def test_failing_installation_names_the_command(copy: Copy) -> None:
    without_libraries(copy, user="0")
    executable(copy.bin / "apt-get", "#!/bin/sh\nexit 100\n")
    status, _, complaints = copy.setup()
    assert status == 1
    assert "By hand: apt-get install" in complaints
    assert copy.calls() == []


@pytest.mark.parametrize(
    "missing", ["chromium-headless-shell", "redis-server", "postgresql", "poppler-utils"]
)
def test_tests_never_go_on_without_what_they_need(copy: Copy, missing: str) -> None:
    """A machine on which nothing but this package is missing; found by what the package brings."""
    text = (copy.root / "deploy" / "setup").read_text()
    hidden = {
        "chromium-headless-shell": ("command -v chromium", "command -v no-chromium"),
        "redis-server": ("command -v redis-server", "command -v no-redis-server"),
        "postgresql": ("/usr/lib/postgresql/", "/no/such/place/"),
        "poppler-utils": ("command -v pdftoppm", "command -v no-pdftoppm"),
    }
    shown, instead = hidden[missing]
    assert shown in text
    (copy.root / "deploy" / "setup").write_text(text.replace(shown, instead))
    executable(copy.bin / "id", "#!/bin/sh\necho 1000\n")
    status, _, complaints = copy.setup("--test")
    assert status == 1
    assert f"apt-get install --no-install-recommends {missing}\n" in complaints
    assert copy.setup()[0] == 0, "the service itself does not need it"
