"""Files are written whole or not at all, and never over another without being asked."""

import os
import stat

import pytest

from motorfit.errors import OutputError
from motorfit.files import write_bytes_whole, write_folder, write_whole

not_as_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)


def test_text_is_written_as_it_is(tmp_path):
    """UTF-8, and line ends as given: on Windows too, so that equal input gives equal bytes."""
    write_whole(tmp_path / "a.txt", "5 Ω\n")
    assert (tmp_path / "a.txt").read_bytes() == b"5 \xce\xa9\n"


def test_nothing_but_the_file_is_left(tmp_path):
    write_bytes_whole(tmp_path / "a.bin", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["a.bin"]


def test_others_may_read_it(tmp_path):
    """A new file has the permissions that `open` would have given it."""
    (tmp_path / "usual").touch()
    write_whole(tmp_path / "ours", "x")
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("usual", "ours")]
    assert modes[0] == modes[1]


def test_a_file_that_is_there_stays(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(OutputError, match=r"a\.txt is there already: nothing was written.*--force"):
        write_whole(tmp_path / "a.txt", "new")
    assert (tmp_path / "a.txt").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_force_replaces_it(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    write_whole(tmp_path / "a.txt", "new", force=True)
    assert (tmp_path / "a.txt").read_text() == "new"


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(OutputError, match=r"there is no folder .*nowhere.* Make it first"):
        write_whole(tmp_path / "nowhere" / "a.txt", "x")


@not_as_root
def test_no_permission(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="no permission to write there"):
        write_whole(tmp_path / "a.txt", "x")


def test_a_folder_in_the_place_of_the_file(tmp_path):
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(OutputError, match=r"a\.txt"):
        write_whole(tmp_path / "a.txt", "x", force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_a_folder_is_written_in_one_go(tmp_path):
    write_folder(tmp_path / "new" / "bench", {"a.csv": "1\n", "b.csv": "2\n"})
    found = {path.name: path.read_text() for path in (tmp_path / "new" / "bench").iterdir()}
    assert found == {"a.csv": "1\n", "b.csv": "2\n"}


def test_one_taken_name_leaves_the_whole_folder_alone(tmp_path):
    (tmp_path / "b.csv").write_text("old")
    with pytest.raises(OutputError, match=r"already has b\.csv: nothing was written"):
        write_folder(tmp_path, {"a.csv": "1\n", "b.csv": "2\n"})
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"b.csv": "old"}


def test_a_folder_with_force(tmp_path):
    (tmp_path / "b.csv").write_text("old")
    write_folder(tmp_path, {"a.csv": "1\n", "b.csv": "2\n"}, force=True)
    assert (tmp_path / "b.csv").read_text() == "2\n"


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "bench").write_text("a file")
    with pytest.raises(OutputError, match=r"bench is a file, not a folder.*Choose another"):
        write_folder(tmp_path / "bench", {"a.csv": "1\n"})
