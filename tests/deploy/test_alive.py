"""The worker's sign of life."""

from __future__ import annotations

import os
import time
from pathlib import Path

from deploy import alive


def test_no_sign_no_answer(tmp_path: Path) -> None:
    assert alive.seen(tmp_path) is None
    assert not alive.worker_answers(tmp_path)


def test_fresh_sign_answers_for_the_worker_that_gave_it(tmp_path: Path) -> None:
    alive.give_sign(tmp_path)
    assert alive.worker_answers(tmp_path)
    assert alive.worker_answers(tmp_path, os.getpid())
    assert not alive.worker_answers(tmp_path, os.getpid() + 1)
    assert [file.name for file in tmp_path.iterdir()] == [alive.NAME]


def test_old_or_broken_sign_is_no_answer(tmp_path: Path) -> None:
    alive.give_sign(tmp_path)
    long_ago = time.time() - alive.FRESH_SECONDS - 1
    os.utime(tmp_path / alive.NAME, (long_ago, long_ago))
    assert not alive.worker_answers(tmp_path)
    (tmp_path / alive.NAME).write_text("not a number")
    assert not alive.worker_answers(tmp_path)


def test_only_its_own_sign_is_taken_back(tmp_path: Path) -> None:
    (tmp_path / alive.NAME).write_text("1\n")
    alive.take_back_sign(tmp_path)
    assert alive.seen(tmp_path) == 1
    alive.give_sign(tmp_path)
    alive.take_back_sign(tmp_path)
    assert alive.seen(tmp_path) is None
