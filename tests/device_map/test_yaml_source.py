from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.device_map.yaml_source import Mapping, Node, Scalar, Sequence, load_yaml, read_yaml
from regcheck.errors import Place, Problem, SourceError

BOTH = pytest.mark.parametrize("pure", [False, True], ids=["c", "pure"])

TRAPS = [
    # text, line and column of the problem, words of it, words of its hint
    ("a: {access: read, write}", 1, 19, "the key 'write' has no value", "a comma inside braces ends the value"),
    ("a:\nb: 1", 1, 1, "the key 'a' has no value", "write the value after the colon"),
    ("a: [1, 2]\nb:\n  - 1\n  -\n", 3, 3, "an item of the list is empty", ""),
    ("a: {scale:10, b: 1}", 1, 5, "the key 'scale:10' has no value", "a space is missing after the colon: scale: 10"),
    ("a: 1\nb:2\nc: 3", 2, 3, "one text", "a space is missing after the colon: b: 2"),
    ("x:\n  b:2\n", 2, 3, "'b:2' is read as one text", "a space is missing after the colon: b: 2"),
    ("a:{b: 1}", 1, 1, "read as one key", "a space is missing after the colon"),
    ("a:1", 1, 1, "a text was found", "a space is missing after the colon: a: 1"),
    ("a:\u00a0b\nc: 1", 1, 3, "a no-break space (U+00A0) was found", "type a plain space"),
    ("a: 5\u2009mV", 1, 5, "an odd space (U+2009)", "type a plain space"),
    ("a: {require: cell_voltage[2] = 1}", 1, 26, "a [ inside an unquoted text within braces", "quote the whole text"),
    ("a: !!int 5", 1, 4, "the tag !!int", "quote the text"),
    ("a: !own 5", 1, 4, "the tag !own", "quote the text"),
    ("a: ! 5", 1, 4, "the tag !", "quote the text"),
    ("a: &x 5", 1, 4, "the anchor &x is never used", "quote the text"),
    ("a: *y", 1, 4, "the alias *y stands for nothing above it", "quote the text"),
    ("a: &x [*x]", 1, 8, "the alias *x stands for nothing above it", "quote the text"),
    ("a: &x 1\nb: *x\nc: &x 2\nd: *x", 3, 4, "the anchor &x stands twice", ""),
    ("b: {<<: 1}", 1, 5, "merge keys (<<)", "like:"),
    ("a: null", 1, 4, "null is no value", "remove the key"),
    ("a: [~]", 1, 5, "~ is no value", "remove the key"),
    ("a: .inf", 1, 4, ".inf is no finite number", ""),
    ("a: -.INF", 1, 4, "-.INF is no finite number", ""),
    ("a: .NaN", 1, 4, ".NaN is no finite number", ""),
    ("a: {0x0B: x, 11: y}", 1, 14, "the key '11' stands twice", "first as '0x0B' in line 1, column 5"),
    ("a: {0o13: x, 1.1e1: y}", 1, 14, "the key '1.1e1' stands twice", "first as '0o13'"),
    ('a: 1\n"a": 2', 2, 1, "the key 'a' stands twice", "first in line 1, column 1"),
    ("a: {1: x, b: y}", 1, 11, "numbers and words are mixed as keys: '1' and 'b'", "quote"),
    ("a: “x”", 1, 4, "a curly quote “ was found", "straight quotes"),
    ("the board’s: 1", 1, 10, "a curly quote ’ was found", "straight quotes"),
    ("a: 5 # note", 1, 6, "a # one space after a value starts a comment", "two spaces before a comment"),
    ("a: [1, 2 #c\n ]", 1, 10, "a # one space after a value", "quote a text that holds #"),
    ("a: multi\n  line #c", 2, 8, "a # one space after a value", ""),
    ("a: %", 1, 4, "a plain % cannot start a value", "write percent"),
    ("a: {unit: %, b: 1}", 1, 11, "a plain % cannot start a value", "write percent"),
    ("a: @x", 1, 4, "a plain @ cannot start a value", "quote the text"),
    ("a: 1\n\tb: 2", 2, 1, "a tab was found", "use spaces"),
    ("a:\t5", 1, 3, "a tab was found", "use spaces"),
    ("a: 1\n---\nb: 2", 2, 1, "a second document starts here", "remove the --- line"),
    ("%YAML 1.1\n---\na: 1", 1, 1, "a YAML directive", "remove the line"),
    ("a: " + "[" * 60 + "]" * 60, 1, 53, "more than 50 levels", ""),
    ("- a", 1, 1, "a list was found; expected keys with values", ""),
    ('a: "x', 1, 4, "the quote that opens here is never closed", ""),
    ('a: "x" y', 1, 8, "more text after the closing quote", "put the whole text in quotes"),
    ("a: [x] y", 1, 8, "more text after the closing bracket", ""),
    ("a: > 5", 1, 4, "a value cannot start with >", "quote the text"),
    ("a: [1, 2", 1, 4, "the [ that opens here is not closed", ""),
    ("a: [1}", 1, 6, "a } was found, but the [ of line 1, column 4 is open", ""),
    ("a: b: c", 1, 5, "a second colon in this line", "quote"),
    ("a: 1\n b: 2", 2, 3, "does not expect a key here", "indent"),
    ("a:\n  b: 1\n c: 2", 3, 2, "does not expect this here", "indent"),
    ("? [a]\n: b", 1, 3, "a key is one word or number", ""),
    ("a: {: 5}", 1, 5, "a value without a key", ""),
    ("a: b\x07", 1, 5, "the control character U+0007", ""),
]


@BOTH
@pytest.mark.parametrize(("text", "line", "column", "words", "hint"), TRAPS, ids=[repr(trap[0])[:30] for trap in TRAPS])
def test_each_trap_is_refused_at_its_place_in_words(text: str, line: int, column: int, words: str, hint: str, pure: bool) -> None:
    _, problems = load_yaml(text, "map.yaml", pure=pure)
    assert len(problems) == 1, problems
    assert problems[0].place == Place("map.yaml", line, column)
    assert words in problems[0].text
    assert hint in problems[0].hint


@BOTH
@pytest.mark.parametrize("text", ["", "  \n", "# only a comment\n", "---\n"])
def test_an_empty_file_is_one_clear_problem(text: str, pure: bool) -> None:
    found, problems = load_yaml(text, "map.yaml", pure=pure)
    assert found == {}
    assert len(problems) == 1


@BOTH
def test_all_problems_of_a_file_come_at_once_in_order(pure: bool) -> None:
    _, problems = load_yaml("a: null\nb: {c: read, write}\nd: 1 # x\ne: .nan\na: 2\n", "m", pure=pure)
    assert [(problem.place.line, problem.text.split()[0]) for problem in problems] == [
        (1, "null"),
        (2, "the"),
        (3, "a"),
        (4, ".nan"),
        (5, "the"),
    ]


@BOTH
def test_plain_scalars_keep_the_text_as_typed(pure: bool) -> None:
    found, problems = load_yaml("a: 1.10\nb: 0017\nc: on\nd: 12:30\ne: 1e3\nf: A6 0B\ng: yes\nh: wire[c - 1]\ni: a\n  b\n", "m", pure=pure)
    assert problems == []
    assert list(found.values()) == ["1.10", "0017", "on", "12:30", "1e3", "A6 0B", "yes", "wire[c - 1]", "a b"]
    assert not any(isinstance(value, Scalar) and value.quoted for value in found.values())


@BOTH
def test_quoted_scalars_give_their_content_and_are_free_of_the_traps(pure: bool) -> None:
    text = 'a: "null"\nb: \'~\'\nc: "x #y"\nd: "cell[2], 1"\ne: |\n  two\n  lines\nf: ""\ng: \'it’s\'\n'
    found, problems = load_yaml(text, "m", pure=pure)
    assert problems == []
    assert list(found.values()) == ["null", "~", "x #y", "cell[2], 1", "two\nlines\n", "", "it’s"]
    assert all(isinstance(value, Scalar) and value.quoted for value in found.values())


@BOTH
def test_words_of_old_yaml_are_text_as_labels(pure: bool) -> None:
    found, problems = load_yaml("names: {state: {0: off, 1: null, 2: no}}\nf: {names: {0: null}}", "m", pure=pure)
    assert problems == []
    assert found[Scalar("names")] == {"state": {"0": "off", "1": "null", "2": "no"}}


@BOTH
def test_ranges_of_codes_stand_beside_numbers(pure: bool) -> None:
    assert load_yaml("codes: {0xFFFF: not available, 0xFF00..0xFFFE: error, 7: open}", "m", pure=pure)[1] == []


@BOTH
def test_every_value_has_its_exact_place(pure: bool) -> None:
    found, problems = load_yaml('\ufeffµ:   {b: [1, "two"], 𝄞: &n x}\nc: *n\nd:\n  - e: f\n', "m", pure=pure)
    assert problems == []
    assert [key.place for key in found] == [Place("m", 1, 1), Place("m", 2, 1), Place("m", 3, 1)]
    inner, block = found[Scalar("µ")], found[Scalar("d")]
    assert isinstance(inner, Mapping)
    assert inner.place == Place("m", 1, 6)
    assert [key.place.column for key in inner] == [7, 22]
    listed = inner[Scalar("b")]
    assert isinstance(listed, Sequence)
    assert listed.place == Place("m", 1, 10)
    assert [item.place.column for item in listed] == [11, 14]
    assert inner[Scalar("𝄞")].place == Place("m", 1, 28)  # behind its anchor
    assert found[Scalar("c")].place == Place("m", 1, 28)  # where the value stands
    assert isinstance(block, Sequence)
    assert (block.place, block[0].place) == (Place("m", 4, 3), Place("m", 4, 5))


@BOTH
@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("a: \u22125 .. 5", "-5 .. 5"),
        ("a: 1\u20132", "1-2"),
        ("a: 1\u20142", "1-2"),
        ("a: \u03bcV", "\u00b5V"),
        ("a: \u00b5V", "\u00b5V"),
        ("a: \u2126", "\u03a9"),
        ("a: \u03a9", "\u03a9"),
    ],
)
def test_typographic_signs_are_folded(typed: str, read: str, pure: bool) -> None:
    assert load_yaml(typed, "m", pure=pure) == ({"a": read}, [])


@BOTH
def test_comments_two_spaces_after_a_value_and_on_lines_of_their_own_are_fine(pure: bool) -> None:
    text = "# head\u00a0line\n#\ttab\na: 1  # one\nb:  # none yet\n  c: x#y\nd: [1,  # two\n  2]\n"
    assert load_yaml(text, "m", pure=pure) == ({"a": "1", "b": {"c": "x#y"}, "d": ["1", "2"]}, [])


@BOTH
def test_aliases_are_bounded(pure: bool) -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"] + [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 6)]
    _, problems = load_yaml("\n".join(lines), "m", pure=pure)
    assert len(problems) == 1
    assert "more than 100000 values" in problems[0].text
    assert load_yaml("a: &x {b: 1}\nc: *x", "m", pure=pure) == ({"a": {"b": "1"}, "c": {"b": "1"}}, [])


def test_a_flood_of_brackets_ends_at_the_depth_cap() -> None:
    for pure in (False, True):
        _, problems = load_yaml("a: " + "[" * 100_000, "m", pure=pure)
        assert "more than 50 levels" in problems[0].text


def test_values_agree_with_an_independent_loader_on_what_both_read_alike() -> None:
    text = "a: {b: [x, 'y z', \"q\"], c: text of words}\nd:\n  - e\n  - f: g\n"
    assert load_yaml(text, "m")[0] == yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506 - BaseLoader makes only text


PIECES = (
    *("a", "b", "1", "0x0B", "µ", "mV", "null", "~", "<<", "..", ": ", ", ", "- ", "? ", "&x ", "*x", "!t ", "---\n", "..."),
    *(":", " ", "  ", "\n", "\n  ", "\n- ", "{", "}", "[", "]", ",", "#", " #", '"', "'", "%", "-", "|", ">", "?", "\t", "\\", "@", "`"),
)


def _places(node: Node) -> object:
    if isinstance(node, Mapping):
        return node.place, [(key.place, key.quoted, _places(value)) for key, value in node.items()]
    if isinstance(node, Sequence):
        return node.place, [_places(item) for item in node]
    return node.place, node.quoted


@settings(max_examples=400, deadline=None)
@given(st.lists(st.sampled_from(PIECES), max_size=14).map("".join))
def test_c_and_pure_parser_agree(tail: str) -> None:
    text = "k: 1\na: " + tail
    fast, slow = load_yaml(text, "m"), load_yaml(text, "m", pure=True)
    assert bool(fast[1]) == bool(slow[1]), (fast[1], slow[1])
    if not fast[1]:
        assert fast == slow
        assert _places(fast[0]) == _places(slow[0])


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=40) | st.lists(st.sampled_from(PIECES), max_size=14).map("".join))
def test_any_text_is_read_or_refused_with_places_inside_it(text: str) -> None:
    for pure in (False, True):
        _, problems = load_yaml(text, "m", pure=pure)
        for problem in problems:
            lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
            assert problem.place.line <= len(lines)
            assert problem.place.column <= len(lines[problem.place.line - 1]) + 1


def _only(path: Path) -> Problem:
    with pytest.raises(SourceError) as caught:
        read_yaml(path)
    assert len(caught.value.problems) == 1
    return caught.value.problems[0]


def test_files_that_are_no_text_are_one_clear_problem(tmp_path: Path) -> None:
    path = tmp_path / "m.yaml"
    assert "cannot be read: No such file" in _only(path).text
    assert "cannot be read: Is a directory" in _only(tmp_path).text
    path.write_bytes(b"a: \xff\xfe")
    assert _only(path) == Problem(Place(str(path), 1, 4), "the byte 0xff is not UTF-8", "save the file as UTF-8")
    path.write_bytes("a: µ\nbé: ".encode() + b"\xe9")
    assert _only(path).place == Place(str(path), 2, 5)
    path.write_bytes("a: 1".encode("utf-16"))
    assert "binary or UTF-16" in _only(path).text
    path.write_bytes(b"")
    assert "the file is empty" in _only(path).text
    path.write_bytes(b"a: 1\x00")
    assert "binary" in _only(path).text
    path.write_bytes(b"#" * 10_000_001)
    assert "expected at most 10000000" in _only(path).text


def test_a_good_file_gives_its_mapping_and_a_bad_one_all_problems(tmp_path: Path) -> None:
    path = tmp_path / "m.yaml"
    path.write_text("a: 1\r\nb: {c: x}\r\n", encoding="utf-8", newline="")
    found = read_yaml(path)
    assert found == {"a": "1", "b": {"c": "x"}}
    assert next(iter(found)).place.file == str(path)
    path.write_text("a: null\nb: ~\n", encoding="utf-8")
    with pytest.raises(SourceError) as caught:
        read_yaml(path)
    assert str(caught.value) == (
        f"{path}:1:4: null is no value of the language (remove the key, or quote the text)\n"
        f"{path}:2:4: ~ is no value of the language (remove the key, or quote the text)"
    )


def test_the_pure_parser_serves_where_c_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yaml, "__with_libyaml__", False)
    monkeypatch.delattr(yaml, "CBaseLoader")
    assert load_yaml("a: {b: 1}", "m") == ({"a": {"b": "1"}}, [])
