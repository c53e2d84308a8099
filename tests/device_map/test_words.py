import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.words import edit_distance, known_list, nearest

KNOWN = ["accuracy", "access", "command", "unit", "scale", "Voltage", "mAh", "ten_mWh"]


@pytest.mark.parametrize(
    ("word", "found"),
    [
        ("acuracy", "accuracy"),
        ("accurracy", "accuracy"),
        ("comand", "command"),
        ("uint", "unit"),
        ("sclae", "scale"),
        ("voltage", "Voltage"),
        ("mah", "mAh"),
        ("ten mwh", "ten_mWh"),
        ("ten-mWh", "ten_mWh"),
        ("flavour", None),
        ("x", None),
        ("", None),
    ],
)
def test_nearest_finds_slips_and_nothing_far_away(word: str, found: str | None) -> None:
    assert nearest(word, KNOWN) == found


def test_nearest_prefers_the_same_case() -> None:
    assert nearest("mv", ["MV", "mV"]) == "mV"


@pytest.mark.parametrize(("one", "other", "distance"), [("kitten", "sitting", 3), ("ca", "abc", 3), ("abcd", "acbd", 1), ("", "abc", 3)])
def test_distances_of_the_literature(one: str, other: str, distance: int) -> None:
    # kitten/sitting: Levenshtein's usual example; ca/abc: 3 is optimal string alignment's (from memory of Boytsov 2011)
    assert edit_distance(one, other) == distance


@given(st.text(max_size=8), st.text(max_size=8))
def test_distance_is_symmetric_and_zero_only_for_equals(one: str, other: str) -> None:
    assert edit_distance(one, other) == edit_distance(other, one)
    assert (edit_distance(one, other) == 0) == (one == other)


@pytest.mark.parametrize(
    ("words", "limit", "shown"),
    [
        ([], 12, ""),
        (["a"], 12, "a"),
        (["a", "b", "c"], 12, "a, b or c"),
        (["a", "b", "c"], 2, "a, b and 1 more"),
    ],
)
def test_known_list(words: list[str], limit: int, shown: str) -> None:
    assert known_list(words, limit) == shown
