"""Files out: whole or not at all, and nothing else that lies beside them is touched."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from presence.writing import write_whole


@pytest.mark.parametrize("fails", [False, True])
def test_a_file_of_the_users_own_that_ends_in_part_stays(tmp_path: Path, *, fails: bool) -> None:
    """Half a download, say; whether the writing works or breaks off."""
    own, out = tmp_path / "page.html.part", tmp_path / "page.html"
    own.write_text("mine", encoding="utf-8")

    def pieces() -> Iterator[str]:
        yield "new"
        if fails:
            raise MemoryError

    try:
        write_whole({out: pieces()})
    except MemoryError:
        assert fails
    assert own.read_text(encoding="utf-8") == "mine"
    assert sorted(tmp_path.iterdir()) == ([own] if fails else [out, own])


@pytest.mark.parametrize("umask", [0o022, 0o077])
def test_a_new_file_may_be_read_by_whom_the_shell_lets_and_an_older_one_by_whom_it_did(
    tmp_path: Path, umask: int
) -> None:
    older, new = tmp_path / "older", tmp_path / "new"
    older.touch()
    older.chmod(0o640)
    usual = os.umask(umask)
    try:
        write_whole({older: ["a"], new: ["b"]})
    finally:
        os.umask(usual)
    assert [stat.S_IMODE(path.stat().st_mode) for path in (older, new)] == [0o640, 0o666 & ~umask]
    assert [path.read_text(encoding="utf-8") for path in (older, new)] == ["a", "b"]


def test_a_long_name_is_no_hindrance(tmp_path: Path) -> None:
    """255 bytes are as many as usual file systems take."""
    out = tmp_path / ("x" * 255)
    write_whole({out: ["a"]})
    assert out.read_text(encoding="utf-8") == "a"
