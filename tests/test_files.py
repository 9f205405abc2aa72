"""Results appear whole or not at all, and errors say what to do."""

from __future__ import annotations

import errno
import os

import pytest

from linkview.errors import CannotWrite
from linkview.export.files import write_whole, written_beside


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_text_and_bytes_arrive_unchanged(tmp_path):
    write_whole(tmp_path / "gaps.csv", "tie rod,4.2\n±1\n")
    write_whole(tmp_path / "film.gif", b"\x00\r\n\xff")
    assert (tmp_path / "gaps.csv").read_bytes() == "tie rod,4.2\n±1\n".encode()
    assert (tmp_path / "film.gif").read_bytes() == b"\x00\r\n\xff"
    assert names(tmp_path) == ["film.gif", "gaps.csv"]


def test_the_block_gets_a_free_name_with_the_same_suffix(tmp_path):
    with written_beside(tmp_path / "film.mp4") as beside:
        assert beside.parent == tmp_path
        assert beside.suffix == ".mp4"
        assert not beside.exists()
        beside.write_bytes(b"frames")
        assert not (tmp_path / "film.mp4").exists()
    assert names(tmp_path) == ["film.mp4"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, ValueError, SystemExit])
def test_an_interrupted_write_leaves_the_old_result(tmp_path, fault):
    target = tmp_path / "ear.dxf"
    write_whole(target, "old")

    def interrupted():
        with written_beside(target) as beside:
            beside.write_text("half")
            raise fault

    with pytest.raises(fault):
        interrupted()
    assert target.read_text() == "old"
    assert names(tmp_path) == ["ear.dxf"]


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(CannotWrite, match=r"no folder .*nowhere; make it first"):
        write_whole(tmp_path / "nowhere" / "ear.dxf", "")
    assert names(tmp_path) == []


def test_a_folder_in_the_place_of_the_file_is_named(tmp_path):
    with pytest.raises(CannotWrite, match="this is a folder; give a file name in it"):
        write_whole(tmp_path, "")


def test_a_name_too_long_for_the_disk_is_told(tmp_path):
    with pytest.raises(CannotWrite, match="choose a shorter, plainer file name"):
        write_whole(tmp_path / ("e" * 300 + ".dxf"), "")


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (errno.EACCES, "close the program that has it open"),
        (errno.ENOSPC, "make room on the disk"),
        (errno.EIO, "choose another folder"),
    ],
)
def test_what_the_disk_refuses_is_told_with_advice(tmp_path, monkeypatch, number, advice):
    def refuse(source, target):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "replace", refuse)
    target = tmp_path / "ear.dxf"
    with pytest.raises(CannotWrite) as refusal:
        write_whole(target, "drawn")
    assert str(refusal.value).startswith(f"{target}: {os.strerror(number)}")
    assert advice in str(refusal.value)
    assert names(tmp_path) == []
