"""Files appear under their final name only when they are whole."""

import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.core.atomic_file import whole_file


@pytest.fixture
def earlier(tmp_path):
    """A file of an earlier run."""
    path = tmp_path / "map.tif"
    path.write_text("earlier", encoding="utf-8")
    return path


def names(path):
    return sorted(file.name for file in path.parent.iterdir())


def test_an_earlier_file_stays_until_the_new_one_is_whole(earlier):
    with whole_file(earlier, "raster") as part:
        part.write_text("half", encoding="utf-8")
        assert earlier.read_text(encoding="utf-8") == "earlier"
        part.write_text("whole", encoding="utf-8")
    assert earlier.read_text(encoding="utf-8") == "whole"
    assert names(earlier) == ["map.tif"]


def test_a_new_file_and_its_folder_appear_at_the_end(tmp_path):
    path = tmp_path / "out" / "report.html"
    with whole_file(path, "report") as part:
        part.write_text("text", encoding="utf-8")
        assert not path.exists()
    assert path.read_text(encoding="utf-8") == "text"


def test_an_error_on_the_way_leaves_the_earlier_file_and_nothing_else(earlier):
    with pytest.raises(KeyError), whole_file(earlier, "raster") as part:  # noqa: PT012
        part.write_text("half", encoding="utf-8")
        raise KeyError("any")
    assert earlier.read_text(encoding="utf-8") == "earlier"
    assert names(earlier) == ["map.tif"]


def test_a_full_disk_is_reported_with_what_and_where(earlier):
    sentence = r"The raster map\.tif cannot be written to .*: No space left\. Is the disk full"
    with pytest.raises(EngineError, match=sentence), whole_file(earlier, "raster") as part:  # noqa: PT012
        part.write_text("half", encoding="utf-8")
        raise OSError("No space left")
    assert earlier.read_text(encoding="utf-8") == "earlier"
    assert names(earlier) == ["map.tif"]


def test_statistics_kept_beside_an_earlier_file_go_with_it(earlier):
    beside = earlier.with_name("map.tif.aux.xml")
    beside.write_text("<statistics/>", encoding="utf-8")
    with whole_file(earlier, "raster") as part:
        part.write_text("whole", encoding="utf-8")
    assert names(earlier) == ["map.tif"]


def test_files_of_a_person_that_look_temporary_stay(earlier):
    mine = [earlier.with_name(name) for name in ("map.part.tif", "map.tif~", ".part-map.tif")]
    for path in mine:
        path.write_text("mine", encoding="utf-8")
    with whole_file(earlier, "raster") as part:
        part.write_text("whole", encoding="utf-8")
    assert [path.read_text(encoding="utf-8") for path in mine] == ["mine"] * 3


def test_a_name_of_the_greatest_length_can_be_written(tmp_path):
    # 255 bytes: NAME_MAX of Linux, limits.h.
    path = tmp_path / ("é" * 125 + ".json")
    with whole_file(path, "layout") as part:
        part.write_text("whole", encoding="utf-8")
    assert path.read_text(encoding="utf-8") == "whole"


def test_files_beside_that_are_a_persons_stay(earlier):
    beside = earlier.with_name("map.tif.aux.xml")
    beside.write_text("mine", encoding="utf-8")
    with whole_file(earlier, "notes", sides=()) as part:
        part.write_text("whole", encoding="utf-8")
    assert beside.read_text(encoding="utf-8") == "mine"
