import re

from hypothesis import given
from hypothesis import strategies as st

from blankoff.report.names import file_stem, page_path
from tests.report.invented_month import WILD_NAMES


@given(st.text(max_size=300))
def test_any_name_makes_a_safe_file_name(name):
    stem = file_stem("pump", name)
    assert re.fullmatch(r"[a-z0-9-]{10,51}", stem)
    assert not stem.startswith("-")


@given(st.text(max_size=60), st.text(max_size=60))
def test_different_names_never_share_a_file(one, other):
    assert (file_stem("pump", one) == file_stem("pump", other)) == (one == other)


def test_wild_names_stay_inside_their_folder():
    for name in WILD_NAMES:
        assert re.fullmatch(r"technician/[a-z0-9-]+\.html", page_path("technician", name))


def test_names_that_differ_only_in_what_the_readable_part_drops_are_kept_apart():
    assert len({page_path("hose", n) for n in ("A 1", "A-1", "a 1", "A  1", "Ä 1")}) == 5
